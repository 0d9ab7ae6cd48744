"""Specks: found, judged, filled."""
