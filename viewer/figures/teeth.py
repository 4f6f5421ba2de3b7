"""Figures of the teeth in excursions: contacts along the way, clearance map, traced paths.

Draw them with :func:`viewer.figures.draw.draw_figure`, which sets the project's look.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.arrays import FloatArray
from kinematics.base.teeth import arch_order
from kinematics.casts.clearance import CLEARANCE_LIMIT_MM, NEAR_CONTACT_MM
from kinematics.excursions.teeth import spans_mm
from viewer.figures.excursions import KIND_LABEL, ROLES, role_lines
from viewer.figures.style import DASH, grid_behind, halo, new_figure, wrapped
from viewer.look.palette import LIGHT, clearance_colours

if TYPE_CHECKING:
    from kinematics.casts.cast import Cast
    from kinematics.excursions.results import ExcursionDetails, Trace
    from kinematics.excursions.teeth import TeethAlong, ToothPair

MAP_LIMIT_MM = CLEARANCE_LIMIT_MM
"""Clearance at the pale end of the map: as far as it is looked for."""
SIDE_WORDS = {"working": "working", "non_working": "non-working", "protrusive": ""}
END_MARKER = {"protrusion": "o", "left_lateral": "<", "right_lateral": ">"}
"""Marker at the end of a traced path; from above with the incisors below, the way it runs."""
ZOOM_MM = 7.0
"""Half width of the enlarged part of the traced paths (ours)."""


def contacts_figure(details: ExcursionDetails) -> Any:
    """Draw on which part of the way each lower tooth touches, patient above, articulator below.

    Returns
    -------
    matplotlib.figure.Figure
        One panel an excursion, one row a tooth that touches anywhere. A magenta core marks where
        the tooth would reach into the upper.
    """
    rows = {kind: touching_places(c.patient, c.articulator) for kind, c in details.teeth.items()}
    most = max([1, *(len(r) for r in rows.values())])
    long = not any(any(c.patient.teeth) for c in details.teeth.values())
    figure = new_figure(10.4, 1.75 + (0.66 if long else 0.42) * most)
    high = figure.get_figheight()
    all_axes = np.atleast_1d(figure.subplots(1, len(rows)))
    figure.subplots_adjust(
        left=0.1, right=0.985, top=1.0 - 0.95 / high, bottom=0.6 / high, wspace=0.42
    )
    end = max(
        float(a.way_mm[-1]) for c in details.teeth.values() for a in (c.patient, c.articulator)
    )
    for axes, (kind, chosen) in zip(all_axes, rows.items()):
        compared = details.teeth[kind]
        for row, i in enumerate(chosen):
            for (who, role, _, _), lift in zip(ROLES, (-0.18, 0.18)):
                touch_bars(axes, getattr(compared, who), i, row + lift, role, f"{kind}-{who}")
        for (who, role, line, _), lift in zip(ROLES, (-0.18, 0.18)):
            stop = float(getattr(compared, who).way_mm[-1])
            if stop < end - 1e-9:
                axes.axvline(stop, color=getattr(LIGHT, role), ls=DASH[line], lw=1.4)
                axes.text(stop, -0.38 + lift, f" {who} stops", fontsize=8.5, color=LIGHT.ink)
        names = [row_name(compared.patient, i) for i in chosen]
        axes.set_yticks(range(len(chosen)), names, fontsize=8.5 if long else 9.5)
        axes.set_ylim(most - 0.45, -0.6)
        axes.set_xlim(-0.02 * end, 1.02 * end)
        axes.tick_params(axis="y", length=0)
        axes.set(title=KIND_LABEL[kind], xlabel="way of the condyle (mm)")
        grid_behind(axes, "x")
        if not chosen:
            middle = {"transform": axes.transAxes, "ha": "center", "va": "center"}
            text = "no tooth touches after the start"
            axes.text(0.5, 0.5, text, fontsize=9.5, color=LIGHT.quiet, **middle)
    contact_legend(figure)
    return figure


def touching_places(patient: TeethAlong, articulator: TeethAlong) -> list[int]:
    """Indices of the lower teeth that touch after the start on either, right to left."""
    there = np.flatnonzero(patient.touched | articulator.touched)
    return sorted((int(i) for i in there), key=lambda i: arch_order(patient.teeth[i], i))


def row_name(along: TeethAlong, i: int) -> str:
    """A tooth and its side."""
    side = SIDE_WORDS[along.where[i]]
    place = wrapped(along.places[i], 18, 2)
    return f"{place}\n{side}" if side else place


def touch_bars(axes: Any, along: TeethAlong, i: int, y: float, role: str, gid: str) -> None:
    """Draw one tooth's parts of the way that touch; half a step on each side is the sampling."""
    half = 0.5 * float(np.diff(along.way_mm).mean()) if len(along.way_mm) > 1 else 0.05
    low, high = float(along.way_mm[0]), float(along.way_mm[-1])
    for on, thick, colour, name in (
        (along.touching[:, i], 0.3, getattr(LIGHT, role), f"touch-{gid}-{i}"),
        (along.clearance_mm[:, i] < -NEAR_CONTACT_MM, 0.1, LIGHT.high, f"deep-{gid}-{i}"),
    ):
        for n, (first, last) in enumerate(spans_mm(along.way_mm, on)):
            left, right = max(first - half, low), min(last + half, high)
            axes.barh(y, right - left, thick, left=left, color=colour, lw=0, gid=f"{name}-{n}")


