"""What there is to draw, as one list of plain records: report, film, page and window draw it.

Every item names a ``layer`` (what a viewer switches on and off) and a ``role`` (its colour in
:mod:`viewer.look.palette`). All coordinates are in ``axis_orbital``, mm. No drawing library.
"""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import frozen
from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.closure.batch import arc
from kinematics.closure.close import Closures
from kinematics.closure.stops import high_amount
from viewer.look.palette import AXIS_LABEL, LINE_STYLE, Theme, scale_limit_um
from viewer.look.text import NOTHING_MM, nice_factor
from viewer.scene.items import Item, Label, Plane, Points, Scene, Surface, Tube, View, dashes

if TYPE_CHECKING:
    from kinematics.casts.cast import Cast
    from kinematics.closure.tooth_contact import MouthReturn

LAYERS = (
    "upper",
    "lower",
    "map",
    "articulator",
    "record",
    "axes",
    "arcs",
    "landmarks",
    "displaced",
    "contact",
    "plane",
    "pin",
)
"""Every layer, in drawing order; ``map`` is the cast of ``lower`` with the signed map and the tooth
numbers on it, ``displaced`` the landmarks where the articulator puts them."""
AXIS_OVERHANG_MM = 8.0
"""How far an axis is drawn beyond its points on each side (ours)."""
AXIS_RADIUS_MM = 0.9
ARC_RADIUS_MM = 0.6
AXIS_POINT_RADIUS_MM = 1.9
LANDMARK_RADIUS_MM = 0.9
CONTACT_RADIUS_MM = 1.3
PIN_RADIUS_MM = 1.2
ARC_STEPS = 16
"""Straight pieces of an arc from the record to the end; less than 1 µm off the circle."""
ARC_DASH_MM = (1.0, 0.7)
"""Dashes of the short arcs."""
EXTENDED_DASH_MM = (2.4, 1.8)
PLANE_BEHIND_MM = 12.0
"""How far the axis-orbital plane is drawn behind the axis (ours)."""
EXTENDED_ARC_DEG = 9.0
"""How far an arc is continued thinly beyond both ends, so that its circle can be seen (ours)."""
GHOST_MM = 3.0
"""How far apart the exaggerated lower is drawn at first (ours)."""
MAP_SAMPLE = 4000
"""Occlusal vertices that the map's scale is taken from while a case is being changed (ours)."""


def standard_views() -> dict[str, View]:
    """Views offered everywhere: oblique, from the patient's left and front, onto the lower."""
    up = frozen([0, 0, 1.0])
    both = ("upper", "lower", "axes", "arcs", "landmarks", "displaced")
    see_through = (*both, "contact")
    return {
        "oblique": View("oblique", frozen([-0.62, -0.70, -0.30]), up, both),
        "left": View("left", frozen([0, -1.0, 0]), up, see_through, 0.3),
        "front": View("front", frozen([-1.0, 0, 0]), up, both),
        "occlusal": View("occlusal", frozen([0, 0, -1.0]), frozen([-1.0, 0, 0]), ("map",)),
    }


def exaggerated(motion: RigidTransform, factor: float) -> RigidTransform:
    """The same screw with its angle and slide multiplied."""
    return RigidTransform.from_exp_coords(factor * np.asarray(motion.as_exp_coords()))


def ghost_factor(reading: Closures, most: int = 1000) -> int:
    """Exaggeration that draws the articulator's lower about :data:`GHOST_MM` from the patient's."""
    worst = float(reading.stops[reading.stop].magnitude_mm.max())
    return min(nice_factor(worst, GHOST_MM), most)


def ends(points_mm: NDArray[np.float64]) -> list[int]:
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


@functools.lru_cache(maxsize=2)
def crowns(cast: Cast) -> dict[int, NDArray[np.float64]]:
    """Vertices of each numbered tooth, shape (n, 3), mm."""
    numbers = np.unique(cast.tooth[cast.tooth > 0])
    return {int(number): cast.vertices_mm[cast.tooth == number] for number in numbers}


