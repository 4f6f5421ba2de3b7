"""Tests: command."""
