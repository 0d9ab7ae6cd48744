"""Errors, records, files, memory, progress: what every room needs."""
