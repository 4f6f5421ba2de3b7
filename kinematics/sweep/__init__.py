"""Sweep."""
