"""One self-contained HTML report of an assessment: opens offline, prints, light and dark."""

from __future__ import annotations

import base64
import math
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from kinematics.base.words import room_words
from viewer.figures.draw import to_svg
from viewer.look import text
from viewer.look.palette import THEMES, Theme, css_variables
from viewer.report import tables
from viewer.report.captions import FIGURE_TEXT, PLATE_TEXT
from viewer.report.plan import OUTCOME_MARK, plan_table, ways_out_table

if TYPE_CHECKING:
    from kinematics.assessment import Assessment

TEMPLATE = Path(__file__).with_name("report.html.j2")
CONTROL = frozenset({"Cc", "Cf", "Cs", "Co", "Zl", "Zp"})
"""Unicode categories that are shown as a mark instead of being obeyed."""

PlatePictures = Mapping[str, Mapping[Theme, bytes]]
"""PNG bytes by view and theme."""


@dataclass(frozen=True)
class Section:
    """A further section of the report: text, finished SVG figures, tables, lists.

    Attributes
    ----------
    svgs : tuple of (caption, svg)
        Where the caption has several lines, its first is the figure's title.
    lists : tuple of (heading, lines)
    """

    title: str
    paragraphs: tuple[str, ...] = ()
    svgs: tuple[tuple[str, str], ...] = ()
    tables: tuple[tables.Table, ...] = ()
    lists: tuple[tuple[str, tuple[str, ...]], ...] = ()

    @property
    def captions(self) -> tuple[tuple[str, str], ...]:
        """Title (may be empty) and text under each figure."""
        cut = [caption.partition("\n") for caption, _ in self.svgs]
        return tuple((head, text) if text else ("", head) for head, _, text in cut)


def captioned(drawn: Mapping[str, Any], *names: str) -> tuple[tuple[str, str], ...]:
    """Caption (title, then text on further lines) and svg element of those that are drawn."""
    return tuple(
        ("\n".join(FIGURE_TEXT[n]), to_svg(drawn[n], n, FIGURE_TEXT[n][0]))
        for n in names
        if n in drawn
    )


def clean(value: Any) -> Any:
    """Replace control characters of a text by a mark; anything else is left as it is."""
    from markupsafe import Markup

    if isinstance(value, str) and not isinstance(value, Markup):
        return "".join("�" if unicodedata.category(c) in CONTROL else c for c in value)
    return value


def data_uri(png: bytes) -> str:
    """A PNG as an address that holds the picture itself."""
    return "data:image/png;base64," + base64.b64encode(png).decode("ascii")


def facts(a: Assessment) -> list[tuple[str, str]]:
    """The few numbers that stand beside the answer."""
    kind = "opening" if a.departure_mm > 0 else "closing"
    answer, spread = a.decision, a.uncertainty
    out = [("tolerance", f"{text.plain(1e3 * a.case.decision.tolerance_mm)} µm")]
    if answer is not None and spread is not None:
        worst, room = answer.worst, answer.largest_closure_mm
        largest = f"largest displacement, {worst.landmark}"
        if not spread.measured:
            largest = f"displacement, {100.0 * spread.coverage:g} % stay within"
        out.insert(0, (largest, f"{text.plain(1e3 * worst.displacement_mm)} µm"))
        if spread.measured:
            low, high = (text.plain(1e3 * end) for end in spread.worst_interval_mm)
            share = f"{100.0 * spread.coverage:g} %"
            out.append((f"largest displacement, {share} of draws", f"{low} to {high} µm"))
        out.append(("chance beyond tolerance", worst.chances.either.words()))
        said = room_words(room) if math.isfinite(room) else "any within hinge range"
        out.append((f"largest closure at {100.0 * answer.risk_limit:g} %", said))
    out += [
        (f"{kind}, incisors", f"{text.plain(abs(a.departure_mm), 2)} mm"),
        ("closure ends at", tables.STOP_LABEL[a.closures.stop]),
    ]
    if a.excursions is not None and a.excursions.kinds:
        size = text.plain(1e3 * a.excursions.worst()[2])
        out.append(("largest in excursions", f"{size} µm"))
    return out


def render_report(
    assessment: Assessment,
    *,
    svgs: Mapping[str, str],
    plates: PlatePictures,
    no_plates_reason: str = "",
    extra: Sequence[Section] = (),
) -> str:
    """Return the report as HTML.

    Parameters
    ----------
    assessment : Assessment
    svgs : mapping of figure name to svg element
        From :func:`viewer.figures.draw.to_svg`.
    plates : mapping of view name to {theme: PNG bytes}
        Pictures of the casts; empty where there are none.
    no_plates_reason : str
        Why there are none, in one sentence.
    extra : sequence of Section
        Placed after the figures, before the tables.

    Notes
    -----
    *Guarantee*: the page asks for nothing outside itself (its policy forbids it too), every text
    of the record is escaped, control characters are shown as a mark, and equal input gives equal
    text.
    """
    from jinja2 import Environment, StrictUndefined
    from markupsafe import Markup

    from kinematics.base.versions import versions
    from kinematics.base.words import CAUTIONS
    from kinematics.result import PACKAGES

    environment = Environment(
        autoescape=True,
        undefined=StrictUndefined,
        finalize=clean,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    a = assessment
    first = a.closures.stop
    order = [first, *[s for s in a.stops if s != first]]
    found = tables.findings_table(a)
    shown = [
        (name, *PLATE_TEXT[name], {t: Markup(data_uri(plates[name][t])) for t in THEMES})
        for name in PLATE_TEXT
        if name in plates
    ]
    return environment.from_string(TEMPLATE.read_text(encoding="utf-8")).render(
        label=a.case.label,
        answer=a.decision,
        facts=facts(a),
        light=Markup(css_variables("light")),
        dark=Markup(css_variables("dark")),
        plates=shown,
        no_plates_reason=no_plates_reason,
        figures=[(n, *FIGURE_TEXT[n], Markup(svg)) for n, svg in svgs.items()],
        extra=[
            (s, [(*words, Markup(svg)) for words, (_, svg) in zip(s.captions, s.svgs)])
            for s in extra
        ],
        ways_out=ways_out_table(a),
        findings_line=tables.findings_line(a),
        findings=found,
        mark="" if a.decision is None else OUTCOME_MARK[a.decision.outcome],
        tables=[
            plan_table(a),
            tables.axes_table(a),
            tables.angles_table(a),
            tables.contact_table(a),
            *[tables.landmark_table(a, s) for s in order if a.closures.measured],
            found,
            tables.inputs_table(a),
            tables.mounting_table(a),
        ],
        assumptions=tables.assumptions(a),
        sources=tables.sources(a),
        would_add=tables.what_would_add(a),
        cautions=CAUTIONS,
        versions=versions(PACKAGES),
    )
