"""The sides of a work in a photograph: lines, rectangles, margins, shadows, the table beside them."""
