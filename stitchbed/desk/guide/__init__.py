"""Short pages on how to work, for the desk and for the shell."""
