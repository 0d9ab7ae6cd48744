"""Finished rows, the record and the pictures of a join."""
