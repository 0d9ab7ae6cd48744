"""Looks at the pieces small and ends in a plan."""
