"""While scanning: what comes into a folder, and what is still missing of the sheet."""
