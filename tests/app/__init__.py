"""Tests: app."""
