"""Checks of a study, and its compilation into the arrays that are traced."""
