"""What lies on a page under its ink: pencil of one hue, stains."""
