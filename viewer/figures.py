"""The 2-D figures: arcs, error against departure, error by tooth, error over the arch.

matplotlib is imported inside the functions (a quick start of the command line), with its object
interface only. Figures are drawn in the light colours; :func:`to_svg` puts style-sheet variables in
their place, so that one drawing serves light, dark and print.
"""

from __future__ import annotations

import io
import re
from typing import Any

import numpy as np

from viewer.figure_data import (
    SHORTEST_PATH_MM,
    ArcPair,
    Assessment,
    arc_pairs,
    arrow_factor,
    at_side,
    shown_stop,
    tooth_table,
)
from viewer.palette import (
    AXIS_LABEL,
    LIGHT,
    LINE_STYLE,
    STOP_LABEL,
    STOP_MARKER,
    STOP_STYLE,
    scale_limit_um,
    signed_colours,
)

DASH = {"solid": "-", "dashed": (0, (5, 2.5)), "dotted": (0, (1.2, 1.8))}
RC = {
    "font.family": "DejaVu Sans",
    "font.size": 10.5,
    "text.color": LIGHT.ink,
    "axes.edgecolor": LIGHT.quiet,
    "axes.labelcolor": LIGHT.ink,
    "axes.facecolor": "none",
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
COMPONENTS = (
    ("anteroposterior", "anteroposterior (+ anterior)", ""),
    ("transverse", "transverse (+ to the patient's left)", "////"),
    ("vertical", "vertical (+ upwards)", ""),
)
"""Role, legend text and hatch of x, y and z."""
SCALE_NOTE_UM = 50.0


def _figure(width: float, height: float) -> Any:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), facecolor="none")
    FigureCanvasAgg(figure)
    return figure


def _nothing(figure: Any, text: str) -> Any:
    figure.text(0.5, 0.5, text, ha="center", va="center", color=LIGHT.quiet, fontsize=12)
    return figure


def _empty_reason(assessment: Assessment, stop: str) -> str:
    if not len(assessment.landmarks.names):
        return "No landmarks: nothing to draw."
    return "" if stop else "No stop could be computed: nothing to draw."


def arcs_figure(assessment: Assessment) -> Any:
    """Draw the paths of a molar and an incisor about both axes, seen from the patient's left.

    Returns
    -------
    matplotlib.figure.Figure
        Left: both axes, radii and paths at true scale. Right: each path enlarged, its distance
        from the true one multiplied by the printed factor.
    """
    figure = _figure(10.4, 5.4)
    stop = shown_stop(assessment)
    pairs = arc_pairs(assessment, stop)
    if not pairs:
        return _nothing(figure, _empty_reason(assessment, stop))
    grid = figure.add_gridspec(
        len(pairs),
        2,
        width_ratios=(1.25, 1.0),
        wspace=0.12,
        hspace=0.34,
        left=0.02,
        right=0.985,
        top=0.9,
        bottom=0.04,
    )
    _overview(figure.add_subplot(grid[:, 0]), assessment, pairs)
    for row, pair in enumerate(pairs):
        _detail(figure.add_subplot(grid[row, 1]), pair)
    return figure


def _sagittal(axes: Any, title: str) -> None:
    axes.set_aspect("equal", adjustable="datalim")
    axes.invert_xaxis()  # seen from the patient's left: anterior on the left
    axes.set_axis_off()
    axes.set_title(title, fontsize=10.5, loc="left", color=LIGHT.ink)


def _overview(axes: Any, assessment: Assessment, pairs: list[ArcPair]) -> None:
    y = float(pairs[0].true_mm[0, 1])
    hinges = {
        "true": at_side(assessment.true_axis, y),
        "arbitrary": at_side(assessment.arbitrary_axis, y),
    }
    for role, hinge in hinges.items():
        style = DASH[LINE_STYLE[role]]
        colour = getattr(LIGHT, role)
        for pair in pairs:
            path = pair.true_mm if role == "true" else pair.arbitrary_mm
            axes.plot(
                [hinge[0], path[0, 0]], [hinge[2], path[0, 2]], ls=style, color=colour, lw=0.8
            )
            axes.plot(
                path[:, 0], path[:, 2], ls=style, color=colour, lw=2.4, gid=f"{role} {pair.name}"
            )
        axes.plot(
            [hinge[0]],
            [hinge[2]],
            marker="o" if role == "true" else "D",
            ms=8,
            color=colour,
            mfc=colour if role == "true" else LIGHT.page,
            mew=2,
            ls="none",
        )
        above = hinge[2] >= max(h[2] for h in hinges.values())
        axes.annotate(
            AXIS_LABEL[role],
            (hinge[0], hinge[2]),
            color=colour,
            fontsize=11,
            xytext=(0, 13 if above else -13),
            textcoords="offset points",
            ha="center",
            va="bottom" if above else "top",
        )
    for pair in pairs:
        axes.annotate(
            pair.name,
            (pair.true_mm[0, 0], pair.true_mm[0, 2]),
            color=LIGHT.ink,
            fontsize=10,
            xytext=(0, -8),
            textcoords="offset points",
            ha="center",
            va="top",
        )
    axes.margins(0.14, 0.16)
    _sagittal(axes, "True scale, seen from the patient's left")
    axes.text(0.0, 0.0, "← anterior", transform=axes.transAxes, color=LIGHT.quiet, fontsize=10)


