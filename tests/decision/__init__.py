"""Tests: decision."""
