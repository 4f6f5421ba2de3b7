"""Tooth contacts and clearance along an excursion, in the mouth and on the articulator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.path import ExcursionPath
from kinematics.base.arrays import FloatArray
from kinematics.base.teeth import tooth_side
from kinematics.casts.cast import Cast
from kinematics.casts.clearance import (
    CLEARANCE_LIMIT_MM,
    NEAR_CONTACT_MM,
    ClearanceSurface,
    surface_of,
)

ALONG_LIMIT_MM = 1.0
"""Clearances along the way are looked for up to here (ours); those at the end up to 3 mm."""
CLEARLY_APART_MM = 0.1
"""A tooth that stays clearer than this does not touch, whatever the steps (ours: twice what counts
as touching; twice as many steps lower the least clearances of the demo by 10 µm)."""
MAX_SITES = 16
"""Most parts that a lower without tooth labels is divided into (ours)."""
MIDLINE_MM = 6.0
"""The part near a landmark closer to the midline than this is divided there (ours)."""

Where = Literal["working", "non_working", "protrusive"]


def spans_mm(way_mm: FloatArray, on: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Stretches of steps at which something holds: way at the first and the last of each, mm."""
    padded = np.concatenate([[False], on, [False]]).astype(int)
    starts, ends = np.flatnonzero(np.diff(padded) == 1), np.flatnonzero(np.diff(padded) == -1) - 1
    return tuple((float(way_mm[a]), float(way_mm[b])) for a, b in zip(starts, ends))


@dataclass(frozen=True, eq=False)
class TeethAlong:
    """Teeth along one excursion of the patient or the articulator: n steps, t teeth, v vertices.

    Attributes
    ----------
    way_mm : ndarray, shape (n,), mm
        Way of the condyles at each reached step.
    places : tuple of str
        Lower teeth (ISO 3950); on a lower without labels, the landmark that each part is near.
    teeth : tuple of int
        ISO 3950, 0 without labels.
    where : tuple of {"working", "non_working", "protrusive"}
        Side of each tooth in this excursion; the mandible moves to the working side.
    clearance_mm : ndarray, shape (n, t), mm
        Least clearance of each tooth to the upper; negative: it reaches into the upper, so that
        one of the two is in the way; infinite beyond 1 mm.
    against : ndarray of int, shape (n, t)
        Upper tooth nearest to it, 0 where unknown.
    end_mm : ndarray, shape (t,), mm
        Least clearance at the last step; infinite beyond 3 mm.
    vertex_end_mm, vertex_least_mm : ndarray, shape (v,), mm
        At the lower's occlusal vertices: at the last step (up to 3 mm) and least after the start
        (up to 1 mm).
    """

    way_mm: FloatArray
    places: tuple[str, ...]
    teeth: tuple[int, ...]
    where: tuple[Where, ...]
    clearance_mm: FloatArray
    against: NDArray[np.int64]
    end_mm: FloatArray
    vertex_end_mm: FloatArray
    vertex_least_mm: FloatArray

    @property
    def touching(self) -> NDArray[np.bool_]:
        """Whether each tooth touches (or is in the way) at each step, shape (n, t)."""
        return self.clearance_mm <= NEAR_CONTACT_MM

    @property
    def touched(self) -> NDArray[np.bool_]:
        """Whether each tooth touches anywhere after the start, shape (t,)."""
        return np.asarray(self.touching[1:].any(axis=0))

    @property
    def apart(self) -> NDArray[np.bool_]:
        """Whether each tooth stays clearly apart from the upper, start included, shape (t,)."""
        return np.asarray(self.clearance_mm.min(axis=0) > CLEARLY_APART_MM)

    @property
    def least_mm(self) -> FloatArray:
        """Least clearance of each tooth after the start, shape (t,), mm."""
        after = self.clearance_mm[1:]
        return after.min(axis=0) if len(after) else np.full(len(self.places), np.inf)

    def spans_mm(self, tooth: int) -> tuple[tuple[float, float], ...]:
        """Parts of the way on which a tooth (by its index) touches, from and to, mm."""
        return spans_mm(self.way_mm, self.touching[:, tooth])

    def json_form(self) -> dict[str, Any]:
        """In result.json; clearances beyond 1 mm (at the end: 3 mm) are null."""
        least, rows = self.least_mm, []
        for i, place in enumerate(self.places):
            after = np.round(self.clearance_mm[1:, i], 6)  # the first of equals, not of noise
            at = int(after.argmin()) + 1 if len(after) else 0
            near = bool(np.isfinite(least[i]))
            rows.append(
                {
                    "place": place,
                    "tooth": self.teeth[i] or None,
                    "where": self.where[i],
                    "touches_mm": self.spans_mm(i),
                    "least_mm": to_nanometre(least[i]),
                    "least_at_mm": self.way_mm[at] if near else None,
                    "upper_tooth": (int(self.against[at, i]) or None) if near else None,
                    "end_mm": to_nanometre(self.end_mm[i]),
                }
            )
        return {"way_mm": self.way_mm, "teeth": rows}


