"""Physics as pure formulas, each beside its source. Knows nothing of rooms, files or kernels."""
