"""One file for each command: options in, one call of a pipeline."""
