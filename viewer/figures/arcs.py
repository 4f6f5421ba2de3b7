"""The sagittal figure: paths of two landmarks about both axes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.figures.numbers import SHORTEST_PATH_MM, ArcPair, arc_pairs, at_side
from viewer.figures.style import DASH, halo, new_figure
from viewer.look.palette import AXIS_LABEL, LIGHT, LINE_STYLE

if TYPE_CHECKING:
    from kinematics.assessment import Assessment


def arcs_figure(assessment: Assessment) -> Any:
    """Draw the paths of two landmarks about both axes, seen from the patient's left.

    Returns
    -------
    matplotlib.figure.Figure
        Left: both axes, radii and paths at true scale. Right: each path enlarged, its distance
        from the true one multiplied by the printed factor.
    """
    figure = new_figure(10.4, 4.8)
    pairs = arc_pairs(assessment, assessment.verdict.stop)
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
        _detail(figure.add_subplot(grid[row, 1]), pair, row)
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
        for k, pair in enumerate(pairs):
            path = pair.true_mm if role == "true" else pair.arbitrary_mm
            axes.plot(
                [hinge[0], path[0, 0]], [hinge[2], path[0, 2]], ls=style, color=colour, lw=0.8
            )
            axes.plot(
                path[:, 0], path[:, 2], ls=style, color=colour, lw=2.4, gid=f"path-{role}-{k}"
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
        other = hinges["arbitrary" if role == "true" else "true"]
        axes.annotate(
            AXIS_LABEL[role],
            (min(hinge[0], other[0]), hinge[2]),
            color=colour,
            fontsize=11,
            xytext=(14, 8 if hinge[2] >= other[2] else -8),
            textcoords="offset points",
            va="center",
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
    axes.margins(0.22, 0.16)
    _sagittal(axes, "True scale, seen from the patient's left")
    axes.text(0.0, 0.0, "← anterior", transform=axes.transAxes, color=LIGHT.quiet, fontsize=10)


def _detail(axes: Any, pair: ArcPair, k: int) -> None:
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
            gid=f"enlarged-{role}-{k}",
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
    start = pair.true_mm[0, [0, 2]]
    # x is drawn to the left: a path that runs anteriorly has its free side on the left.
    free = "right" if a[0] >= start[0] else "left"
    for text, at, role, side, lift in (
        ("in the mouth", a, "true", free, 5 if a[1] >= b[1] else -5),
        ("on the articulator", b, "arbitrary", free, 5 if b[1] > a[1] else -5),
        ("record", start, "ink", "left" if free == "right" else "right", 0),
    ):
        axes.annotate(
            text,
            tuple(at),
            color=getattr(LIGHT, role),
            fontsize=10,
            xytext=(-12 if side == "right" else 12, lift),
            textcoords="offset points",
            ha=side,
            va="center",
            path_effects=halo(),
        )
