"""Figures of the uncertainty: chance by tooth, spread of the worst error, decision chart, ranking.

matplotlib is imported inside the functions, with its object interface only. Draw them with
:func:`draw_risk_figure`, which sets the project's look.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.arrays import FloatArray
from viewer.figures.decision import decision_figure
from viewer.figures.numbers import tooth_table
from viewer.figures.style import DASH, RC, halo, new_figure, wrapped
from viewer.look.palette import LIGHT, LINE_STYLE
from viewer.look.text import chance as chance_words

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.uncertainty.risk import Risk


OPTION = {"arbitrary": "arbitrary axis", "located": "located axis"}
"""Options of the uncertainty that the figures compare, by role of the palette (located: true)."""
MAX_RANKED = 10
"""Inputs drawn in the ranking; what comes after them hardly matters (ours)."""
BINS = 60
FAR = 2.0
"""A tolerance beyond this many times the largest error lies outside the picture of the spread."""
LONG_NAME = 4
"""Characters from which a tooth's name is wrapped."""


def draw_risk_figure(name: str, assessment: Assessment) -> Any:
    """Draw one of :data:`RISK_FIGURES` of an assessment with ``[uncertainty]``."""
    import matplotlib

    with matplotlib.rc_context(RC):
        return RISK_FIGURES[name](assessment)


def _risk(assessment: Assessment) -> Risk:
    if assessment.risk is None:
        raise ValueError("assessment without risk")
    return assessment.risk


def tooth_chances(
    assessment: Assessment, option: str
) -> tuple[tuple[str, ...], FloatArray, tuple[str, ...]]:
    """P(error beyond tolerance) of every tooth, from the patient's right to left.

    Parameters
    ----------
    assessment : Assessment
        With ``risk``.
    option : str
        Name of an :class:`~kinematics.uncertainty.summary.OptionRisk`.

    Returns
    -------
    labels, chance, landmark
        Tooth number (name where it has none); probability at the landmark of that tooth where it
        is largest, 0 to 1; name of that landmark.
    """
    spread = _risk(assessment).spread
    beyond = spread.option(option).beyond
    labels = tooth_table(assessment, assessment.verdict.stop).labels
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
    spread = _risk(assessment).spread
    labels, _, _ = tooth_chances(assessment, OPTION["arbitrary"])
    long = max(len(t) for t in labels) > LONG_NAME
    turned = long and len(labels) > 5
    height = 5.8 if turned else 4.4
    figure = new_figure(10.4, height)
    axes = figure.add_axes((0.08, 1.0 - 3.74 / height, 0.905, 3.17 / height))
    at = np.append(np.arange(len(labels), dtype=np.float64), len(labels) + 0.6)
    width = 0.4
    top = 0.0
    for role, hatch, side in (("arbitrary", "////", -0.5), ("located", "", 0.5)):
        name = OPTION[role]
        _, chance, _ = tooth_chances(assessment, name)
        percent = 100.0 * np.append(chance, spread.option(name).beyond_any)
        top = max(top, float(percent.max()))
        bars = axes.bar(
            at + side * width,
            percent,
            width,
            color=LIGHT.true if role == "located" else LIGHT.page,
            hatch=hatch,
            edgecolor=LIGHT.true if role == "located" else LIGHT.arbitrary,
            lw=1.3,
            label=name,
            zorder=2,
        )
        for i, bar in enumerate(bars):
            bar.set_gid(f"chance-{role}-{i}")
        for x, value in zip(at + side * width, percent):
            axes.annotate(
                f"{value:.0f}" if value >= 0.95 else "<1",
                (x, value),
                xytext=(0, 2),
                textcoords="offset points",
                ha="center",
                va="bottom",
                fontsize=9,
                color=LIGHT.true if role == "located" else LIGHT.arbitrary,
                path_effects=halo(),
                zorder=4,
            )
    limit = 100.0 * spread.risk_limit
    top = min(100.0, max(1.15 * top, 2.0 * limit))
    axes.axhline(limit, color=LIGHT.tolerance, ls=DASH["dotted"], lw=1.6, zorder=1)
    axes.annotate(
        f"{limit:g} %",
        (1.0, limit),
        xycoords=("axes fraction", "data"),
        xytext=(-2, 2),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=9.5,
        color=LIGHT.tolerance,
        path_effects=halo(),
    )
    axes.axvline(at[-1] - 0.8, color=LIGHT.faint, lw=0.9)
    names = [wrapped(t, 24, 2) if turned else wrapped(t, 16) if long else t for t in labels]
    axes.set_xticks(
        at,
        [*names, "anywhere"],
        rotation=55 if turned else 0,
        ha="right" if turned else "center",
        rotation_mode="anchor" if turned else "default",
    )
    axes.tick_params(axis="x", length=0)
    axes.set_xlim(-0.8, at[-1] + 0.9)
    axes.set_ylim(0.0, top * 1.04)
    axes.set_ylabel(f"chance of more than {1e3 * spread.tolerance_mm:.0f} µm, %")
    if not turned:
        axes.set_xlabel("patient's right    ←    tooth (ISO 3950)    →    patient's left")
    axes.grid(axis="y")
    axes.set_axisbelow(True)
    axes.legend(
        loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncol=2, fontsize=10, handlelength=2.2
    )
    return figure


