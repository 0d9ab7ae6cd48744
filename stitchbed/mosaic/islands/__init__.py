"""Joins what hangs together only by several overlaps at once, or by its place in the grid of pieces."""
