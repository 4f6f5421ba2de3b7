"""Tests: figures."""
