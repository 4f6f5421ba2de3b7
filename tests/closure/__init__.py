"""Tests: closure."""
