"""Tests: casts."""
