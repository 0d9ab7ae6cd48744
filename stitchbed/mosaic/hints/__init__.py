"""What a person can say of the pieces, and what becomes of it."""
