"""From a plan and the originals to blended blocks of the canvas."""
