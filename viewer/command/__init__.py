"""Command."""
