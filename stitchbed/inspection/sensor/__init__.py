"""What a sensor, a driver or a broken transfer did to a scan, whatever is drawn on it."""
