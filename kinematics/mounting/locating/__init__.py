"""Locating."""
