"""Figures, maps and tables, from a finished study alone."""
