"""Shapes drawn as PDF, SVG or pixels."""
