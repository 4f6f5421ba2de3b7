"""Tests of the viewer in a real browser."""
