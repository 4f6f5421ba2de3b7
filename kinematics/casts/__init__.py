"""Casts."""
