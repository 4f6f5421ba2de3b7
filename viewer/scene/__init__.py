"""Scene."""
