"""What charts in a photograph say about its color and sharpness."""
