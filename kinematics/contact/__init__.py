"""Contact."""
