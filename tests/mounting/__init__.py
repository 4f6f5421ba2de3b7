"""Tests: mounting."""