def _detail(axes: Any, pair: ArcPair) -> None:
    length = float(np.linalg.norm(pair.true_mm[-1] - pair.true_mm[0]))
    amount = float(np.linalg.norm(pair.error_um))
    if length < SHORTEST_PATH_MM:
        axes.text(
            0.5,
            0.5,
            "Record and target are the same pose:\nno path, no error, whatever the axis.",
            ha="center",
            va="center",
            transform=axes.transAxes,
            color=LIGHT.quiet,
        )
        axes.set_axis_off()
        axes.set_title(pair.name, fontsize=10.5, loc="left")
        return
    for role, path in (("true", pair.true_mm), ("arbitrary", pair.drawn_mm)):
        colour = getattr(LIGHT, role)
        axes.plot(
            path[:, 0],
            path[:, 2],
            ls=DASH[LINE_STYLE[role]],
            color=colour,
            lw=2.4,
            gid=f"{role} {pair.name}",
        )
        axes.plot(
            path[-1:, 0],
            path[-1:, 2],
            marker="o" if role == "true" else "D",
            ms=8,
            color=colour,
            mfc=colour if role == "true" else LIGHT.page,
            mew=2,
            ls="none",
        )
    axes.plot(pair.true_mm[:1, 0], pair.true_mm[:1, 2], marker="s", ms=7, color=LIGHT.ink)
    a, b = pair.true_mm[-1, [0, 2]], pair.drawn_mm[-1, [0, 2]]
    axes.annotate(
        "", b, a, arrowprops={"arrowstyle": "-|>", "color": LIGHT.ink, "lw": 1.1, "shrinkA": 5}
    )
    axes.margins(0.9, 0.2)
    _sagittal(axes, f"{pair.name}: error {amount:.0f} µm, drawn ×{pair.factor}")
    towards = 1.0 if b[0] >= a[0] else -1.0  # x is drawn to the left
    for text, at, role, side in (
        ("in the mouth", a, "true", -towards),
        ("on the articulator", b, "arbitrary", towards),
        ("record", pair.true_mm[0, [0, 2]], "ink", 1.0),
    ):
        axes.annotate(
            text,
            tuple(at),
            color=getattr(LIGHT, role),
            fontsize=10,
            va="center",
            xytext=(-11 * side, 0),
            textcoords="offset points",
            ha="right" if side > 0 else "left",
        )


