"""Figures of the uncertainty: chance by tooth, spread of the worst error, decision chart, ranking.

Draw them with :func:`viewer.figures.draw.draw_figure`, which sets the project's look.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.arrays import FloatArray
from kinematics.uncertainty.ways import AS_PLANNED, LOCATED
from viewer.figures.charts import LONG_NAME
from viewer.figures.decision import decision_figure
from viewer.figures.numbers import tooth_table
from viewer.figures.style import (
    DASH,
    grid_behind,
    legend_above,
    new_figure,
    note,
    wrapped,
)
from viewer.look.palette import LIGHT, LINE_STYLE

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.uncertainty.risk import Risk
    from kinematics.uncertainty.summary import UncertaintySummary


WAY = {"arbitrary": AS_PLANNED, "located": LOCATED}
"""Ways out that the figures compare, by role of the palette (located: true)."""
MAX_RANKED = 10
"""Inputs drawn in the ranking; what comes after them hardly matters (ours)."""
BINS = 60
FAR = 2.0
"""A tolerance beyond this many times the largest error lies outside the picture of the spread."""
CHANCE_WIDTH = 0.4


def risk_in(assessment: Assessment) -> Risk:
    """How sure an assessment's answer is, where that step has been done."""
    if assessment.risk is None:
        raise ValueError("assessment without risk")
    return assessment.risk


def tooth_chances(
    assessment: Assessment, way: str
) -> tuple[tuple[str, ...], FloatArray, tuple[str, ...]]:
    """P(error beyond tolerance) of every tooth, from the patient's right to left.

    Parameters
    ----------
    assessment : Assessment
        With ``risk``.
    way : str
        Name of a :class:`~kinematics.uncertainty.summary.WayChance`.

    Returns
    -------
    labels, chance, landmark
        Tooth number (name where it has none); probability at the landmark of that tooth where it
        is largest, 0 to 1; name of that landmark.
    """
    spread = risk_in(assessment).spread
    beyond = spread.way(way).beyond
    labels = tooth_table(assessment, assessment.closures.stop).labels
    chance, at = [], []
    for label in labels:
        rows = [
            i
            for i, (name, tooth) in enumerate(zip(spread.names, spread.teeth))
            if (str(tooth) if tooth else name) == label
        ]
        best = max(rows, key=lambda i: float(beyond[i]))
        chance.append(float(beyond[best]))
        at.append(spread.names[best])
    return labels, np.array(chance), tuple(at)


def probability_figure(assessment: Assessment) -> Any:
    """Draw the probability beyond tolerance of every tooth, arbitrary against located axis."""
    spread = risk_in(assessment).spread
    labels, _, _ = tooth_chances(assessment, WAY["arbitrary"])
    long = max(len(t) for t in labels) > LONG_NAME
    turned = long and len(labels) > 5
    height = 5.8 if turned else 4.4
    figure = new_figure(10.4, height)
    axes = figure.add_axes((0.08, 1.0 - 3.74 / height, 0.905, 3.17 / height))
    at = np.append(np.arange(len(labels), dtype=np.float64), len(labels) + 0.6)
    highest = 0.0
    for role, side in (("arbitrary", -0.5), ("located", 0.5)):
        _, chance, _ = tooth_chances(assessment, WAY[role])
        percent = 100.0 * np.append(chance, spread.way(WAY[role]).chances.closure.value)
        highest = max(highest, float(percent.max()))
        chance_bars(axes, at + side * CHANCE_WIDTH, percent, role)
    limit = 100.0 * spread.risk_limit
    axes.axhline(limit, color=LIGHT.tolerance, ls=DASH["dotted"], lw=1.6, zorder=1)
    end: dict[str, Any] = {
        "xycoords": ("axes fraction", "data"),
        "ha": "right",
        "va": "bottom",
        "fontsize": 9.5,
    }
    note(axes, f"{limit:g} %", (1.0, limit), (-2, 2), LIGHT.tolerance, **end)
    axes.axvline(at[-1] - 0.8, color=LIGHT.faint, lw=0.9)
    names = [wrapped(t, 24, 2) if turned else wrapped(t, 16) if long else t for t in labels]
    look = {"rotation": 55, "ha": "right", "rotation_mode": "anchor"} if turned else {}
    axes.set_xticks(at, [*names, "anywhere"], **look)
    axes.tick_params(axis="x", length=0)
    axes.set_xlim(-0.8, at[-1] + 0.9)
    axes.set_ylim(0.0, min(100.0, max(1.15 * highest, 2.0 * limit)) * 1.04)
    axes.set_ylabel(f"chance of more than {1e3 * spread.tolerance_mm:.0f} µm, %")
    if not turned:
        axes.set_xlabel("patient's right    ←    tooth (ISO 3950)    →    patient's left")
    grid_behind(axes)
    legend_above(axes, ncol=2, fontsize=10, handlelength=2.2)
    return figure


