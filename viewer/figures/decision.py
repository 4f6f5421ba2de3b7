"""The decision chart: departure against axis error, the tolerance's line, and this case.

matplotlib is imported inside the functions; draw within ``matplotlib.rc_context(RC)``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.arrays import FloatArray
from viewer.figures.style import DASH, halo, new_figure, note
from viewer.look.palette import LIGHT

if TYPE_CHECKING:
    from kinematics.assessment import Assessment


CHART_FINE = 121
"""Points along each side of the decision chart after interpolation (ours)."""
CHART_LEVELS_UM = (25, 50, 100, 200, 300, 500, 750, 1000, 1500, 2000)
"""Errors of which the decision chart may draw a line, micrometres (ours)."""
LABEL_TOP = 0.68
"""Share of the chart's height up to which the case is labelled; the legend stands above."""


def decision_figure(assessment: Assessment) -> Any:
    """Draw departure against axis error, with the lines of equal worst error and this case.

    Returns
    -------
    matplotlib.figure.Figure
        Strong dotted line: the worst direction of the axis error just reaches the tolerance.
        Thin dashed line: the coverage quantile of all directions does.
    """
    risk = assessment.risk
    if risk is None:
        raise ValueError("assessment without risk")
    chart, spread = risk.chart, risk.spread
    figure = new_figure(8.6, 5.4)
    axes = figure.add_axes((0.095, 0.115, 0.875, 0.83))
    tolerance = 1e3 * chart.tolerance_mm
    x, y = (np.linspace(v[0], v[-1], CHART_FINE) for v in (chart.departure_mm, chart.axis_error_mm))
    worst, cover = (
        finer(1e3 * v, chart.departure_mm, chart.axis_error_mm, x, y).T
        for v in (chart.worst_mm, chart.coverage_mm)
    )
    top = max(float(np.nanmax(worst)), 1.01 * tolerance)
    axes.contourf(
        x, y, worst, levels=[-1.0, tolerance, 1.01 * top], colors=[LIGHT.within, LIGHT.beyond]
    )
    levels = [v for v in CHART_LEVELS_UM if v < 0.97 * top and abs(v - tolerance) > 0.2 * tolerance]
    if levels:
        lines = axes.contour(
            x, y, worst, levels=levels, colors=LIGHT.quiet, linewidths=0.9, alpha=0.75
        )
        for text in axes.clabel(lines, fmt=lambda v: f"{v:.0f} µm", fontsize=9):
            text.set_path_effects(halo())
    handles = []
    for values, line, weight, words in (
        (worst, "dotted", 2.6, f"{tolerance:.0f} µm in the worst direction"),
        (
            cover,
            "dashed",
            1.5,
            f"{tolerance:.0f} µm not exceeded in {100 * spread.coverage:g} % of directions",
        ),
    ):
        if float(np.nanmin(values)) < tolerance < float(np.nanmax(values)):
            drawn = axes.contour(
                x,
                y,
                values,
                levels=[tolerance],
                colors=LIGHT.tolerance,
                linewidths=weight,
                linestyles=[DASH[line]],
            )
            drawn.set_gid(f"tolerance-{line}")
            handles.append((line, weight, words))
    mark_case(axes, assessment, x[-1], y[-1])
    chart_legend(axes, handles)
    axes.set_xlim(x[0], x[-1])
    axes.set_ylim(y[0], y[-1])
    axes.set_xlabel("departure at the incisors, mm (record to target)")
    axes.set_ylabel("distance of the arbitrary points from the true axis, mm")
    return figure


def finer(
    values: FloatArray, x: FloatArray, y: FloatArray, new_x: FloatArray, new_y: FloatArray
) -> FloatArray:
    """Bilinear interpolation (the error is nearly bilinear in departure and axis error)."""
    rows = np.array([np.interp(new_y, y, row) for row in values])
    return np.array([np.interp(new_x, x, column) for column in rows.T]).T


def mark_case(axes: Any, assessment: Assessment, x_end: float, y_end: float) -> None:
    """Mark the case: its departure, and its own axis error where that was measured."""
    here = abs(float(assessment.departure_mm))
    table = assessment.case.uncertainty
    outside = here > x_end
    at = min(here, x_end)
    if table is not None and table.arbitrary_axis != "measured":
        axes.axvline(at, color=LIGHT.ink, lw=1.8, gid="this-case")
        text, place = f"this case: departure {here:.1f} mm", (at, LABEL_TOP * y_end)
    else:
        true, arbitrary = assessment.true_axis, assessment.arbitrary_axis
        off = {
            "left": float(true.distance_mm(arbitrary.left_point_mm)),
            "right": float(true.distance_mm(arbitrary.right_point_mm)),
        }
        outside = outside or max(off.values()) > y_end
        low, high = sorted(min(v, y_end) for v in off.values())
        look = {"color": LIGHT.ink, "zorder": 5}
        axes.plot([at, at], [low, high], lw=2.4, **look)
        dots = {"marker": "o", "ms": 8, "ls": "none", "clip_on": False, "gid": "this-case"}
        axes.plot([at, at], [low, high], **look, **dots)
        text = f"this case: left {off['left']:.1f}, right {off['right']:.1f} mm off"
        place = (at, min(0.5 * (low + high), LABEL_TOP * y_end))
    text += "\n(beyond the chart)" if outside else ""
    shift, ha = (-10, "right") if at > 0.5 * x_end else (10, "left")
    note(axes, text, place, (shift, 0), fontsize=11, ha=ha, zorder=6)


def chart_legend(axes: Any, handles: list[tuple[str, float, str]]) -> None:
    """Say what areas and lines mean, in the corner of largest errors."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    drawn: list[Any] = [
        Line2D([], [], color=LIGHT.tolerance, ls=DASH[line], lw=weight, label=words)
        for line, weight, words in handles
    ]
    drawn += [
        Patch(facecolor=LIGHT.within, edgecolor=LIGHT.quiet, lw=0.6, label="within, any direction"),
        Patch(facecolor=LIGHT.beyond, edgecolor=LIGHT.quiet, lw=0.6, label="can be beyond"),
    ]
    box = axes.legend(handles=drawn, loc="upper right", fontsize=9.5, frameon=True)
    box.get_frame().set(facecolor=LIGHT.page, edgecolor=LIGHT.faint, alpha=0.92)
    box.set_zorder(7)