def contact_legend(figure: Any) -> None:
    """Say what the bars mean."""
    from matplotlib.patches import Patch

    handles = [Patch(color=getattr(LIGHT, role), label=label) for _, role, _, label in ROLES]
    handles.append(Patch(color=LIGHT.high, label="would reach into the upper tooth"))
    figure.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(0.06, 1.0), ncols=3, fontsize=9,
        handlelength=1.6,
    )  # fmt: skip


def clearance_figure(details: ExcursionDetails) -> Any:
    """Draw the clearance of the lower to the upper at the end of each excursion.

    Returns
    -------
    matplotlib.figure.Figure
        Onto the lower, incisors below; above the patient, below the articulator.
    """
    from matplotlib.cm import ScalarMappable
    from matplotlib.colors import ListedColormap, Normalize

    assert details.pair is not None
    pair, kinds = details.pair, list(details.teeth)
    figure = new_figure(10.4, 5.5)
    width = 0.88 / max(len(kinds), 1)
    for column, kind in enumerate(kinds):
        for row, (who, role, _, label) in enumerate(ROLES):
            along: TeethAlong = getattr(details.teeth[kind], who)
            axes = figure.add_axes((0.03 + width * column, 0.485 - 0.475 * row, 0.97 * width, 0.45))
            value = np.full(len(pair.lower.vertices_mm), np.nan)
            value[pair.occlusal] = along.vertex_end_mm
            draw_arch(axes, pair.lower, value, f"clearance-{kind}-{who}")
            write_numbers(axes, pair)
            touch_marks(axes, pair, along, f"{kind}-{who}")
            if row == 0:
                title = f"{KIND_LABEL[kind]}, after {along.way_mm[-1]:.3g} mm"
                axes.set_title(title, loc="center")
            if column == 0:
                axes.text(
                    -0.02, 0.5, label, transform=axes.transAxes, rotation=90, ha="center",
                    va="center", fontsize=9.5, color=getattr(LIGHT, role),
                )  # fmt: skip
    bar = figure.add_axes((0.945, 0.2, 0.014, 0.6))
    ends = np.linspace(-MAP_LIMIT_MM, MAP_LIMIT_MM, 256)
    colours = ListedColormap(clearance_colours(ends, MAP_LIMIT_MM, NEAR_CONTACT_MM))
    scale = figure.colorbar(
        ScalarMappable(Normalize(-MAP_LIMIT_MM, MAP_LIMIT_MM), colours), cax=bar
    )
    scale.set_ticks(np.arange(-3.0, 3.5), labels=["−3", "−2", "−1", "0", "1", "2", "3+"])
    bar.set_title("mm", fontsize=9.5, loc="center")
    bar.set_ylabel("through the upper    |    clear of the upper", fontsize=9.5)
    bar.yaxis.set_label_position("left")
    return figure


def flat(points: FloatArray) -> FloatArray:
    """Project onto the occlusal plane: patient's right on the left, incisors below."""
    return np.stack([points[..., 1], -points[..., 0]], axis=-1)


def draw_arch(axes: Any, cast: Cast, value_mm: FloatArray, gid: str) -> None:
    """Draw the occlusal faces of a cast in the colours of a clearance at its vertices."""
    known = ~np.isnan(value_mm)
    faces = cast.faces[known[cast.faces].all(axis=1)]
    height = cast.vertices_mm[faces, 2].mean(axis=1)
    faces = faces[np.argsort(height, kind="stable")]
    value = np.minimum(value_mm[faces], MAP_LIMIT_MM).mean(axis=1)
    colours = clearance_colours(value, MAP_LIMIT_MM, NEAR_CONTACT_MM)
    colours = colours * (0.78 + 0.22 * lit(cast.vertices_mm[faces]))[:, None]
    draw_faces(axes, cast.vertices_mm[faces], colours, 5.5, gid)