def chance_bars(axes: Any, at: FloatArray, percent: FloatArray, role: str) -> None:
    """Bars of one axis with their percentages: hatched the arbitrary, full the located."""
    located = role == "located"
    colour = LIGHT.true if located else LIGHT.arbitrary
    filling = {"color": colour} if located else {"color": LIGHT.page, "hatch": "////"}
    look = {"edgecolor": colour, "lw": 1.3, "zorder": 2, **filling}
    bars = axes.bar(at, percent, CHANCE_WIDTH, label=WAY[role], **look)
    for i, (bar, x, value) in enumerate(zip(bars, at, percent)):
        bar.set_gid(f"chance-{role}-{i}")
        text = f"{value:.0f}" if value >= 0.95 else "<1"
        at_top: dict[str, Any] = {"ha": "center", "va": "bottom", "fontsize": 9}
        note(axes, text, (x, value), (0, 2), colour, zorder=4, **at_top)


def worst_error_figure(assessment: Assessment) -> Any:
    """Draw how the worst error spreads over the trials, both axes, with tolerance and coverage."""
    spread = risk_in(assessment).spread
    figure = new_figure(10.4, 4.6)
    axes = figure.add_axes((0.08, 0.14, 0.9, 0.66))
    values = {role: 1e3 * spread.worst_displacement_mm[name] for role, name in WAY.items()}
    tolerance = 1e3 * spread.tolerance_mm
    largest = max(1.0, *(float(v.max()) for v in values.values()))
    far = tolerance > FAR * largest
    high = FAR * largest if far else 1.05 * max(tolerance, largest)
    edges = np.linspace(0.0, high, BINS + 1)
    axes.axvspan(0.0, tolerance, color=LIGHT.within, lw=0, zorder=0)
    axes.axvspan(min(tolerance, high), high, color=LIGHT.beyond, lw=0, zorder=0)
    share = {r: 100.0 * np.histogram(v, edges)[0] / len(v) for r, v in values.items()}
    top = max(float(s.max()) for s in share.values())
    for row, role in enumerate(("located", "arbitrary")):
        draw_stairs(axes, share[role], edges, role)
        draw_interval(axes, values[role], top * (1.26 - 0.13 * row), high, spread, role)
    # Up to the bars' labels only: above them the background tells the two sides apart.
    line = {"color": LIGHT.tolerance, "ls": DASH["dotted"], "lw": 2.0, "gid": "tolerance"}
    axes.axvline(tolerance, ymax=0.81, **line)
    text = f"your tolerance {tolerance:.0f} µm" + (" →" if far else "")
    above: dict[str, Any] = {"xycoords": ("data", "axes fraction"), "annotation_clip": False}
    above |= {"ha": "right" if tolerance > 0.5 * high else "left", "va": "baseline"}
    at = (min(tolerance, high), 1.0)
    note(axes, text, at, (0, 4), LIGHT.tolerance, outlined=False, **above)
    axes.set_xlim(0.0, high)
    axes.set_ylim(0.0, 1.38 * top)
    axes.set_xlabel("largest error at any tooth, µm")
    axes.set_ylabel(f"share of the trials, % per {edges[1]:.2g} µm")
    what = f"Bar: {100 * spread.coverage:g} % of the trials;  dot: half of them are below"
    figure.text(0.08, 0.93, what, fontsize=10, color=LIGHT.quiet)
    return figure


def look_of(role: str) -> dict[str, Any]:
    """Colour and line of an axis: the located one is drawn as the true one."""
    key = "true" if role == "located" else "arbitrary"
    return {"color": getattr(LIGHT, key), "ls": DASH[LINE_STYLE[key]]}


