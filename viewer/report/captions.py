"""The report's texts that no number of a case changes, as ``texts.toml`` holds them."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

TEXTS: dict[str, Any] = tomllib.loads(
    Path(__file__).with_name("texts.toml").read_text(encoding="utf-8")
)
FILES: dict[str, dict[str, str]] = {
    group: {name: picture["file"] for name, picture in pictures.items()}
    for group, pictures in TEXTS["pictures"].items()
}
"""File of every picture: of the casts, of figures of every case, of some, of the teeth."""
CAPTIONS: dict[str, dict[str, tuple[str, str]]] = {
    group: {name: (picture["title"], picture["text"]) for name, picture in pictures.items()}
    for group, pictures in TEXTS["pictures"].items()
}
"""Title and text of the same."""
PLATE_TEXT = CAPTIONS["casts"]
FIGURE_TEXT = CAPTIONS["every"] | CAPTIONS["some"] | CAPTIONS["teeth"]
