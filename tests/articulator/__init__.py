"""Tests: articulator."""
