"""What there is to draw: an assessment as a list of plain records, without any drawing library.

Every item names a ``layer`` (what a viewer switches on and off) and a ``role`` (its colour in
:mod:`viewer.look.palette`). All coordinates are in ``axis_orbital``, mm.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.base.axis import HingeAxis
from kinematics.closure.stops import rotated_about
from viewer.look.palette import AXIS_LABEL, LINE_STYLE, Theme, scale_limit_um
from viewer.scene.items import (
    Item,
    Label,
    Plane,
    Points,
    Scene,
    Surface,
    Tube,
    View,
    dashes,
    frozen,
)

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.casts.cast import Cast
    from kinematics.closure.stops import Stop

LAYERS = (
    "upper",
    "lower",
    "map",
    "articulator",
    "record",
    "axes",
    "arcs",
    "landmarks",
    "contact",
    "plane",
    "pin",
    "labels",
    "teeth",
)
"""Every layer, in drawing order; ``map`` is the cast of ``lower`` with the signed map on it."""
AXIS_OVERHANG_MM = 8.0
"""How far an axis is drawn beyond its points on each side (ours)."""
AXIS_RADIUS_MM = 0.9
ARC_RADIUS_MM = 0.6
ARC_STEPS = 48
ARC_DASH_MM = (1.0, 0.7)
"""The same for the short arcs."""
PLANE_BEHIND_MM = 12.0
"""How far the axis-orbital plane is drawn behind the axis (ours)."""
EXTENDED_ARC_DEG = 9.0
"""How far an arc is continued thinly beyond both ends, so that its circle can be seen (ours)."""


def standard_views() -> dict[str, View]:
    """Views offered everywhere: oblique, from the patient's left and front, onto the lower."""
    up = frozen([0, 0, 1.0])
    both = ("upper", "lower", "axes", "arcs", "landmarks", "labels")
    see_through = (*both, "contact")
    return {
        "oblique": View("oblique", frozen([-0.62, -0.70, -0.30]), up, both),
        "left": View("left", frozen([0, -1.0, 0]), up, see_through, 0.3),
        "front": View("front", frozen([-1.0, 0, 0]), up, both),
        "occlusal": View("occlusal", frozen([0, 0, -1.0]), frozen([-1.0, 0, 0]), ("map", "teeth")),
    }


def arc(
    axis: HingeAxis,
    point_mm: ArrayLike,
    closing_deg: float,
    *,
    start_deg: float = 0.0,
    steps: int = ARC_STEPS,
) -> NDArray[np.float64]:
    """Path of a point of the lower about an axis, from ``start_deg`` to ``closing_deg``.

    Returns
    -------
    ndarray, shape (steps + 1, 3), mm
        Angles count closing positive from the pose of ``point_mm``; the ends are included.
    """
    angles = np.linspace(start_deg, closing_deg, steps + 1)
    return rotated_about(axis, -angles, np.asarray(point_mm, dtype=np.float64)[None])[:, 0]


def ends(names: tuple[str, ...], points_mm: NDArray[np.float64]) -> list[int]:
    """Landmarks whose arcs are drawn: most anterior, and most posterior on each side.

    Returns
    -------
    list of int
        Without repeats, most anterior first.
    """
    x, y = points_mm[:, 0], points_mm[:, 1]
    chosen = [int(np.argmax(x))]
    for side in (y > 0, y < 0):
        if side.any():
            index = np.flatnonzero(side)
            chosen.append(int(index[np.argmin(x[index])]))
    return list(dict.fromkeys(chosen))


def crown_tops(cast: Cast) -> dict[int, NDArray[np.float64]]:
    """Where each tooth's number is written: over the middle of its crown, shape (3,), mm."""
    tops = {}
    for number in np.unique(cast.tooth[cast.tooth > 0]):
        part = cast.vertices_mm[cast.tooth == number]
        middle = 0.5 * (part.min(axis=0) + part.max(axis=0))
        middle[2] = part[:, 2].max()
        tops[int(number)] = middle
    return tops


def plane_corners(axis: HingeAxis, reach_mm: float) -> list[list[float]]:
    """Corners of the axis-orbital plane as drawn, from behind the true axis to the incisors, mm."""
    half = 0.5 * axis.width_mm
    return [
        [-PLANE_BEHIND_MM, half, 0.0],
        [reach_mm, half, 0.0],
        [reach_mm, -half, 0.0],
        [-PLANE_BEHIND_MM, -half, 0.0],
    ]


def _axis_items(axis: HingeAxis, role: str) -> list[Item]:
    over = AXIS_OVERHANG_MM * axis.direction
    path = np.stack([axis.right_point_mm - over, axis.left_point_mm + over])
    style = LINE_STYLE[role]
    points = np.stack([axis.left_point_mm, axis.right_point_mm])
    text = AXIS_LABEL[role]
    return [
        Tube("axes", role, frozen(path), dashes(path, style), AXIS_RADIUS_MM, style, text),
        Points("axes", role, frozen(points), 1.9, (f"{text}, left", f"{text}, right")),
        Label("labels", role, text, frozen(path[1])),
    ]


