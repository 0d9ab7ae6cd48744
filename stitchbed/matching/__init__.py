"""Which pictures show the same place, and how they lie on each other; for both roads."""
