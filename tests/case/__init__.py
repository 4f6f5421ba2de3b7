"""Tests: case."""
