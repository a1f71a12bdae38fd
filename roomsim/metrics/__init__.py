"""From decays to the figures of the standards."""
