"""I pass neighboring pictures into each other. In: layers, and whose each pixel is. Out: one picture."""
