"""Records of an excursion: casts as a stop, contacts, steps, the path of the lower member."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.instrument import Articulator
from kinematics.articulator.solver import Demand, element_coordinates
from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis
from kinematics.casts.cast import Cast
from kinematics.contact.first_contact import PreparedPair, first_contact, prepare

Kind = Literal["hinge", "protrusion", "left_lateral", "right_lateral", "mixed"]
KINDS: tuple[Kind, ...] = ("hinge", "protrusion", "left_lateral", "right_lateral", "mixed")
Front = Literal["pin", "teeth", "first"]
StepStatus = Literal["on_pin", "on_teeth", "free", "unreachable", "locked"]


@dataclass(frozen=True, eq=False)
class ToothContact:
    """First contact of the teeth when the lower closes about the moved hinge axis.

    Attributes
    ----------
    status : {"contact", "already_touching", "none_in_range"}
    closing_deg : float
        From the pose asked about, closing positive.
    point_mm : ndarray, shape (3,), mm
    upper_tooth, lower_tooth : int
        ISO 3950, 0 where unknown.
    where : {"working", "non_working", "protrusive", "start", ""}
    """

    status: Literal["contact", "already_touching", "none_in_range"]
    closing_deg: float
    point_mm: FloatArray
    upper_tooth: int = 0
    lower_tooth: int = 0
    where: str = ""


class ToothStop(Protocol):
    """Anything that finds the first contact of the casts, as ``CastStop`` does."""

    def close(self, motion: RigidTransform, axis: HingeAxis, max_deg: float) -> ToothContact:
        """Close the lower, moved from the start by ``motion``, about ``axis``."""
        ...


@dataclass(frozen=True)
class Mix:
    """Any mix of protrusion and lateral excursion.

    Attributes
    ----------
    protrusion_mm : float, mm
        Advance of both elements.
    lateral_mm : float, mm
        Further advance of the orbiting element; positive: the mandible goes to the patient's left.
    side : float or None
        How much of the room at the orbiting element's medial wall is used, -1 to 1; None: in
        proportion to the lateral part, ``lateral / (protrusion + |lateral|)``.
    """

    protrusion_mm: float
    lateral_mm: float
    side: float | None = None


@dataclass(frozen=True, eq=False)
class ExcursionStep:
    """One pose on the way.

    Attributes
    ----------
    demand : Demand
    status : {"on_pin", "on_teeth", "free", "unreachable", "locked"}
        "free": hinge opening, no front stop. At "unreachable" and "locked" the excursion ends;
        such a step holds the last pose that was reached.
    motion : RigidTransform
        Of the lower from its start, frame ``articulator``.
    residual_mm : float
        Largest residual of the constraints in force.
    elements_mm : ndarray, shape (2, 3), mm
        Left and right condylar element in motion coordinates: of guides on the upper member, the
        place of the lower's elements.
    wall_gap_mm : tuple of float, mm
        Left and right element's room at its medial wall. The solver holds the orbiting element to
        its wall and leaves the working one free; a negative gap of the working element means
        that a wall there would stop the excursion.
    pin_gap_mm : float, mm
        Gap of pin and table: positive when the teeth hold the pin off.
    contact : ToothContact or None
    message : str
    """

    demand: Demand
    status: StepStatus
    motion: RigidTransform
    residual_mm: float
    elements_mm: FloatArray
    wall_gap_mm: tuple[float, float]
    pin_gap_mm: float
    contact: ToothContact | None = None
    message: str = ""

    @property
    def reached(self) -> bool:
        """Whether the pose belongs to the step asked for."""
        return self.status not in ("unreachable", "locked")


@dataclass(frozen=True, eq=False)
class ExcursionPath:
    """An excursion from the start; entry 0 is the start itself.

    Attributes
    ----------
    kind : {"hinge", "protrusion", "left_lateral", "right_lateral", "mixed"}
    articulator : Articulator
    steps : tuple of ExcursionStep
        Ends early, with the reason, where the excursion cannot go on.
    requested : int
        Number of steps asked for, not counting the start.
    """

    kind: Kind
    articulator: Articulator
    steps: tuple[ExcursionStep, ...]
    requested: int

    @property
    def reached(self) -> tuple[ExcursionStep, ...]:
        """The steps whose pose was reached."""
        return tuple(step for step in self.steps if step.reached)

    @property
    def complete(self) -> bool:
        """Whether the excursion went to its end."""
        return len(self.reached) == self.requested + 1

    @property
    def message(self) -> str:
        """Why the excursion ended early; empty when it did not."""
        return "" if self.complete else self.steps[-1].message

    def points_path(self, start_mm: ArrayLike) -> FloatArray:
        """Paths of lower points given at the start, shape (k, 3): shape (steps, k, 3), mm."""
        points = np.asarray(start_mm, dtype=np.float64).reshape(-1, 3)
        return np.stack([s.motion.apply(points).reshape(-1, 3) for s in self.reached])

    @property
    def way_mm(self) -> FloatArray:
        """Way of the condylar elements at each reached step, shape (n,), mm.

        The immediate side shift first, then the advance along the guide of the side that goes
        farther.
        """
        demands = [s.demand for s in self.reached]
        advance = np.array([max(d.advance_left_mm, d.advance_right_mm) for d in demands])
        side = demands[-1].side if demands else 0.0
        guide = self.articulator.right if side > 0.0 else self.articulator.left
        shift = guide.immediate_side_shift_mm * np.abs([d.side for d in demands])
        return np.asarray(advance + shift)

    @property
    def side_shift_mm(self) -> FloatArray:
        """Sideways shift (left positive) of the working element, shape (steps,), mm.

        Of both elements' mean where neither works (protrusion, hinge).
        """
        out = []
        start = element_coordinates(self.articulator, self.articulator.start_pose)
        for step in self.reached:
            shift = step.elements_mm[:, 1] - start[:, 1]
            side = step.demand.side
            out.append(shift[0] if side > 0 else shift[1] if side < 0 else shift.mean())
        return np.array(out)


@dataclass(frozen=True, eq=False)
class CastStop:
    """Both casts as a stop for the front; made by :func:`cast_stop`.

    Attributes
    ----------
    upper, lower : Cast
        In the frame ``articulator``, the lower at the excursion's start.
    prepared : PreparedPair
    """

    upper: Cast
    lower: Cast
    prepared: PreparedPair

    def close(self, motion: RigidTransform, axis: HingeAxis, max_deg: float) -> ToothContact:
        """First contact when the lower, moved from its start, closes about an axis.

        Notes
        -----
        *Guarantee*: that of :func:`kinematics.contact.first_contact.first_contact`.
        """
        moved = self.prepared.with_lower_motion(motion)
        found = first_contact(moved, axis, max_closing_deg=max_deg)
        return ToothContact(
            found.status,
            found.closing_deg,
            found.point_mm,
            self.upper.face_tooth(found.upper_face),
            self.lower.face_tooth(found.lower_face),
        )


def cast_stop(upper: Cast, lower: Cast) -> CastStop:
    """Prepare two casts (frame ``articulator``, lower at the start) as a stop."""
    pair = prepare(upper.vertices_mm, upper.faces, lower.vertices_mm, lower.faces)
    return CastStop(upper, lower, pair)