def to_nanometre(value_mm: float) -> float:
    """Rounded, without a negative zero."""
    return round(float(value_mm), 6) + 0.0


@dataclass(frozen=True, eq=False)
class ToothPair:
    """Both casts at the start of the excursions, frame ``axis_orbital``, ready to be compared.

    Attributes
    ----------
    upper, lower : Cast
    places : tuple of str
    teeth : tuple of int
    place : ndarray of int, shape (n,)
        Index into ``places`` of each vertex of the lower, -1 for none.
    occlusal : ndarray of int
        Occlusal vertices of the lower.
    """

    upper: Cast
    lower: Cast
    places: tuple[str, ...]
    teeth: tuple[int, ...]
    place: NDArray[np.int64]
    occlusal: NDArray[np.intp]

    @cached_property
    def upper_surface(self) -> ClearanceSurface:
        """The upper, prepared."""
        return surface_of(self.upper)

    @cached_property
    def lower_surface(self) -> ClearanceSurface:
        """The lower, prepared."""
        return surface_of(self.lower)

    @cached_property
    def lower_tree(self) -> cKDTree:
        """The lower's vertices that belong to a place."""
        return cKDTree(self.lower.vertices_mm[self.place >= 0])

    @cached_property
    def upper_face_tooth(self) -> NDArray[np.int64]:
        """Tooth of each face of the upper."""
        return self.upper.tooth[self.upper.faces].max(axis=1).astype(np.int64)

    @cached_property
    def lower_face_place(self) -> NDArray[np.int64]:
        """Place of each face of the lower."""
        return np.asarray(self.place[self.lower.faces].max(axis=1))


def tooth_pair(
    upper: Cast,
    lower: Cast,
    occlusal: NDArray[np.intp],
    names: Sequence[str] = (),
    points_mm: FloatArray | None = None,
) -> ToothPair:
    """Divide the lower into its teeth; without labels, into what is nearest to each landmark.

    Parameters
    ----------
    upper, lower : Cast
        Frame ``axis_orbital``, the lower at the start.
    occlusal : ndarray of int
        Occlusal vertices of the lower.
    names, points_mm
        Landmarks, shape (k, 3), mm; used where the lower has no tooth labels.
    """
    place = np.full(len(lower.vertices_mm), -1, dtype=np.int64)
    if lower.labelled:
        numbers = [int(t) for t in np.unique(lower.tooth) if t > 0]
        for i, number in enumerate(numbers):
            place[lower.tooth == number] = i
        return ToothPair(
            upper, lower, tuple(str(n) for n in numbers), tuple(numbers), place, occlusal
        )
    if points_mm is None or not len(points_mm):
        place[:] = 0
        return ToothPair(upper, lower, ("lower cast",), (0,), place, occlusal)
    few = points_mm[:MAX_SITES]
    nearest = cKDTree(few[:, :2]).query(lower.vertices_mm[:, :2])[1]
    right = (lower.vertices_mm[:, 1] < 0.0).astype(np.int64)
    parts: list[str] = []
    for i, (name, point) in enumerate(zip(names, few)):
        here = nearest == i
        if abs(point[1]) < MIDLINE_MM:
            place[here] = len(parts) + right[here]
            parts += [f"left of {name}", f"right of {name}"]
        else:
            place[here] = len(parts)
            parts.append(name)
    return ToothPair(upper, lower, tuple(parts), (0,) * len(parts), place, occlusal)


