"""What is seen: pages, pictures in tiles, where pieces lie."""
