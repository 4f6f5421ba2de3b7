"""Tests: base."""
