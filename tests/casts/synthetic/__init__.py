"""Tests: casts/synthetic."""
