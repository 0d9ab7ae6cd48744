"""stitchbed."""