def worst_error_figure(assessment: Assessment) -> Any:
    """Draw how the worst error spreads over the trials, both axes, with tolerance and coverage."""
    spread = _risk(assessment).spread
    figure = new_figure(10.4, 4.6)
    axes = figure.add_axes((0.08, 0.14, 0.9, 0.66))
    values = {
        role: 1e3 * np.asarray(spread.worst_error_mm[name], dtype=np.float64)
        for role, name in OPTION.items()
    }
    tolerance = 1e3 * spread.tolerance_mm
    largest = max(1.0, *(float(v.max()) for v in values.values()))
    far = tolerance > FAR * largest
    high = FAR * largest if far else 1.05 * max(tolerance, largest)
    edges = np.linspace(0.0, high, BINS + 1)
    axes.axvspan(0.0, tolerance, color=LIGHT.within, lw=0, zorder=0)
    axes.axvspan(min(tolerance, high), high, color=LIGHT.beyond, lw=0, zorder=0)
    share = {r: 100.0 * np.histogram(v, edges)[0] / len(v) for r, v in values.items()}
    top = max(float(s.max()) for s in share.values())
    tail = 50.0 * (1.0 - spread.coverage)
    for row, role in enumerate(("located", "arbitrary")):
        key = "true" if role == "located" else "arbitrary"
        colour, line = getattr(LIGHT, key), DASH[LINE_STYLE[key]]
        first, *_, last = [*np.flatnonzero(share[role])] * 2
        bars, ends = share[role][first : last + 1], edges[first : last + 2]
        axes.stairs(bars, ends, fill=True, color=colour, alpha=0.22, zorder=1)
        axes.stairs(bars, ends, color=colour, ls=line, lw=2.2, zorder=2, gid=f"spread-{role}")
        low, middle, end = np.percentile(values[role], [tail, 50.0, 100.0 - tail])
        y = top * (1.26 - 0.13 * row)
        axes.plot(
            [low, end], [y, y], color=colour, ls=line, lw=2.6, gid=f"interval-{role}", zorder=3
        )
        axes.plot([low, end], [y, y], ls="none", marker="|", ms=12, mew=2.2, color=colour, zorder=3)
        axes.plot([middle], [y], marker="o", ms=7, color=colour, ls="none", zorder=3)
        option = spread.option(OPTION[role])
        beyond = chance_words(option.beyond_any, spread.trials)
        right = end < 0.62 * high
        axes.annotate(
            f"{OPTION[role]}: {low:.0f} to {end:.0f} µm, {beyond} beyond",
            (end if right else low, y),
            xytext=(10 if right else -10, 0),
            textcoords="offset points",
            va="center",
            ha="left" if right else "right",
            fontsize=10,
            color=colour,
            path_effects=halo(),
            zorder=4,
        )
    # Up to the bars' labels only: above them the background tells the two sides apart.
    axes.axvline(
        tolerance, ymax=0.81, color=LIGHT.tolerance, ls=DASH["dotted"], lw=2.0, gid="tolerance"
    )
    left = tolerance > 0.5 * high
    axes.annotate(
        f"your tolerance {tolerance:.0f} µm" + (" →" if far else ""),
        (min(tolerance, high), 1.0),
        xycoords=("data", "axes fraction"),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right" if left else "left",
        color=LIGHT.tolerance,
        fontsize=10,
        annotation_clip=False,
    )
    axes.set_xlim(0.0, high)
    axes.set_ylim(0.0, 1.38 * top)
    axes.set_xlabel("largest error at any tooth, µm")
    axes.set_ylabel(f"share of the trials, % per {edges[1]:.2g} µm")
    figure.text(
        0.08,
        0.93,
        f"Bar: {100 * spread.coverage:g} % of the trials;  dot: half of them are below",
        fontsize=10,
        color=LIGHT.quiet,
    )
    return figure


