"""Sizes to saw, and where the pieces lie in a log or a timber."""
