"""Articulator."""
