"""One story for each command, top to bottom, without pixel arithmetic."""
