"""Tests: excursions."""
