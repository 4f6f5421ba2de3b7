"""Tests of hingewise; the folders are those of the code, with some of their own beside."""

from pathlib import Path

REPO = Path(__file__).resolve().parents[1]
SAMPLES = REPO / "sample_meshes"
AUTHORITIES = Path(__file__).resolve().parent / "authorities"
"""What others published: extracts, each with its source."""
SCANS = AUTHORITIES / "scans"
"""Real casts, openly licensed, with their licences."""
