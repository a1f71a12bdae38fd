"""The engine: closest hits, paths, image sources, replay for scenarios."""
