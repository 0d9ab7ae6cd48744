"""From a master to a clean page."""
