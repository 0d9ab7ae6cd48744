"""Where the sheet ends, what its paper and its black are."""