def draw_faces(
    axes: Any, corners: FloatArray, colours: FloatArray, room: float, gid: str | None = None
) -> None:
    """Draw triangles from above, the last on top, with ``room`` around."""
    from matplotlib.collections import PolyCollection

    look: dict[str, Any] = {"facecolors": colours, "edgecolors": colours, "rasterized": True}
    axes.add_collection(PolyCollection(list(flat(corners)), lw=0.6, gid=gid, **look))
    fit_frame(axes, flat(corners).reshape(-1, 2), room)


def lit(corners: FloatArray) -> FloatArray:
    """How brightly each triangle is lit, 0 to 1; for the relief only."""
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    size = np.linalg.norm(normal, axis=1)
    facing = np.abs(normal @ np.array([0.35, -0.35, 0.87])) / np.where(size > 0.0, size, 1.0)
    return np.asarray(np.clip(facing, 0.0, 1.0))


def touch_marks(axes: Any, pair: ToothPair, along: TeethAlong, gid: str) -> None:
    """Ring the nearest point of every tooth that touches at the end."""
    places = pair.place[pair.occlusal]
    for i in np.flatnonzero(along.touching[-1]):
        here = np.flatnonzero(places == i)
        if not len(here) or not np.isfinite(along.vertex_end_mm[here]).any():
            continue
        nearest = here[np.argmin(along.vertex_end_mm[here])]
        at = flat(pair.lower.vertices_mm[pair.occlusal[nearest]])
        ring = {"ms": 12, "mfc": "none", "mec": LIGHT.contact, "mew": 1.4}
        axes.plot(*at, "o", gid=f"ring-{gid}-{i}", **ring)


def fit_frame(axes: Any, points: FloatArray, room: float) -> None:
    """Show all points with some room around, at equal scales, without a frame."""
    if len(points):
        low, high = points.min(axis=0) - room, points.max(axis=0) + room
        axes.set_xlim(low[0], high[0])
        axes.set_ylim(low[1], high[1])
    axes.set_aspect("equal", adjustable="box")
    axes.set_axis_off()


def write_numbers(axes: Any, pair: ToothPair) -> None:
    """Write each lower tooth's number outside the arch, beside the tooth."""
    places = pair.place[pair.occlusal]
    points = flat(pair.lower.vertices_mm[pair.occlusal])
    middle = np.array([points[:, 0].mean(), points[:, 1].max() - 6.0])
    for i, tooth in enumerate(pair.teeth):
        here = points[places == i]
        if not tooth or not len(here):
            continue
        centre = here.mean(axis=0)
        inward = middle - centre
        at = centre - 7.5 * inward / max(float(np.linalg.norm(inward)), 1e-9)
        axes.text(
            *at, f"{tooth}", ha="center", va="center", fontsize=8.5, color=LIGHT.ink,
            path_effects=halo(),
        )  # fmt: skip


def traces_figure(details: ExcursionDetails) -> Any:
    """Draw the paths of cusps on the opposing arches, and enlarged where both differ most.

    Returns
    -------
    matplotlib.figure.Figure
        Seen from above with the incisors below; the upper as through its base.
    """
    assert details.pair is not None
    pair = details.pair
    figure = new_figure(10.4, 3.9)
    boxes = ((0.005, 0.01, 0.35, 0.8), (0.36, 0.01, 0.35, 0.8), (0.725, 0.01, 0.27, 0.8))
    lower, upper, zoom = (figure.add_axes(box) for box in boxes)
    on_lower = [t for t in details.traces if t.traced_on == "lower"]
    on_upper = [t for t in details.traces if t.traced_on == "upper"]
    for axes, cast, drawn, title in (
        (lower, pair.lower, on_lower, "upper cusps on the lower teeth"),
        (upper, pair.upper, on_upper, "lower cusps on the upper teeth"),
    ):
        draw_relief(axes, cast, 3.0)
        draw_paths(axes, drawn, 1.1, 2.5, cast.arch)
        axes.set_title(title if drawn else "the upper has no tooth labels", loc="center")
    for name in ("xlim", "ylim"):
        ends = np.array([getattr(axes, f"get_{name}")() for axes in (lower, upper)])
        for axes in (lower, upper):
            getattr(axes, f"set_{name}")(ends[:, 0].min(), ends[:, 1].max())
    chosen = most_apart(on_lower or on_upper)
    if chosen is not None:
        same = [t for t in details.traces if t.traced_on == chosen.traced_on]
        centre = flat(chosen.path_mm["patient"][0])
        draw_relief(zoom, pair.lower if chosen.traced_on == "lower" else pair.upper, 3.0)
        starts = [flat(t.path_mm["patient"][0]) for t in same]
        near = [t for t, at in zip(same, starts) if np.abs(at - centre).max() < ZOOM_MM]
        draw_paths(zoom, near, 2.0, 5.0, "zoom")
        zoom.set_xlim(centre[0] - ZOOM_MM, centre[0] + ZOOM_MM)
        zoom.set_ylim(centre[1] - ZOOM_MM, centre[1] + ZOOM_MM)
        zoom.set_title(f"enlarged: {chosen.name}", loc="center")
        length_bar(zoom, centre)
    else:
        zoom.set_axis_off()
    trace_legend(figure, [k for k in details.teeth if k in END_MARKER])
    return figure