def draw_stairs(axes: Any, share: FloatArray, edges: FloatArray, role: str) -> None:
    """How often each size of the worst error came, from the first bin that holds any."""
    first, *_, last = [*np.flatnonzero(share)] * 2
    bars, ends = share[first : last + 1], edges[first : last + 2]
    look = look_of(role)
    axes.stairs(bars, ends, fill=True, color=look["color"], alpha=0.22, zorder=1)
    axes.stairs(bars, ends, lw=2.2, zorder=2, gid=f"spread-{role}", **look)


def draw_interval(
    axes: Any, values: FloatArray, y: float, high: float, spread: UncertaintySummary, role: str
) -> None:
    """The coverage interval and the median of the worst error, and the chance beyond in words."""
    tail, look = 50.0 * (1.0 - spread.coverage), look_of(role)
    low, middle, end = np.percentile(values, [tail, 50.0, 100.0 - tail])
    dots = {"color": look["color"], "ls": "none", "zorder": 3}
    axes.plot([low, end], [y, y], lw=2.6, gid=f"interval-{role}", zorder=3, **look)
    axes.plot([low, end], [y, y], marker="|", ms=12, mew=2.2, **dots)
    axes.plot([middle], [y], marker="o", ms=7, **dots)
    beyond = spread.way(WAY[role]).chances.closure.words()
    text = f"{WAY[role]}: {low:.0f} to {end:.0f} µm, {beyond} beyond"
    at, shift, ha = (low, -10, "right") if end >= 0.62 * high else (end, 10, "left")
    note(axes, text, (at, y), (shift, 0), look["color"], ha=ha, zorder=4)


def ranking_figure(assessment: Assessment) -> Any:
    """Draw what the spread of the worst error comes from, largest share on top."""
    rows = risk_in(assessment).ranking[:MAX_RANKED]
    height = 1.25 + 0.52 * max(len(rows), 1)
    figure = new_figure(10.4, height)
    axes = figure.add_axes((0.345, 0.72 / height, 0.6, 1.0 - 1.1 / height))
    at = np.arange(len(rows), dtype=np.float64)
    total = np.array([100.0 * min(max(r.total, 0.0), 1.0) for r in rows])
    alone = np.array([100.0 * min(max(r.first, 0.0), 1.0) for r in rows])
    interval = 100.0 * np.clip([r.total_interval for r in rows], 0.0, 1.0).reshape(-1, 2)
    hatched = {"color": LIGHT.page, "edgecolor": LIGHT.quiet, "hatch": "////", "lw": 1.0}
    axes.barh(at, total, 0.62, label="together with other inputs", **hatched)
    axes.barh(at, np.minimum(alone, total), 0.62, color=LIGHT.transverse, label="by itself")
    for i, bar in enumerate(axes.patches[: len(rows)]):
        bar.set_gid(f"share-{i}")
    axes.hlines(at, *interval.T, color=LIGHT.page, lw=5.0, zorder=3)
    axes.hlines(at, *interval.T, color=LIGHT.ink, lw=2.0, zorder=4, label="95 % interval")
    for y, low_high in zip(at, interval):
        axes.plot(low_high, [y, y], "|", color=LIGHT.ink, ms=11, mew=2.0, zorder=4)
    for y, value, end in zip(at, total, interval[:, 1]):
        note(axes, f"{value:.0f} %", (max(value, end), y), (7, 0), fontsize=10.5)
    names = [wrapped(r.name, 36, 2) for r in rows]
    axes.set_yticks(at, names)
    axes.tick_params(axis="y", length=0)
    axes.invert_yaxis()
    axes.set_xlim(0.0, 100.0)
    axes.set_xlabel("part in the variance of the worst error, %")
    grid_behind(axes, "x")
    handles, words = axes.get_legend_handles_labels()
    order = sorted(range(len(words)), key=lambda i: ("by", "to", "95").index(words[i][:2]))
    shown = {"handles": [handles[i] for i in order], "labels": [words[i] for i in order]}
    legend_above(axes, ncol=3, fontsize=9.5, borderaxespad=0.1, **shown)
    return figure


RISK_FIGURES: dict[str, Callable[[Any], Any]] = {
    "probability": probability_figure,
    "worst": worst_error_figure,
    "decision": decision_figure,
    "ranking": ranking_figure,
}
"""Every figure by name; ``ranking`` needs a ranking that is not empty."""
