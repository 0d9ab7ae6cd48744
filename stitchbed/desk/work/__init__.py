"""What runs: one process at a time that can be stopped, and who is told of it."""
