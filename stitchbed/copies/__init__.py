"""Copies for print, web and layers."""
