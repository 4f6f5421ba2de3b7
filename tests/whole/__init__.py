"""Tests: whole."""