def ranking_figure(assessment: Assessment) -> Any:
    """Draw what the spread of the worst error comes from, largest share on top."""
    rows = _risk(assessment).ranking[:MAX_RANKED]
    height = 1.25 + 0.52 * max(len(rows), 1)
    figure = new_figure(10.4, height)
    axes = figure.add_axes((0.345, 0.72 / height, 0.6, 1.0 - 1.1 / height))
    at = np.arange(len(rows), dtype=np.float64)
    total = np.array([100.0 * min(max(r.total, 0.0), 1.0) for r in rows])
    alone = np.array([100.0 * min(max(r.first, 0.0), 1.0) for r in rows])
    interval = 100.0 * np.clip([r.total_interval for r in rows], 0.0, 1.0).reshape(-1, 2)
    axes.barh(
        at,
        total,
        0.62,
        color=LIGHT.page,
        edgecolor=LIGHT.quiet,
        hatch="////",
        lw=1.0,
        label="together with other inputs",
    )
    axes.barh(at, np.minimum(alone, total), 0.62, color=LIGHT.transverse, label="by itself")
    for i, bar in enumerate(axes.patches[: len(rows)]):
        bar.set_gid(f"share-{i}")
    axes.hlines(at, *interval.T, color=LIGHT.page, lw=5.0, zorder=3)
    axes.hlines(at, *interval.T, color=LIGHT.ink, lw=2.0, zorder=4, label="95 % interval")
    for y, low_high in zip(at, interval):
        axes.plot(low_high, [y, y], "|", color=LIGHT.ink, ms=11, mew=2.0, zorder=4)
    for y, value, end in zip(at, total, interval[:, 1]):
        axes.annotate(
            f"{value:.0f} %",
            (max(value, end), y),
            xytext=(7, 0),
            textcoords="offset points",
            va="center",
            fontsize=10.5,
            path_effects=halo(),
        )
    names = [wrapped(r.name, 36, 2) for r in rows]
    axes.set_yticks(at, names)
    axes.tick_params(axis="y", length=0)
    axes.invert_yaxis()
    axes.set_xlim(0.0, 100.0)
    axes.set_xlabel("part in the variance of the worst error, %")
    axes.grid(axis="x")
    axes.set_axisbelow(True)
    handles, words = axes.get_legend_handles_labels()
    order = sorted(range(len(words)), key=lambda i: ("by", "to", "95").index(words[i][:2]))
    axes.legend(
        [handles[i] for i in order],
        [words[i] for i in order],
        loc="lower left",
        bbox_to_anchor=(-0.01, 1.0),
        ncol=3,
        fontsize=9.5,
        borderaxespad=0.1,
    )
    return figure


RISK_FIGURES: dict[str, Callable[[Any], Any]] = {
    "probability": probability_figure,
    "worst": worst_error_figure,
    "decision": decision_figure,
    "ranking": ranking_figure,
}
"""Every figure by name; ``ranking`` needs a ranking that is not empty."""
