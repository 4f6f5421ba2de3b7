"""A one-page form for the clinic (HTML, printable) with the fields of the case file."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import NamedTuple

import jinja2

from kinematics.base.words import CAUTION
from kinematics.case.layout import choices, field_of
from kinematics.case.template import template

ROOMY_LINES = 30
"""Up to so many lines a sheet has high ones (ours; more would take a second page)."""
PAGE = Path(__file__).with_name("recording_sheet.html.j2")
"""What the sheet asks for each mounting and measurement, and how it looks."""


class Line(NamedTuple):
    """One line to fill in: words for the reader, and the key of the case file that takes it.

    A key holds ``{}`` where the line has a column for each side.
    """

    key: str
    words: str
    unit: str


def line(asked: str | tuple[str, str], kind: str) -> Line:
    """A line in the words of the case's models, unless the sheet has its own.

    Raises
    ------
    KeyError
        The case file has no such key.
    """
    key, own = (asked, "") if isinstance(asked, str) else asked
    field = field_of(key.format("left"), kind)
    words = str(field["description"]).split(";")[0]
    *most, last = choices(field) or ["", ""]
    words += f": {', '.join(most)} or {last}" if last else ""
    words += " (x, y, z)" if len(field.get("prefixItems", ())) == 3 else ""
    default = field.get("default")
    words += f" ({default:g})" if isinstance(default, float) and default else ""
    return Line(key, own or words, field.get("unit", ""))


def recording_sheet_html(
    kind: str, measurements: Collection[str] = (), label: str = "________________"
) -> str:
    """Return the sheet as one HTML page that needs no other file.

    Parameters
    ----------
    kind, measurements
        As :func:`kinematics.case.template.template`, whose case takes the readings.
    label : str
        Pseudonymous case label; escaped.

    Raises
    ------
    InputError
        Unknown kind or measurement.
    """
    template(kind, measurements)  # refuses what it does not know
    pages = jinja2.Environment(autoescape=True, trim_blocks=True, lstrip_blocks=True)
    pages.filters["line"] = lambda asked: line(asked, kind)
    sheet = pages.from_string(PAGE.read_text(encoding="utf-8")).render(
        kind=kind, chosen=set(measurements), label=label, caution=CAUTION, roomy=ROOMY_LINES
    )
    return sheet.lstrip()
