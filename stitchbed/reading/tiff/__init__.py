"""TIFF read by windows."""
