"""PNG, JPEG and WebP read by bands."""
