"""Tests: oracles."""
