"""Excursions."""
