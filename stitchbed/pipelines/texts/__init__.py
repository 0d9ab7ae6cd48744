"""What the pipelines say to the person at the screen."""