def _arc_items(
    assessment: Assessment, role: str, axis: HingeAxis, closing_deg: float, chosen: list[int]
) -> list[Item]:
    items: list[Item] = []
    style = LINE_STYLE[role]
    sign = 1.0 if closing_deg >= 0 else -1.0
    for i in chosen:
        point = assessment.landmarks_record_mm[i]
        name = assessment.landmarks.names[i]
        path = arc(axis, point, closing_deg)
        items.append(
            Tube(
                "arcs",
                role,
                frozen(path),
                dashes(path, style, ARC_DASH_MM),
                ARC_RADIUS_MM,
                style,
                f"{name} about the {AXIS_LABEL[role]}",
            )
        )
        long = arc(
            axis,
            point,
            closing_deg + sign * EXTENDED_ARC_DEG,
            start_deg=-sign * EXTENDED_ARC_DEG,
            steps=2 * ARC_STEPS,
        )
        items.append(
            Tube(
                "arcs",
                role,
                frozen(long),
                dashes(long, style, (2.4, 1.8)),
                0.4 * ARC_RADIUS_MM,
                style,
                f"{name}: circle about the {AXIS_LABEL[role]}",
            )
        )
    return items


def _cast_items(assessment: Assessment, stop: Stop) -> list[Item]:
    items: list[Item] = []
    upper, lower = assessment.upper, assessment.lower_true
    if upper is not None:
        items.append(Surface("upper", "upper", upper.vertices_mm, upper.faces))
    if lower is None:
        return items
    signed = None
    if stop in assessment.occlusal_high_mm:
        signed = np.full(len(lower.vertices_mm), np.nan)
        signed[assessment.occlusal_index] = 1000.0 * assessment.occlusal_high_mm[stop]
        signed.flags.writeable = False
    items.append(Surface("lower", "lower", lower.vertices_mm, lower.faces))
    items.append(Surface("map", "lower", lower.vertices_mm, lower.faces, 1.0, signed))
    for number, at in crown_tops(lower).items():
        items.append(Label("teeth", "ink", str(number), frozen(at)))
    moved = assessment.stops[stop].error_motion.apply(lower.vertices_mm)
    items.append(Surface("articulator", "ghost", frozen(moved), lower.faces, 0.35))
    record = assessment.lower_record
    if record is not None:
        items.append(Surface("record", "lower", record.vertices_mm, record.faces, 0.35))
    return items


def _contact_items(assessment: Assessment) -> list[Item]:
    found = [("true", assessment.contact_true), ("arbitrary", assessment.contact_arbitrary)]
    if assessment.mouth is not None:
        found.append(("contact", assessment.mouth.contact))
    words = {
        "true": "first contact, true axis",
        "arbitrary": "first contact, arbitrary axis",
        "contact": "first contact back in the mouth",
    }
    items: list[Item] = []
    for role, report in found:
        if report is None or report.status not in ("contact", "already_touching"):
            continue
        at = np.asarray(report.point_mm, dtype=np.float64)
        if not np.isfinite(at).all():
            continue
        items.append(Points("contact", role, frozen(at[None]), 1.3, (words[role],)))
        items.append(Label("contact", role, words[role], frozen(at)))
    return items


def _plane_items(assessment: Assessment) -> list[Item]:
    reach = float(assessment.landmarks.incisal_point_mm[0])
    corners = frozen(plane_corners(assessment.true_axis, reach))
    return [
        Plane("plane", "plane", corners, 0.18),
        Label("plane", "plane", "axis-orbital plane", frozen([reach, 0.0, 0.0])),
    ]


def build_scene(
    assessment: Assessment, *, theme: Theme = "light", stop: Stop | None = None
) -> Scene:
    """Turn an assessment into drawable items.

    Parameters
    ----------
    assessment : kinematics.assessment.Assessment
    theme : {"light", "dark"}
    stop : str, optional
        Default: the stop that the verdict is about.

    Raises
    ------
    ValueError
        A stop that the assessment does not hold.

    Notes
    -----
    *Guarantee*: casts, axes, arcs and points are the record's own arrays or its rigid motions of
    them; nothing is exaggerated here.
    """
    if stop is None:
        stop = assessment.verdict.stop
    elif stop not in assessment.stops:
        raise ValueError(f"stop: got {stop!r}, need one of {', '.join(assessment.stops)}")
    result = assessment.stops[stop]
    marks = assessment.landmarks
    chosen = ends(marks.names, assessment.landmarks_record_mm)
    items = _cast_items(assessment, stop)
    items += _axis_items(assessment.true_axis, "true")
    items += _axis_items(assessment.arbitrary_axis, "arbitrary")
    items += _arc_items(
        assessment, "true", assessment.true_axis, assessment.true_closing_deg, chosen
    )
    items += _arc_items(
        assessment, "arbitrary", assessment.arbitrary_axis, result.closing_deg, chosen
    )
    items.append(Points("landmarks", "arbitrary", frozen(result.articulator_mm), 0.9, marks.names))
    items.append(Points("landmarks", "true", frozen(marks.points_mm), 0.9, marks.names))
    items += [Label("landmarks", "ink", marks.names[i], frozen(marks.points_mm[i])) for i in chosen]
    items += _contact_items(assessment)
    items += _plane_items(assessment)
    tip = frozen(assessment.geometry.pin_tip_target_mm)
    items.append(Points("pin", "ink", frozen(tip[None]), 1.2, ("tip of the incisal pin",)))
    items.append(Label("pin", "ink", "pin tip", tip))
    values = assessment.occlusal_high_mm.get(stop, np.zeros(0))
    missing = tuple(
        f"no {which} cast in the case"
        for which, cast in (("upper", assessment.upper), ("lower", assessment.lower_true))
        if cast is None
    )
    order = {layer: i for i, layer in enumerate(LAYERS)}
    return Scene(
        items=tuple(sorted(items, key=lambda item: order[item.layer])),
        theme=theme,
        stop=stop,
        signed_limit_um=scale_limit_um(1000.0 * np.asarray(values)),
        views=standard_views(),
        missing=missing,
    )
