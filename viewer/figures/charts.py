"""The charts: error against departure, error by tooth, error over the arch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from kinematics.base.words import room_words
from viewer.figures.numbers import (
    CURVE_ROOM,
    DeparturePlot,
    ToothTable,
    arrow_factor,
    departure_plot,
    ticks,
    tooth_table,
)
from viewer.figures.style import (
    DASH,
    grid_behind,
    legend_above,
    new_figure,
    note,
    spread,
    tolerance_band,
    wrapped,
)
from viewer.look.palette import (
    LIGHT,
    STOP_LABEL,
    STOP_MARKER,
    STOP_STYLE,
    scale_limit_um,
    signed_colours,
)
from viewer.look.text import minus

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.closure.stops import Stop

LONG_NAME = 4
"""Characters from which a name is wrapped instead of written in one line."""
COMPONENTS = (
    ("anteroposterior", "anteroposterior (+ anterior)", ""),
    ("transverse", "transverse (+ to the patient's left)", "////"),
    ("vertical", "vertical (+ upwards)", ""),
)
"""Role, legend text and hatch of x, y and z."""
BAR_WIDTH = 0.26


def departure_figure(assessment: Assessment) -> Any:
    """Draw the worst error against the departure, by stop, with tolerance and largest closure.

    Returns
    -------
    matplotlib.figure.Figure
        The lines are ``assessment.curve`` in micrometres against mm at the incisors.
    """
    figure = new_figure(10.4, 4.6)
    decision = assessment.decision
    largest = float("nan") if decision is None else decision.largest_closure_mm
    axes = figure.add_axes((0.08, 0.14, 0.74, 0.76))
    plot = departure_plot(assessment.closures, assessment.curve, largest)
    x, top = plot.departure_mm, plot.top_um
    for stop, y in plot.curves_um.items():
        weight, colour = (2.8, LIGHT.arbitrary) if stop == plot.stop else (1.4, LIGHT.quiet)
        style = DASH[STOP_STYLE[stop]]
        axes.plot(x, y, ls=style, lw=weight, color=colour, gid=f"curve-{stop}")
    tolerance_band(axes, plot.tolerance_um, gid="tolerance")
    if np.isfinite(plot.limit_mm):
        axes.axvline(plot.limit_mm, color=LIGHT.tolerance, lw=1.0, gid="largest-closure")
        right = plot.limit_mm < 0.5 * (x[0] + x[-1])
        text = f"largest closure {room_words(abs(plot.limit_mm))}"
        shift, ha = ((5, -3), "left") if right else ((-5, -3), "right")
        note(axes, text, (plot.limit_mm, top), shift, LIGHT.tolerance, ha=ha, va="top")
    axes.plot(*plot.here, marker="o", ms=9, color=LIGHT.ink, ls="none", gid="this-case", zorder=5)
    here = f"this case: {plot.here[1]:.0f} µm"
    note(axes, here, plot.here, (10, 10), fontsize=11, va="baseline")
    name_curves(axes, plot)
    axes.set_ylim(0, top)
    axes.set_xlim(x[0], x[-1])
    at = ticks(float(x[0]), float(x[-1]), 10)
    axes.set_xticks(at, [minus(v) for v in at])
    axes.set_yticks(ticks(0.0, top, 8))
    axes.set_xlabel("departure at the incisors, mm  (− closing from the record,  + opening)")
    axes.set_ylabel("largest error at any tooth, µm")
    grid_behind(axes)
    return figure


def name_curves(axes: Any, plot: DeparturePlot) -> None:
    """Write beside the right end what each line is, none on another."""
    tolerance, top = plot.tolerance_um, plot.top_um
    named = [(tolerance, f"your tolerance {tolerance:.0f} µm", "tolerance")]
    for stop, y in plot.curves_um.items():
        finite = y[np.isfinite(y)]
        if len(finite):
            last, chosen = float(finite[-1]), stop == plot.stop
            text = STOP_LABEL[stop] + (" (answer)" if chosen else "") + (" ↑" if last > top else "")
            named.append((min(last, top), text, "arbitrary" if chosen else "quiet"))
    named.sort()
    rows = spread(np.array([n[0] for n in named]), 0.06 * top, 0.0, top)
    for y_text, (_, text, role) in zip(rows, named):
        at = {"xycoords": ("axes fraction", "data"), "annotation_clip": False}
        note(axes, text, (1.0, y_text), (8, 0), getattr(LIGHT, role), outlined=False, **at)


def teeth_figure(assessment: Assessment) -> Any:
    """Draw the error of every tooth: size by stop above, components at the answer's stop below."""
    figure = new_figure(10.4, 6.2)
    stop = assessment.closures.stop
    table = tooth_table(assessment, stop)
    at = np.arange(len(table.labels), dtype=np.float64)
    grid = figure.add_gridspec(
        2, 1, hspace=0.42, left=0.08, right=0.985, top=0.9, bottom=0.1, height_ratios=(1, 1.15)
    )
    upper, lower = figure.add_subplot(grid[0]), figure.add_subplot(grid[1])
    tooth_sizes(upper, at, table, stop, 1e3 * assessment.case.decision.tolerance_mm)
    tooth_components(lower, at, table, stop)
    long = max(len(t) for t in table.labels) > LONG_NAME
    turn = 60 if long and len(at) > 8 else 0
    names = [wrapped(t, 14) if long and not turn else t for t in table.labels]
    for axes in (upper, lower):
        shown = [""] * len(at) if turn and axes is upper else names
        axes.set_xticks(at, shown, rotation=turn, ha="right" if turn else "center")
        axes.set_xlim(-0.7, len(at) - 0.3)
        grid_behind(axes)
        axes.tick_params(axis="x", length=0)
        look = {"handlelength": 2.4, "columnspacing": 1.4, "borderaxespad": 0.2}
        legend_above(axes, ncol=4, fontsize=9.5, **look)
    lower.set_xlabel("patient's right    ←    tooth (ISO 3950)    →    patient's left")
    return figure


