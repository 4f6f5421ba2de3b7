"""Tests: report."""
