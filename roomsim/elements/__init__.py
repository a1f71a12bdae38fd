"""Treatment elements: one file a kind, and the registry of all kinds."""
