"""From a solved plane to leveled, blended pixels."""
