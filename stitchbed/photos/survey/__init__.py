"""Reads photographs and ends in a plane with everything known about it."""
