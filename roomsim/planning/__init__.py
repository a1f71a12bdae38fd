"""Treatment planning: candidates, search, trade-offs between cost and goals, and the origin of late energy."""