def draw_relief(axes: Any, cast: Cast, room: float) -> None:
    """Draw a cast's occlusal faces in a quiet relief."""
    from kinematics.casts.occlusal import occlusal_vertices

    chosen = np.zeros(len(cast.vertices_mm), dtype=bool)
    chosen[occlusal_vertices(cast)] = True
    faces = cast.faces[chosen[cast.faces].all(axis=1)]
    corners = cast.vertices_mm[faces]
    up = 1.0 if cast.arch == "lower" else -1.0
    order = np.argsort(up * corners[:, :, 2].mean(axis=1), kind="stable")
    shade = 0.58 + 0.37 * lit(corners)
    colours = np.stack([shade, 0.98 * shade, 0.93 * shade], axis=1)[order]
    draw_faces(axes, corners[order], colours, room)


def draw_paths(axes: Any, drawn: Sequence[Trace], lw: float, ms: float, panel: str) -> None:
    """Draw traced paths with their ends and their common start."""
    for k, trace in enumerate(drawn):
        for who, role, line, _ in ROLES:
            points = flat(trace.path_mm[who])
            colour = getattr(LIGHT, role)
            look = {"ls": DASH[line], "lw": lw, "color": colour}
            axes.plot(*points.T, gid=f"trace-{panel}-{k}-{who}", **look)
            axes.plot(*points[-1], END_MARKER.get(trace.kind, "s"), ms=ms, color=colour, mew=0)
        axes.plot(*flat(trace.path_mm["patient"][0]), "o", ms=0.8 * ms, color=LIGHT.ink, mew=0)


def most_apart(drawn: Sequence[Trace]) -> Trace | None:
    """The trace that ends farthest apart in the mouth and on the articulator."""

    def apart(trace: Trace) -> float:
        one, other = trace.path_mm["patient"], trace.path_mm["articulator"]
        n = min(len(one), len(other))
        return float(np.linalg.norm(one[n - 1] - other[n - 1]))

    return max(drawn, key=apart, default=None)


def length_bar(axes: Any, centre: FloatArray) -> None:
    """A bar of 2 mm in the lower left corner."""
    at = centre - [0.9 * ZOOM_MM, 0.92 * ZOOM_MM]
    axes.plot([at[0], at[0] + 2.0], [at[1]] * 2, color=LIGHT.ink, lw=2.0)
    look = {"ha": "center", "fontsize": 9, "color": LIGHT.ink, "path_effects": halo()}
    axes.text(at[0] + 1.0, at[1] + 0.25, "2 mm", **look)


def trace_legend(figure: Any, kinds: Sequence[str]) -> None:
    """Say what the lines and marks mean."""
    from matplotlib.lines import Line2D

    marks = [(LIGHT.ink, "o", 3, "start")]
    marks += [(LIGHT.quiet, END_MARKER[kind], 6, f"end of {KIND_LABEL[kind]}") for kind in kinds]
    handles = role_lines({"true": 1.8, "arbitrary": 1.8}) + [
        Line2D([], [], color=colour, marker=mark, ls="", ms=size, label=label)
        for colour, mark, size, label in marks
    ]
    look = {"ncols": 6, "fontsize": 9, "columnspacing": 1.3, "handletextpad": 0.5}
    figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.0, 1.0), **look)


TOOTH_FIGURES: dict[str, Callable[[ExcursionDetails], Any]] = {
    "contacts": contacts_figure,
    "clearance": clearance_figure,
    "traces": traces_figure,
}
"""Every figure by name."""
