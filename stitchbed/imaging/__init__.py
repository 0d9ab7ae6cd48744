"""Boxes, light, transforms and other arithmetic on arrays."""
