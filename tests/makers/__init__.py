"""Tests: makers."""
