"""Tests: contact."""
