"""The sagittal figure: paths of two landmarks about both axes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.figures.numbers import SHORTEST_PATH_MM, ArcPair, arc_pairs, hinges_at
from viewer.figures.style import DASH, new_figure, note
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
    pairs = arc_pairs(assessment.closures, assessment.closures.stop)
    room = {"left": 0.02, "right": 0.985, "top": 0.9, "bottom": 0.04, "wspace": 0.12}
    grid = figure.add_gridspec(len(pairs), 2, width_ratios=(1.25, 1.0), hspace=0.34, **room)
    draw_overview(figure.add_subplot(grid[:, 0]), assessment, pairs)
    for row, pair in enumerate(pairs):
        draw_detail(figure.add_subplot(grid[row, 1]), pair, row)
    return figure


def finish_sagittal(axes: Any, title: str) -> None:
    """Equal scales, anterior on the left (seen from the patient's left), no frame."""
    axes.set_aspect("equal", adjustable="datalim")
    axes.invert_xaxis()
    axes.set_axis_off()
    axes.set_title(title)


def mark(axes: Any, role: str, at: Any) -> None:
    """Mark a point of an axis or of its path: a full disc for the true one, else a diamond."""
    colour = getattr(LIGHT, role)
    shape, filling = ("o", colour) if role == "true" else ("D", LIGHT.page)
    axes.plot(*np.transpose([at]), marker=shape, ms=8, color=colour, mfc=filling, mew=2, ls="none")


def draw_overview(axes: Any, assessment: Assessment, pairs: list[ArcPair]) -> None:
    """Both axes, their radii and the paths at true scale."""
    y = float(pairs[0].true_mm[0, 1])
    hinges = hinges_at(assessment.closures, y)
    forward = min(at[0] for at in hinges.values())
    for (role, hinge), other in zip(hinges.items(), reversed(hinges.values())):
        look = {"ls": DASH[LINE_STYLE[role]], "color": getattr(LIGHT, role)}
        for k, pair in enumerate(pairs):
            path = (pair.true_mm if role == "true" else pair.arbitrary_mm)[:, [0, 2]]
            axes.plot(*np.transpose([hinge, path[0]]), lw=0.8, **look)
            axes.plot(*path.T, lw=2.4, gid=f"path-{role}-{k}", **look)
        mark(axes, role, hinge)
        beside, shift = (forward, hinge[1]), (14, 8 if hinge[1] >= other[1] else -8)
        colour = getattr(LIGHT, role)
        note(axes, AXIS_LABEL[role], beside, shift, colour, fontsize=11, outlined=False)
    for pair in pairs:
        start = pair.true_mm[0, [0, 2]]
        note(axes, pair.name, start, (0, -8), ha="center", va="top", outlined=False)
    axes.margins(0.22, 0.16)
    finish_sagittal(axes, "True scale, seen from the patient's left")
    axes.text(0.0, 0.0, "← anterior", transform=axes.transAxes, color=LIGHT.quiet, fontsize=10)


def draw_detail(axes: Any, pair: ArcPair, k: int) -> None:
    """One landmark's paths enlarged, or why there are none."""
    if np.linalg.norm(pair.true_mm[-1] - pair.true_mm[0]) < SHORTEST_PATH_MM:
        text = "Record and target are the same pose:\nno path, no error, whatever the axis."
        look = {"transform": axes.transAxes, "color": LIGHT.quiet}
        axes.text(0.5, 0.5, text, ha="center", va="center", **look)
        axes.set_axis_off()
        axes.set_title(pair.name)
        return
    true, drawn = pair.true_mm[:, [0, 2]], pair.drawn_mm[:, [0, 2]]
    for role, path in (("true", true), ("arbitrary", drawn)):
        look = {"ls": DASH[LINE_STYLE[role]], "color": getattr(LIGHT, role)}
        axes.plot(*path.T, lw=2.4, gid=f"enlarged-{role}-{k}", **look)
        mark(axes, role, path[-1])
    axes.plot(*true[:1].T, marker="s", ms=7, color=LIGHT.ink)
    start, a, b = true[0], true[-1], drawn[-1]
    arrow = {"arrowstyle": "-|>", "color": LIGHT.ink, "lw": 1.1, "shrinkA": 5}
    axes.annotate("", b, a, arrowprops=arrow)
    axes.margins(0.9, 0.2)
    amount = float(np.linalg.norm(pair.error_um))
    finish_sagittal(axes, f"{pair.name}: error {amount:.0f} µm, drawn ×{pair.factor}")
    # x is drawn to the left: a path that runs anteriorly has its free side on the left.
    free, bound = ("right", "left") if a[0] >= start[0] else ("left", "right")
    for text, at, role, side, lift in (
        ("in the mouth", a, "true", free, 5 if a[1] >= b[1] else -5),
        ("on the articulator", b, "arbitrary", free, 5 if b[1] > a[1] else -5),
        ("record", start, "ink", bound, 0),
    ):
        shift = (-12 if side == "right" else 12, lift)
        note(axes, text, tuple(at), shift, getattr(LIGHT, role), ha=side)
