"""What of many small areas is one area: all borders weighed together, again and again."""