def teeth_along(
    pair: ToothPair, path: ExcursionPath, motions: FloatArray, frame: RigidTransform
) -> TeethAlong:
    """Look at every reached step of an excursion.

    Parameters
    ----------
    pair : ToothPair
    path : ExcursionPath
    motions : ndarray, shape (n, 4, 4)
        Motion of the lower from the start at each reached step, frame ``axis_orbital``.
    frame : RigidTransform
        The path's frame ``articulator`` from ``axis_orbital``.

    Notes
    -----
    *Guarantee*: each clearance is the least of the distances of the lower's vertices to the
    upper's surface and of the upper's vertices to the lower's surface, within 1 mm (at the end
    3 mm from the lower's vertices); the tooth of a step's exact first contact counts as touching.
    Two edges that cross between their ends may be nearer than that. *Source*: derived here.
    """
    n, t = len(motions), len(pair.places)
    clearance, against = np.full((n, t), np.inf), np.zeros((n, t), dtype=np.int64)
    least = np.full(len(pair.occlusal), np.inf)
    for k, motion in enumerate(motions):
        gap, face = _lower_to_upper(pair, motion, ALONG_LIMIT_MM)
        _least_of(clearance[k], against[k], pair.place, gap, face, pair.upper_face_tooth)
        if k:
            np.minimum(least, gap[pair.occlusal], out=least)
        back = (pair.upper.vertices_mm - motion[:3, 3]) @ motion[:3, :3]
        gap, face = pair.lower_surface.clearance(back, ALONG_LIMIT_MM)
        place = np.where(face >= 0, pair.lower_face_place[face], -1)
        _least_of(clearance[k], against[k], place, gap, None, pair.upper.tooth)
        contact = path.reached[k].contact
        if path.reached[k].status == "on_teeth" and contact is not None:
            at = frame.inv().apply(contact.point_mm)
            nearest = pair.lower_tree.query((at - motion[:3, 3]) @ motion[:3, :3])[1]
            i = int(pair.place[pair.place >= 0][nearest])
            if clearance[k, i] > 0.0:
                clearance[k, i], against[k, i] = 0.0, contact.upper_tooth
    gap, face = _lower_to_upper(pair, motions[-1], CLEARANCE_LIMIT_MM)
    end = clearance[-1].copy()
    _least_of(end, np.zeros(t, dtype=np.int64), pair.place, gap, face, pair.upper_face_tooth)
    side = path.reached[-1].demand.side
    return TeethAlong(
        way_mm=path.way_mm,
        places=pair.places,
        teeth=pair.teeth,
        where=tuple(_where(pair, i, side) for i in range(t)),
        clearance_mm=clearance,
        against=against,
        end_mm=end,
        vertex_end_mm=gap[pair.occlusal],
        vertex_least_mm=least,
    )


def _lower_to_upper(
    pair: ToothPair, motion: FloatArray, limit_mm: float
) -> tuple[FloatArray, NDArray[np.int64]]:
    points = pair.lower.vertices_mm @ motion[:3, :3].T + motion[:3, 3]
    gap, face = pair.upper_surface.clearance(points, limit_mm)
    gap[pair.place < 0] = np.inf
    return gap, face


def _least_of(
    least: FloatArray,
    against: NDArray[np.int64],
    place: NDArray[np.int64],
    gap: FloatArray,
    face: NDArray[np.int64] | None,
    upper_tooth: NDArray[Any],
) -> None:
    """Lower the least clearance of each place, and note the upper tooth there."""
    near = np.flatnonzero(np.isfinite(gap) & (place >= 0))
    if not len(near):
        return
    near = near[np.argsort(-gap[near], kind="stable")]  # the nearest of a place is written last
    found = np.full(len(least), -1, dtype=np.int64)
    found[place[near]] = near
    there = np.flatnonzero(found >= 0)
    better = there[gap[found[there]] < least[there]]
    least[better] = gap[found[better]]
    at = found[better] if face is None else face[found[better]]
    against[better] = upper_tooth[at]


def _where(pair: ToothPair, i: int, side: float) -> Where:
    if side == 0.0:
        return "protrusive"
    if pair.teeth[i]:
        left = tooth_side(pair.teeth[i]) > 0
    else:
        part = pair.lower.vertices_mm[pair.place == i]
        left = bool(len(part)) and float(part[:, 1].mean()) > 0.0
    return "working" if left == (side > 0.0) else "non_working"


@dataclass(frozen=True, eq=False)
class TeethCompared:
    """Teeth along one excursion in the mouth and on the articulator.

    Notes
    -----
    A tooth touches on one of them only where it stays more than 0.1 mm clear on the other all the
    way: what the steps happen to meet, or a few micrometres about the limit of touching, does not
    make the two differ. *Source*: derived here.
    """

    patient: TeethAlong
    articulator: TeethAlong

    @property
    def only_articulator(self) -> tuple[str, ...]:
        """Lower teeth that touch after the start on the articulator, and are apart in the mouth."""
        return self._only(self.articulator, self.patient)

    @property
    def only_patient(self) -> tuple[str, ...]:
        """Lower teeth that touch after the start in the mouth, and are apart on the articulator."""
        return self._only(self.patient, self.articulator)

    @staticmethod
    def _only(one: TeethAlong, other: TeethAlong) -> tuple[str, ...]:
        return tuple(np.array(one.places)[one.touched & other.apart].tolist())

    def json_form(self) -> dict[str, Any]:
        """``teeth`` of one excursion in result.json."""
        return {
            "near_contact_mm": NEAR_CONTACT_MM,
            "clearly_apart_mm": CLEARLY_APART_MM,
            "only_articulator": self.only_articulator,
            "only_patient": self.only_patient,
            "patient": self.patient,
            "articulator": self.articulator,
        }
