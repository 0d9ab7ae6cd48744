"""Profile, density and orientation in a file's header."""
