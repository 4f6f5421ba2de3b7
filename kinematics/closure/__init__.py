"""Closure."""
