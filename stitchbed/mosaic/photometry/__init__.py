"""How bright each piece is against its neighbors, and where it left the glass."""
