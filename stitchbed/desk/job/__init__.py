"""The job file as the state: its text, its history, the table of acts, the pieces."""
