"""The report's texts that no number of a case changes, as ``texts.toml`` holds them."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from viewer.figures.draw import to_svg

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


def captioned(drawn: Mapping[str, Any], *names: str) -> tuple[tuple[str, str], ...]:
    """Caption (title, then text on further lines) and svg element of those that are drawn."""
    return tuple(
        ("\n".join(FIGURE_TEXT[n]), to_svg(drawn[n], n, FIGURE_TEXT[n][0]))
        for n in names
        if n in drawn
    )
