"""What a resolution shows of a sheet, and what it loses."""
