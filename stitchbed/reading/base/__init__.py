"""What all readers share."""
