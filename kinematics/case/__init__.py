"""Case."""
