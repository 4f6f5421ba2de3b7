"""Tests: sweep."""
