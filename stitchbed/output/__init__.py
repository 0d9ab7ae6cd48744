"""Pictures written whole or not at all."""
