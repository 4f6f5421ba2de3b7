"""The look that every figure shares: sizes, line styles, empty figures."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from viewer.look.palette import LIGHT

DASH = {"solid": "-", "dashed": (0, (5, 2.5)), "dotted": (0, (1.2, 1.8))}
RC = {
    "font.family": "DejaVu Sans",
    "font.size": 10.5,
    "text.color": LIGHT.ink,
    "axes.edgecolor": LIGHT.quiet,
    "axes.labelcolor": LIGHT.ink,
    "axes.facecolor": "none",
    "axes.titlesize": 10.5,
    "axes.titlecolor": LIGHT.ink,
    "axes.titlelocation": "left",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.9,
    "axes.unicode_minus": True,
    "xtick.color": LIGHT.quiet,
    "ytick.color": LIGHT.quiet,
    "xtick.labelcolor": LIGHT.ink,
    "ytick.labelcolor": LIGHT.ink,
    "legend.frameon": False,
    "legend.labelcolor": LIGHT.ink,
    "grid.color": LIGHT.faint,
    "grid.linewidth": 0.6,
    "svg.fonttype": "path",
    "text.parse_math": False,
}


def new_figure(width: float, height: float, **look: Any) -> Any:
    """Make an empty figure, inches, without any global state; ``look`` is for matplotlib."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), **({"facecolor": "none"} | look))
    FigureCanvasAgg(figure)
    return figure


def halo() -> list[Any]:
    """Path effect that keeps text legible where it crosses a line."""
    from matplotlib.patheffects import withStroke

    return [withStroke(linewidth=3.0, foreground=LIGHT.page)]


def note(
    axes: Any,
    text: str,
    at: Any,
    shift: tuple[float, float] = (0.0, 0.0),
    colour: str = LIGHT.ink,
    *,
    outlined: bool = True,
    **look: Any,
) -> None:
    """Write beside a point, ``shift`` printer's points away; outlined, it stays legible on lines.

    ``look`` holds further settings of matplotlib's ``annotate``; the size is 10 unless it says so.
    """
    look = {"fontsize": 10, "va": "center"} | look
    if outlined:
        look["path_effects"] = halo()
    axes.annotate(text, at, xytext=shift, textcoords="offset points", color=colour, **look)


def tolerance_band(axes: Any, tolerance_um: float, **line: Any) -> None:
    """Tint everything within the tolerance and draw its line."""
    axes.axhspan(0, tolerance_um, color=LIGHT.within, lw=0, zorder=0)
    axes.axhline(tolerance_um, color=LIGHT.tolerance, ls=DASH["dotted"], lw=1.8, **line)


def legend_above(axes: Any, **look: Any) -> None:
    """Put the legend above the drawing, flush left."""
    axes.legend(loc="lower left", bbox_to_anchor=(-0.01, 1.0), **look)


def grid_behind(axes: Any, axis: str = "y") -> None:
    """Draw the grid of one axis behind everything else."""
    axes.grid(axis=axis)
    axes.set_axisbelow(True)


def spread(wanted: NDArray[np.float64], gap: float, low: float, high: float) -> NDArray[np.float64]:
    """Move positions apart by at least ``gap``, in their order, staying within low and high.

    Parameters
    ----------
    wanted : ndarray, shape (n,), sorted

    Notes
    -----
    *Guarantee*: order kept; where n gaps do not fit the room, they are shared evenly.
    """
    n = len(wanted)
    if n == 0:
        return wanted
    gap = min(gap, (high - low) / max(n - 1, 1))
    at = np.clip(wanted, low, high)
    for i in range(1, n):
        at[i] = max(at[i], at[i - 1] + gap)
    at[-1] = min(at[-1], high)
    for i in range(n - 2, -1, -1):
        at[i] = min(at[i], at[i + 1] - gap)
    return at


def wrapped(text: str, width: int = 22, lines: int = 3) -> str:
    """A name in at most ``lines`` lines of at most ``width`` characters."""
    import textwrap

    return "\n".join(textwrap.wrap(text, width, max_lines=lines, placeholder="…"))
