"""What speaks against a capture: of itself, beside its neighbors, in its set; and the verdict."""