def departure_figure(assessment: Assessment) -> Any:
    """Draw the worst error against the departure, by stop, with tolerance and break-even.

    Returns
    -------
    matplotlib.figure.Figure
        The lines are ``assessment.curve`` in micrometres against mm at the incisors.
    """
    figure = _figure(10.4, 4.6)
    curve, verdict = assessment.curve, assessment.verdict
    if curve is None or not len(curve.departure_mm) or not curve.worst_error_mm:
        return _nothing(figure, "The error against the departure could not be computed.")
    axes = figure.add_axes((0.08, 0.14, 0.74, 0.76))
    x = np.asarray(curve.departure_mm, dtype=np.float64)
    tolerance = 1e3 * verdict.tolerance_mm
    top = max(1.15 * tolerance, 10.0)
    for stop, error in curve.worst_error_mm.items():
        y = 1e3 * np.asarray(error, dtype=np.float64)
        finite = y[np.isfinite(y)]
        top = max(top, 1.06 * float(finite.max(initial=0.0)))
        chosen = stop == verdict.stop
        axes.plot(
            x,
            y,
            ls=DASH[STOP_STYLE[stop]],
            lw=2.8 if chosen else 1.4,
            gid=f"curve {stop}",
            color=LIGHT.arbitrary if chosen else LIGHT.quiet,
        )
        if len(finite):
            last = np.flatnonzero(np.isfinite(y))[-1]
            axes.annotate(
                STOP_LABEL[stop] + (" (verdict)" if chosen else ""),
                (x[last], y[last]),
                xytext=(6, 0),
                textcoords="offset points",
                va="center",
                fontsize=10,
                color=LIGHT.arbitrary if chosen else LIGHT.quiet,
                annotation_clip=False,
            )
    axes.axhspan(0, tolerance, color=LIGHT.within, lw=0, zorder=0)
    axes.axhline(tolerance, color=LIGHT.tolerance, ls=DASH["dotted"], lw=1.8, gid="tolerance")
    axes.annotate(
        f"your tolerance {tolerance:.0f} µm",
        (x[0], tolerance),
        xytext=(4, 5),
        textcoords="offset points",
        color=LIGHT.tolerance,
        fontsize=10,
    )
    here = float(assessment.departure_mm)
    even = float(verdict.break_even_departure_mm)
    sign = -1.0 if here < 0 else 1.0
    if np.isfinite(even) and x[0] <= sign * even <= x[-1]:
        axes.axvline(sign * even, color=LIGHT.tolerance, lw=1.0, gid="break-even")
        axes.annotate(
            f"break-even {even:.1f} mm",
            (sign * even, top),
            xytext=(4 * sign, -2),
            textcoords="offset points",
            va="top",
            ha="right" if sign < 0 else "left",
            color=LIGHT.tolerance,
            fontsize=10,
        )
    axes.plot(
        [here],
        [1e3 * verdict.worst_error_mm],
        marker="o",
        ms=9,
        color=LIGHT.ink,
        ls="none",
        gid="this case",
        zorder=5,
    )
    axes.annotate(
        f"this case: {1e3 * verdict.worst_error_mm:.0f} µm",
        (here, 1e3 * verdict.worst_error_mm),
        xytext=(10, 10),
        textcoords="offset points",
        fontsize=11,
        color=LIGHT.ink,
    )
    axes.set_ylim(0, top)
    axes.set_xlim(x[0], x[-1])
    axes.set_xlabel("departure at the incisors, mm  (− closing from the record,  + opening)")
    axes.set_ylabel("largest error at any tooth, µm")
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    return figure


def teeth_figure(assessment: Assessment) -> Any:
    """Draw the error of every tooth: size by stop above, components at the verdict's stop below."""
    figure = _figure(10.4, 6.2)
    stop = shown_stop(assessment)
    reason = _empty_reason(assessment, stop)
    if reason:
        return _nothing(figure, reason)
    table = tooth_table(assessment, stop)
    at = np.arange(len(table.labels), dtype=np.float64)
    grid = figure.add_gridspec(
        2, 1, hspace=0.42, left=0.08, right=0.985, top=0.9, bottom=0.1, height_ratios=(1, 1.15)
    )
    upper, lower = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
    tolerance = 1e3 * assessment.verdict.tolerance_mm
    upper.axhspan(0, tolerance, color=LIGHT.within, lw=0, zorder=0)
    upper.axhline(
        tolerance,
        color=LIGHT.tolerance,
        ls=DASH["dotted"],
        lw=1.8,
        label=f"your tolerance {tolerance:.0f} µm",
    )
    for name, size in table.magnitude_um.items():
        chosen = name == stop
        upper.plot(
            at,
            size,
            ls=DASH[STOP_STYLE[name]],
            marker=STOP_MARKER[name],
            ms=7 if chosen else 5,
            lw=2.4 if chosen else 1.2,
            color=LIGHT.arbitrary if chosen else LIGHT.quiet,
            label=f"stop: {STOP_LABEL[name]}",
            gid=f"size {name}",
        )
    upper.set_ylim(bottom=0)
    upper.set_ylabel("size of the error, µm")
    width = 0.26
    for k, (role, text, hatch) in enumerate(COMPONENTS):
        lower.bar(
            at + (k - 1) * width,
            table.error_um[stop][:, k],
            width,
            color=getattr(LIGHT, role),
            hatch=hatch,
            edgecolor=LIGHT.page,
            lw=0.5,
            label=text,
            gid=f"component {role}",
        )
    lower.plot(
        at,
        table.high_um[stop],
        marker="_",
        ms=22,
        mew=2.6,
        ls="none",
        color=LIGHT.high,
        label="high (+) or open (−)",
        gid="high",
    )
    lower.axhline(0, color=LIGHT.ink, lw=0.9)
    lower.set_ylabel(f"parts at {STOP_LABEL[stop]}, µm")
    lower.margins(y=0.12)
    long = max(len(t) for t in table.labels) > 4
    for axes, columns in ((upper, 4), (lower, 4)):
        axes.set_xticks(
            at, table.labels, rotation=35 if long else 0, ha="right" if long else "center"
        )
        axes.set_xlim(-0.7, len(at) - 0.3)
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        axes.tick_params(axis="x", length=0)
        axes.legend(
            loc="lower left",
            bbox_to_anchor=(-0.01, 1.0),
            ncol=columns,
            fontsize=9.5,
            handlelength=2.4,
            columnspacing=1.4,
            borderaxespad=0.2,
        )
    lower.set_xlabel("patient's right    ←    tooth (ISO 3950)    →    patient's left")
    return figure


