"""What is wrong with a capture, and which piece to scan again."""
