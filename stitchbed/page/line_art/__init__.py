"""Lines off the paper, and the areas they close in."""
