"""Tests: uncertainty."""
