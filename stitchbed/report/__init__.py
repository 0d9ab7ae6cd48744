"""The page that shows what was done."""
