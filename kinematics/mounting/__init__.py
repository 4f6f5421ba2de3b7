"""Mounting."""
