"""Job files, what changed since the last run, and many works at once."""
