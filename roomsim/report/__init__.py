"""Pictures, tables and exports of a finished study, from its results only."""