def arch_figure(assessment: Assessment) -> Any:
    """Draw the arch from above: a disc a tooth in the signed colours, an arrow for the shift."""
    figure = _figure(6.4, 5.6)
    stop = shown_stop(assessment)
    reason = _empty_reason(assessment, stop)
    if reason:
        return _nothing(figure, reason)
    table = tooth_table(assessment, stop)
    factor = arrow_factor(assessment, stop)
    limit = scale_limit_um(table.high_um[stop])
    axes = figure.add_axes((0.02, 0.03, 0.96, 0.88))
    points = assessment.landmarks.true_mm[table.index]
    shift = table.error_um[stop] * 1e-3
    # Seen onto the lower with the incisors below: x is drawn downwards, the right on the left.
    across, down = points[:, 1], -points[:, 0]
    axes.plot(across, down, color=LIGHT.faint, lw=10, solid_capstyle="round", zorder=1)
    axes.scatter(
        across,
        down,
        s=430,
        c=signed_colours(table.high_um[stop], limit),
        zorder=2,
        edgecolors=LIGHT.quiet,
        linewidths=1.0,
        gid="discs",
    )
    axes.quiver(
        across,
        down,
        factor * shift[:, 1],
        -factor * shift[:, 0],
        angles="xy",
        scale_units="xy",
        scale=1,
        color=LIGHT.ink,
        width=0.006,
        zorder=4,
        gid="shift",
    )
    middle = np.array([across.mean(), down.max()])
    for i, label in enumerate(table.labels):
        out = np.array([across[i], down[i]]) - middle
        out = out / max(float(np.linalg.norm(out)), 1e-9)
        axes.annotate(
            label,
            (across[i], down[i]),
            xytext=tuple(23 * out),
            textcoords="offset points",
            ha="center" if abs(out[0]) < 0.5 else ("left" if out[0] > 0 else "right"),
            va="center",
            fontsize=10,
            color=LIGHT.ink,
        )
        axes.annotate(
            f"{table.high_um[stop][i]:+.0f}".replace("-", "−"),
            (across[i], down[i]),
            xytext=tuple(-25 * out),
            textcoords="offset points",
            ha="center",
            va="center",
            fontsize=9,
            color=LIGHT.high if table.high_um[stop][i] >= 0 else LIGHT.open,
        )
    axes.set_aspect("equal", adjustable="datalim")
    axes.margins(0.2, 0.16)
    axes.set_axis_off()
    axes.set_title(
        f"High (+) or open (−) in µm; arrows: horizontal shift ×{factor}", fontsize=10.5, loc="left"
    )
    for x, text in ((0.0, "patient's\nright"), (0.9, "patient's\nleft")):
        axes.text(x, 0.02, text, transform=axes.transAxes, color=LIGHT.quiet, fontsize=10)
    return figure


FIGURES = {
    "arcs": arcs_figure,
    "departure": departure_figure,
    "teeth": teeth_figure,
    "arch": arch_figure,
}
"""Every figure by the name of its file."""


def draw_figure(name: str, assessment: Assessment) -> Any:
    """Draw one of :data:`FIGURES` in the project's look."""
    import matplotlib

    with matplotlib.rc_context(RC):
        return FIGURES[name](assessment)


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


def to_png(figure: Any, *, dpi: int = 200) -> bytes:
    """Return a figure as the bytes of a PNG on the light page colour."""
    import matplotlib

    raw = io.BytesIO()
    with matplotlib.rc_context(RC):
        figure.savefig(
            raw, format="png", dpi=dpi, facecolor=LIGHT.page, metadata={"Software": None}
        )
    return raw.getvalue()