def tooth_sizes(
    axes: Any, at: NDArray[np.float64], table: ToothTable, stop: Stop, tolerance_um: float
) -> None:
    """Size of the error at each tooth, one line a stop, with the tolerance."""
    tolerance_band(axes, tolerance_um, label=f"your tolerance {tolerance_um:.0f} µm")
    highest = {name: float(size.max()) for name, size in table.magnitude_um.items()}
    room = CURVE_ROOM * max(tolerance_um, highest[stop])
    top = 1.08 * min(room, max(tolerance_um, *highest.values()))
    for name, size in table.magnitude_um.items():
        look = {"ms": 5, "lw": 1.2, "color": LIGHT.quiet}
        if name == stop:
            look = {"ms": 7, "lw": 2.4, "color": LIGHT.arbitrary}
        look |= {"ls": DASH[STOP_STYLE[name]], "marker": STOP_MARKER[name]}
        label = f"stop: {STOP_LABEL[name]}" + (" ↑" if highest[name] > top else "")
        axes.plot(at, size, label=label, gid=f"size-{name}", **look)
    axes.set_ylim(0, top)
    axes.set_ylabel("size of the error, µm")


def tooth_components(axes: Any, at: NDArray[np.float64], table: ToothTable, stop: Stop) -> None:
    """The error's three components at each tooth as bars, and its high amount as a mark."""
    for k, (role, text, hatch) in enumerate(COMPONENTS):
        look = {"color": getattr(LIGHT, role), "hatch": hatch, "label": text}
        places, heights = at + (k - 1) * BAR_WIDTH, table.error_um[stop][:, k]
        bars = axes.bar(places, heights, BAR_WIDTH, edgecolor=LIGHT.quiet, lw=0.8, **look)
        for i, bar in enumerate(bars):
            bar.set_gid(f"component-{role}-{i}")
    dash = {"marker": "_", "ms": 22, "mew": 2.6, "ls": "none", "color": LIGHT.high}
    axes.plot(at, table.high_um[stop], label="high (+) or open (−)", gid="high", **dash)
    axes.axhline(0, color=LIGHT.ink, lw=0.9)
    axes.set_ylabel(f"parts at {STOP_LABEL[stop]}, µm")
    axes.margins(y=0.12)


def arch_figure(assessment: Assessment) -> Any:
    """Draw the arch from above: a disc a tooth in the signed colours, an arrow for the shift."""
    figure = new_figure(6.4, 4.9)
    stop = assessment.closures.stop
    table = tooth_table(assessment, stop)
    factor, high_um = arrow_factor(assessment, stop), table.high_um[stop]
    axes = figure.add_axes((0.02, 0.02, 0.96, 0.9))
    # Seen onto the lower with the incisors below: x is drawn downwards, the right on the left.
    points = assessment.landmarks.points_mm[table.index][:, [1, 0]] * [1.0, -1.0]
    shift = factor * 1e-3 * table.error_um[stop][:, [1, 0]] * [1.0, -1.0]
    axes.plot(*points.T, color=LIGHT.faint, lw=10, solid_capstyle="round", zorder=1)
    rim = {"edgecolors": LIGHT.quiet, "linewidths": 1.0}
    colours = signed_colours(high_um, scale_limit_um(high_um))
    axes.scatter(*points.T, s=430, c=colours, zorder=2, gid="discs", **rim)
    true_size = {"angles": "xy", "scale_units": "xy", "scale": 1}
    look = {"color": LIGHT.ink, "width": 0.006, "edgecolor": LIGHT.page, "linewidth": 0.9}
    axes.quiver(*points.T, *shift.T, zorder=4, gid="shift", **true_size, **look)
    long = max(len(t) for t in table.labels) > LONG_NAME
    name_discs(axes, points, table.labels, high_um, long)
    every = np.concatenate([points + shift, points])
    room = np.array([34.0 if long else 9.0, 9.0])
    low, high = every.min(axis=0) - room, every.max(axis=0) + room
    axes.set_xlim(low[0], high[0])
    axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal", adjustable="box")
    axes.set_axis_off()
    axes.set_title(f"High (+) or open (−) in µm; arrows: horizontal shift ×{factor}")
    for x, text in ((0.0, "patient's\nright"), (0.9, "patient's\nleft")):
        axes.text(x, 0.02, text, transform=axes.transAxes, color=LIGHT.quiet, fontsize=10)
    return figure


def name_discs(
    axes: Any,
    points: NDArray[np.float64],
    labels: tuple[str, ...],
    high_um: NDArray[np.float64],
    long: bool,
) -> None:
    """Write outside each disc its tooth and its high amount."""
    middle = np.array([points[:, 0].mean(), points[:, 1].max()])
    for at, label, high in zip(points, labels, high_um):
        out = at - middle
        out = 30.0 * out / max(float(np.linalg.norm(out)), 1e-9)
        side = "center" if not long or abs(out[0]) < 12 else "left" if out[0] > 0 else "right"
        across = (0.6 if long else 1.0) * float(out[0])
        number, role = f"{high:+.0f}".replace("-", "−"), "high" if high >= 0 else "open"
        note(axes, label, at, (across, out[1] + 6), fontsize=10.5, ha=side)
        note(axes, number, at, (across, out[1] - 7), getattr(LIGHT, role), fontsize=9.5, ha=side)
