"""Synthetic."""
