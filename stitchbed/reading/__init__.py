"""Originals: headers, windows, reduced views; nothing else in the house opens them."""
