"""Tests: scene."""
