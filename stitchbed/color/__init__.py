"""CIELAB, profiles, fits and conversions."""
