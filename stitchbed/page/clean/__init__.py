"""The steps of cleaning put together, and pictures of what they did."""
