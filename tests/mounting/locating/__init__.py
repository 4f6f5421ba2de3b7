"""Tests: mounting/locating."""
