"""Decision."""
