"""The plane of a work, and where it ends on it, by cards or by its size."""
