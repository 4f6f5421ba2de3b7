"""The page that the viewer serves: our own HTML around trame's client, with our colours."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from kinematics.base.words import CAUTION
from viewer.look.palette import css_variables, signed_table

CLIENT = Path(__file__).resolve().parent / "client"
"""Folder of the page's template, style and scripts."""
ICON = (
    "data:image/svg+xml,%3Csvg xmlns='http:%2F%2Fwww.w3.org/2000/svg' viewBox='0 0 32 32'%3E"
    "%3Cpath d='M5 27A24 24 0 0 1 27 5' fill='none' stroke='%230072b2' stroke-width='4'/%3E"
    "%3Cpath d='M12 29A20 20 0 0 1 29 11' fill='none' stroke='%23d55e00' stroke-width='4' "
    "stroke-dasharray='6 4'/%3E%3C/svg%3E"
)
"""Two arcs about two axes."""


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
    return f"""<!doctype html>
<html lang="en" data-app-name="trame" data-launcher-retry="[]" data-theme="light">
<head>
<base href=".">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>hingewise</title>
<link rel="icon" href="{ICON}">
<link rel="stylesheet" href="palette.css">
<link rel="stylesheet" href="client/look.css">
<script src="vue.global.js"></script>
<script src="client/shapes.js"></script>
<script src="client/scene.js"></script>
<script src="client/parts.js"></script>
<script type="module" src="{found.group(1)}"></script>
</head>
<body>
<div id="app"><p style="padding: 2em">Opening the case…</p></div>
<noscript><p>The viewer needs JavaScript; it loads nothing from elsewhere.</p></noscript>
</body>
</html>
"""
