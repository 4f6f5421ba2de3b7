"""The 2-D figures of an assessment, and how they become SVG or PNG.

matplotlib is imported inside the functions (a quick start of the command line), with its object
interface only. Figures are drawn in the light colours; :func:`to_svg` puts style-sheet variables in
their place, so that one drawing serves light, dark and print.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from viewer.figures.arcs import arcs_figure
from viewer.figures.charts import arch_figure, departure_figure, teeth_figure
from viewer.figures.excursions import EXCURSION_FIGURES
from viewer.figures.risk import RISK_FIGURES
from viewer.figures.style import RC
from viewer.figures.teeth import TOOTH_FIGURES
from viewer.look.palette import LIGHT

if TYPE_CHECKING:
    from kinematics.assessment import Assessment

FIGURES: dict[str, Callable[[Assessment], Any]] = {
    "arcs": arcs_figure,
    "departure": departure_figure,
    "teeth": teeth_figure,
    "arch": arch_figure,
}
"""The figures that every case has, apart from one without a measured axis."""


def figures_for(assessment: Assessment) -> tuple[str, ...]:
    """The figures that the case has material for: none of one axis where none was measured."""
    return () if not assessment.closures.measured else tuple(FIGURES)


def draw_figure(name: str, *what: Any) -> Any:
    """Draw a figure by its name in the project's look, of what its function takes."""
    import matplotlib

    every: dict[str, Callable[..., Any]] = {
        **FIGURES,
        **RISK_FIGURES,
        **EXCURSION_FIGURES,
        **TOOTH_FIGURES,
    }
    with matplotlib.rc_context(RC):
        return every[name](*what)


def to_svg(figure: Any, key: str, title: str) -> str:
    """Return a figure as an ``svg`` element to stand inside an HTML page.

    Parameters
    ----------
    figure : matplotlib.figure.Figure
    key : str
        Letters that make the element's ids unique in the page.
    title : str
        Description for readers who do not see it; escaped here.

    Notes
    -----
    *Guarantee*: refers to nothing outside itself; colours that belong to a role of the palette
    are ``var(--role)`` with the light colour behind; equal figures give equal text.
    """
    import html

    import matplotlib

    raw = io.StringIO()
    with matplotlib.rc_context({**RC, "svg.hashsalt": key}):
        figure.savefig(
            raw,
            format="svg",
            facecolor="none",
            metadata={"Date": None, "Creator": None, "Format": None, "Type": None},
        )
    svg = raw.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    svg = re.sub(r'\sxmlns(:\w+)?="[^"]*"', "", svg)
    svg = svg.replace("xlink:href", "href")
    svg = re.sub(r'\bid="', f'id="{key}-', svg)
    svg = svg.replace('href="#', f'href="#{key}-').replace("url(#", f"url(#{key}-")
    for role, value in vars(LIGHT).items():
        svg = svg.replace(value, f"var(--{role},{value})")
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    head = f'<svg role="img" aria-labelledby="{key}-title"'
    named = f'<title id="{key}-title">{html.escape(title)}</title>'
    svg = svg.replace("<svg", head, 1)
    end = svg.index(">") + 1
    return svg[:end] + named + svg[end:]


def to_png(figure: Any, *, dpi: int = 150) -> bytes:
    """Return a figure as the bytes of a PNG on the light page colour."""
    import matplotlib

    raw = io.BytesIO()
    with matplotlib.rc_context(RC):
        figure.savefig(
            raw, format="png", dpi=dpi, facecolor=LIGHT.page, metadata={"Software": None}
        )
    return raw.getvalue()
