"""The page that the viewer serves: our own HTML around trame's client, with our colours."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from kinematics.base.words import CAUTION
from viewer.look.palette import css_variables, signed_table

CLIENT = Path(__file__).resolve().parent / "client"
"""Folder of the page's template, style and scripts."""


def template() -> str:
    """The Vue template of the page."""
    page = (CLIENT / "page.html").read_text(encoding="utf-8")
    return page.replace("__CAUTION__", CAUTION)


def map_table() -> list[list[int]]:
    """The signed map as 257 colours, 0 to 255, from open to high."""
    table: list[list[int]] = np.round(255 * signed_table(257)).astype(int).tolist()
    return table


def palette_css() -> str:
    """Style-sheet variables of both themes, and the signed map as a gradient."""
    colours = np.round(255 * signed_table(17)).astype(int)
    stops = ", ".join("#{:02x}{:02x}{:02x}".format(*c) for c in colours)
    return (
        f":root {{ {css_variables('light')} --map: linear-gradient(90deg, {stops}); }}\n"
        f'html[data-theme="dark"] {{ {css_variables("dark")} }}\n'
    )


def index_html(trame_index: str) -> str:
    """Our page, with the scripts that trame's own page names.

    Parameters
    ----------
    trame_index : str
        Text of trame's index page.

    Raises
    ------
    RuntimeError
        It names no script (another trame than this was written for).
    """
    found = re.search(r'<script type="module"[^>]*src="\./(assets/[\w.-]+\.js)"', trame_index)
    if found is None:
        raise RuntimeError("trame's page names no script; check the installed trame-client")
    page = (CLIENT / "index.html").read_text(encoding="utf-8")
    return page.replace("__SCRIPT__", found.group(1))
