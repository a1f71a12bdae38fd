"""Physics as pure formulas, each with its source, independent of scenes, files and kernels."""
