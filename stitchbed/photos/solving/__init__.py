"""Solves views, lens and card places together, and says how sure they are."""
