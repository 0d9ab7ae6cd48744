"""Where each piece lies, and what the bed does wrong."""
