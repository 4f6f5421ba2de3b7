"""The charts: error against departure, error by tooth, error over the arch."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.words import room_words
from viewer.figures.numbers import arrow_factor, tooth_table
from viewer.figures.style import DASH, halo, new_figure, spread, wrapped
from viewer.look.palette import (
    LIGHT,
    STOP_LABEL,
    STOP_MARKER,
    STOP_STYLE,
    scale_limit_um,
    signed_colours,
)

if TYPE_CHECKING:
    from kinematics.assessment import Assessment

CURVE_ROOM = 2.5
"""How far above the verdict's own curve the others may stretch the axis; beyond, they run out."""
LONG_NAME = 4
"""Characters from which a name is wrapped instead of written in one line."""
COMPONENTS = (
    ("anteroposterior", "anteroposterior (+ anterior)", ""),
    ("transverse", "transverse (+ to the patient's left)", "////"),
    ("vertical", "vertical (+ upwards)", ""),
)
"""Role, legend text and hatch of x, y and z."""


def departure_figure(assessment: Assessment) -> Any:
    """Draw the worst error against the departure, by stop, with tolerance and break-even.

    Returns
    -------
    matplotlib.figure.Figure
        The lines are ``assessment.curve`` in micrometres against mm at the incisors.
    """
    figure = new_figure(10.4, 4.6)
    curve, verdict = assessment.curve, assessment.verdict
    axes = figure.add_axes((0.08, 0.14, 0.74, 0.76))
    x = np.asarray(curve.departure_mm, dtype=np.float64)
    tolerance = 1e3 * verdict.tolerance_mm
    named = [(tolerance, f"your tolerance {tolerance:.0f} µm", "tolerance")]
    main = 1e3 * np.asarray(curve.worst_error_mm[verdict.stop], dtype=np.float64)
    top = 1.08 * max(tolerance, float(np.nanmax(main, initial=0.0)), 10.0)
    others = [1e3 * float(np.nanmax(e, initial=0.0)) for e in curve.worst_error_mm.values()]
    top = min(max(top, 1.04 * max(others)), CURVE_ROOM * top)
    for stop, error in curve.worst_error_mm.items():
        y = 1e3 * np.asarray(error, dtype=np.float64)
        finite = y[np.isfinite(y)]
        chosen = stop == verdict.stop
        axes.plot(
            x,
            y,
            ls=DASH[STOP_STYLE[stop]],
            lw=2.8 if chosen else 1.4,
            gid=f"curve-{stop}",
            color=LIGHT.arbitrary if chosen else LIGHT.quiet,
        )
        if len(finite):
            last = float(y[np.flatnonzero(np.isfinite(y))[-1]])
            role = "arbitrary" if chosen else "quiet"
            text = STOP_LABEL[stop] + (" (verdict)" if chosen else "")
            named.append((min(last, top), text + (" ↑" if last > top else ""), role))
    axes.axhspan(0, tolerance, color=LIGHT.within, lw=0, zorder=0)
    axes.axhline(tolerance, color=LIGHT.tolerance, ls=DASH["dotted"], lw=1.8, gid="tolerance")
    here = float(assessment.departure_mm)
    even = float(verdict.break_even_departure_mm)
    sign = -1.0 if here < 0 else 1.0
    if np.isfinite(even) and x[0] <= sign * even <= x[-1]:
        axes.axvline(sign * even, color=LIGHT.tolerance, lw=1.0, gid="break-even")
        right = sign * even < 0.5 * (x[0] + x[-1])
        axes.annotate(
            f"break-even {room_words(even)}",
            (sign * even, top),
            xytext=(5 if right else -5, -3),
            textcoords="offset points",
            va="top",
            ha="left" if right else "right",
            color=LIGHT.tolerance,
            fontsize=10,
            path_effects=halo(),
        )
    axes.plot(
        [here],
        [1e3 * verdict.worst_error_mm],
        marker="o",
        ms=9,
        color=LIGHT.ink,
        ls="none",
        gid="this-case",
        zorder=5,
    )
    axes.annotate(
        f"this case: {1e3 * verdict.worst_error_mm:.0f} µm",
        (here, 1e3 * verdict.worst_error_mm),
        xytext=(10, 10),
        textcoords="offset points",
        fontsize=11,
        path_effects=halo(),
        color=LIGHT.ink,
    )
    named.sort()
    rows = spread(np.array([n[0] for n in named]), 0.06 * top, 0.0, top)
    for y_text, (_, text, role) in zip(rows, named):
        axes.annotate(
            text,
            (1.0, y_text),
            xycoords=("axes fraction", "data"),
            xytext=(8, 0),
            textcoords="offset points",
            va="center",
            fontsize=10,
            color=getattr(LIGHT, role),
            annotation_clip=False,
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
    figure = new_figure(10.4, 6.2)
    stop = assessment.verdict.stop
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
    room = CURVE_ROOM * max(tolerance, float(table.magnitude_um[stop].max()))
    top = 1.08 * min(room, max(tolerance, *(float(v.max()) for v in table.magnitude_um.values())))
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
            label=f"stop: {STOP_LABEL[name]}" + (" ↑" if size.max() > top else ""),
            gid=f"size-{name}",
        )
    upper.set_ylim(0, top)
    upper.set_ylabel("size of the error, µm")
    width = 0.26
    for k, (role, text, hatch) in enumerate(COMPONENTS):
        bars = lower.bar(
            at + (k - 1) * width,
            table.error_um[stop][:, k],
            width,
            color=getattr(LIGHT, role),
            hatch=hatch,
            edgecolor=LIGHT.quiet,
            lw=0.8,
            label=text,
        )
        for i, bar in enumerate(bars):
            bar.set_gid(f"component-{role}-{i}")
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
    long = max(len(t) for t in table.labels) > LONG_NAME
    turn = 60 if long and len(at) > 8 else 0
    names = [wrapped(t, 14) if long and not turn else t for t in table.labels]
    for axes, columns in ((upper, 4), (lower, 4)):
        axes.set_xticks(at, names, rotation=turn, ha="right" if turn else "center")
        if turn and axes is upper:
            axes.set_xticks(at, [""] * len(at))
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
    figure = new_figure(6.4, 4.9)
    stop = assessment.verdict.stop
    table = tooth_table(assessment, stop)
    factor = arrow_factor(assessment, stop)
    limit = scale_limit_um(table.high_um[stop])
    axes = figure.add_axes((0.02, 0.02, 0.96, 0.9))
    points = assessment.landmarks.points_mm[table.index]
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
        edgecolor=LIGHT.page,
        linewidth=0.9,
        zorder=4,
        gid="shift",
    )
    middle = np.array([across.mean(), down.max()])
    long = max(len(t) for t in table.labels) > LONG_NAME
    for i, label in enumerate(table.labels):
        out = np.array([across[i], down[i]]) - middle
        out = 30.0 * out / max(float(np.linalg.norm(out)), 1e-9)
        high = table.high_um[stop][i]
        for text, lift, size, role in (
            (label, 6, 10.5, "ink"),
            (f"{high:+.0f}".replace("-", "−"), -7, 9.5, "high" if high >= 0 else "open"),
        ):
            axes.annotate(
                text,
                (across[i], down[i]),
                xytext=((0.6 if long else 1.0) * float(out[0]), float(out[1]) + lift),
                textcoords="offset points",
                ha="center"
                if not long or abs(out[0]) < 12
                else ("left" if out[0] > 0 else "right"),
                va="center",
                fontsize=size,
                color=getattr(LIGHT, role),
                path_effects=halo(),
            )
    tips = np.stack([across + factor * shift[:, 1], down - factor * shift[:, 0]], axis=1)
    every = np.concatenate([tips, np.stack([across, down], axis=1)])
    room = np.array([34.0 if long else 9.0, 9.0])
    low, high_end = every.min(axis=0) - room, every.max(axis=0) + room
    axes.set_xlim(low[0], high_end[0])
    axes.set_ylim(low[1], high_end[1])
    axes.set_aspect("equal", adjustable="box")
    axes.set_axis_off()
    axes.set_title(
        f"High (+) or open (−) in µm; arrows: horizontal shift ×{factor}", fontsize=10.5, loc="left"
    )
    for x, text in ((0.0, "patient's\nright"), (0.9, "patient's\nleft")):
        axes.text(x, 0.02, text, transform=axes.transAxes, color=LIGHT.quiet, fontsize=10)
    return figure
