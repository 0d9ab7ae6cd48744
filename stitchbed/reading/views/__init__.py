"""An original turned, reduced or flattened while it is read."""