def crown_top(crown_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where a tooth's number is written: over the middle of its crown, shape (3,), mm."""
    low, high = crown_mm.min(axis=0), crown_mm.max(axis=0)
    return frozen([*(0.5 * (low + high))[:2], high[2]])


def axis_items(axis: HingeAxis, role: str) -> list[Item]:
    """An axis with its two points and its name."""
    over = AXIS_OVERHANG_MM * axis.direction
    path = np.stack([axis.right_point_mm - over, axis.left_point_mm + over])
    style, text = LINE_STYLE[role], AXIS_LABEL[role]
    points = np.stack([axis.left_point_mm, axis.right_point_mm])
    names = (f"{text}, left", f"{text}, right")
    return [
        Tube("axes", role, frozen(path), dashes(path, style), AXIS_RADIUS_MM, style, text),
        Points("axes", role, frozen(points), AXIS_POINT_RADIUS_MM, names),
        Label("axes", role, text, frozen(path[1])),
    ]


def arc_items(
    axis: HingeAxis, role: str, point_mm: NDArray[np.float64], closing_deg: float, name: str
) -> list[Item]:
    """The way of a landmark from the record about an axis, and its circle beyond both ends."""
    style, about = LINE_STYLE[role], f"about the {AXIS_LABEL[role]}"
    beyond = EXTENDED_ARC_DEG if closing_deg >= 0 else -EXTENDED_ARC_DEG
    short = arc(axis, point_mm, closing_deg, steps=ARC_STEPS)
    far = closing_deg + beyond
    long = arc(axis, point_mm, far, start_deg=-beyond, steps=2 * ARC_STEPS)
    return [
        Tube("arcs", role, frozen(path), dashes(path, style, dash), radius, style, text)
        for path, dash, radius, text in (
            (short, ARC_DASH_MM, ARC_RADIUS_MM, f"{name} {about}"),
            (long, EXTENDED_DASH_MM, 0.4 * ARC_RADIUS_MM, f"{name}: circle {about}"),
        )
    ]


def on_vertices(found: Closures, occlusal_mm: NDArray[np.float64]) -> NDArray[np.float64]:
    """An amount in micrometres at every vertex of the lower; NaN where one is not occlusal."""
    lower = found.placed.lower
    values = np.full(0 if lower is None else len(lower.vertices_mm), np.nan)
    values[found.occlusal_index] = 1e3 * occlusal_mm
    return values


def cast_items(found: Closures, factor: float, mapped: bool) -> list[Item]:
    """Both casts at the target, the lower also on the articulator, at the record and mapped."""
    items: list[Item] = []
    upper, lower = found.placed.upper, found.placed.lower
    to_target = found.bite(found.stop).target_from_scanned
    if upper is not None:
        items.append(Surface("upper", "upper", upper, RigidTransform.identity()))
    if lower is None:
        return items
    signed = None
    if mapped and found.occlusal_high_mm:
        signed = frozen(on_vertices(found, found.occlusal_high_mm[found.stop]))
    moved = exaggerated(found.stops[found.stop].error_motion, factor) * to_target
    closing_deg = found.stops[found.stop].true_closing_deg
    record = opening_motion(found.true_axis, closing_deg) * to_target
    items += [
        Surface("lower", "lower", lower, to_target),
        Surface("map", "lower", lower, to_target, 1.0, signed),
        Surface("articulator", "ghost", lower, moved, 0.35),
        Surface("record", "lower", lower, record, 0.35),
    ]
    return items + [
        Label("map", "tooth", str(number), crown_top(to_target.apply(crown)))
        for number, crown in crowns(lower).items()
    ]


def contact_items(found: Closures, mouth: MouthReturn | None) -> list[Item]:
    """First contact about each axis, and back in the mouth where that is known."""
    reports = [
        ("true", found.contact_true, f"first contact, {AXIS_LABEL['true']}"),
        ("arbitrary", found.contact_arbitrary, f"first contact, {AXIS_LABEL['arbitrary']}"),
    ]
    if mouth is not None:
        reports.append(("contact", mouth.contact, "first contact back in the mouth"))
    items: list[Item] = []
    for role, report, text in reports:
        at = frozen(report.point_mm)
        if report.status in ("contact", "already_touching") and np.isfinite(at).all():
            items.append(Points("contact", role, frozen(at[None]), CONTACT_RADIUS_MM, (text,)))
            items.append(Label("contact", role, text, at))
    return items


def plane_items(found: Closures) -> list[Item]:
    """The axis-orbital plane from behind the true axis to the incisors, and the pin's tip."""
    reach = float(found.landmarks.incisal_point_mm[0])
    half = 0.5 * found.true_axis.width_mm
    corners = [(x, y, 0.0) for x, y in ((-PLANE_BEHIND_MM, half), (reach, half))]
    corners += [(x, -y, z) for x, y, z in reversed(corners)]
    tip = frozen(found.geometry.pin_tip_target_mm)
    return [
        Plane("plane", "plane", frozen(corners), 0.18),
        Label("plane", "plane", "axis-orbital plane", frozen([reach, 0.0, 0.0])),
        Points("pin", "ink", frozen(tip[None]), PIN_RADIUS_MM, ("tip of the incisal pin",)),
        Label("pin", "ink", "pin tip", tip),
    ]


def landmark_items(found: Closures) -> list[Item]:
    """Landmarks in both poses; arcs and names of some, that of the headline among them."""
    marks, result = found.landmarks, found.stops[found.stop]
    record = found.landmarks_record_mm
    chosen = ends(record)
    worst, size = result.worst
    strong = worst if size > NOTHING_MM else -1
    if strong >= 0 and strong not in chosen:
        chosen.append(strong)
    items: list[Item] = [
        Points(layer, role, frozen(at), LANDMARK_RADIUS_MM, marks.names)
        for layer, role, at in (
            ("displaced", "arbitrary", result.articulator_mm),
            ("landmarks", "true", result.true_mm),
        )
    ]
    for i in chosen:
        at = frozen(result.true_mm[i])
        items.append(Label("landmarks", "ink", marks.names[i], at, i == strong))
        for role, axis, angle in (
            ("true", found.true_axis, result.true_closing_deg),
            ("arbitrary", found.arbitrary_axis, result.closing_deg),
        ):
            items += arc_items(axis, role, record[i], angle, marks.names[i])
    return items


def map_limit_um(found: Closures, mapped: bool = False) -> float:
    """End of the map's scale, micrometres: nearly all of the occlusal surface lies within."""
    surface, result = found.placed.lower_occlusal, found.stops[found.stop]
    if surface is None:
        return scale_limit_um(1e3 * result.high_mm)
    if mapped:
        return scale_limit_um(1e3 * found.occlusal_high_mm[found.stop])
    move = found.bite(found.stop).target_from_scanned
    step = max(1, len(surface.points_mm) // MAP_SAMPLE)
    points = move.apply(surface.points_mm[::step])
    normals = move.rotation.apply(surface.normals[::step])
    return scale_limit_um(1e3 * high_amount(result.error_motion, points, normals))


def build_scene(
    found: Closures,
    *,
    mouth: MouthReturn | None = None,
    mapped: bool = False,
    theme: Theme = "light",
    factor: float = 1.0,
) -> Scene:
    """Turn the closures of a case into drawable items, at the stop of the answer.

    Parameters
    ----------
    found : Closures
    mouth : MouthReturn, optional
        Its first contact is drawn as well.
    mapped : bool
        Whether the lower of layer ``map`` carries the signed map.
    theme : {"light", "dark"}
    factor : float
        Exaggeration of the articulator's lower; of nothing else.

    Notes
    -----
    *Guarantee*: casts, axes, arcs and points are the record's own arrays or its rigid motions of
    them; with ``factor`` 1 nothing is exaggerated here.
    """
    items = cast_items(found, factor, mapped)
    items += axis_items(found.true_axis, "true") + axis_items(found.arbitrary_axis, "arbitrary")
    items += landmark_items(found) + contact_items(found, mouth) + plane_items(found)
    return Scene(
        items=tuple(sorted(items, key=lambda item: LAYERS.index(item.layer))),
        theme=theme,
        stop=found.stop,
        signed_limit_um=map_limit_um(found, mapped),
        views=standard_views(),
    )
