"""Guide surfaces of the arcon articulator: condylar housings and the incisal table.

Every surface is given in *motion coordinates*: where a point of the lower member stands relative
to the upper member. A surface is a roof that the point slides under; its gap is positive where
the point hangs below the roof (separated), zero on it, negative where it would have to be inside.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform

from kinematics.base.arrays import FloatArray, frozen
from kinematics.base.axis import as_point
from kinematics.base.errors import InputError

Side = Literal["left", "right"]

INCLINATION_RANGE_DEG = (-20.0, 80.0)
"""Accepted sagittal condylar inclination (ours; 26 to 62 deg are reported in people)."""
BENNETT_RANGE_DEG = (0.0, 45.0)
"""Accepted Bennett angle (ours)."""
SIDE_SHIFT_RANGE_MM = (0.0, 5.0)
"""Accepted immediate side shift (ours; up to 3.5 mm is reported)."""
MIN_RADIUS_MM = 6.0
"""Smallest accepted radius of a curved guide (ours): below it 5 mm of travel turns by 48 deg."""
TABLE_SAGITTAL_RANGE_DEG = (-20.0, 80.0)
"""Accepted sagittal inclination of the incisal table (ours)."""
TABLE_LATERAL_RANGE_DEG = (0.0, 80.0)
"""Accepted lateral inclination of the incisal table's wings (ours)."""


def check_range(where: str, value: float, allowed: tuple[float, float], unit: str) -> float:
    """Return a finite number within a closed range, or raise an error that names the setting."""
    try:
        number = float(value)
    except (TypeError, ValueError):
        number = float("nan")
    if not allowed[0] <= number <= allowed[1]:
        need = f"{allowed[0]:g} to {allowed[1]:g} {unit}"
        fix = "Correct the setting; leave it out to use the published average."
        raise InputError(where, f"{value!r}", need, fix)
    return number


@dataclass(frozen=True, eq=False)
class CondylarGuide:
    """One condylar housing: a roof, a rear stop and a medial wall.

    Parameters
    ----------
    side : {"left", "right"}
    start_mm : array_like, shape (3,), mm, frame ``articulator``
        Centre of the condylar element against the rear stop.
    inclination_deg : float
        Sagittal condylar inclination to the frame's horizontal plane, downwards and forwards
        positive. Of a curved guide: the inclination of its tangent at the start.
    bennett_deg : float
        Angle of the medial wall to the sagittal plane, seen in the horizontal plane.
    immediate_side_shift_mm : float, mm
        How far the element may go medially before it must advance.
    radius_mm : float or None, mm
        Radius of the centre's path where the roof is curved (it flattens as it runs forwards);
        None for a flat roof.

    Raises
    ------
    InputError
        A setting out of range; the error names it as the case file does.

    Notes
    -----
    The roof is ruled along the transverse axis. After an arc of length s a curved guide's chord
    is inclined by ``inclination - s / (2 R)``. *Source*: derived here.
    """

    side: Side
    start_mm: FloatArray
    inclination_deg: float
    bennett_deg: float = 0.0
    immediate_side_shift_mm: float = 0.0
    radius_mm: float | None = None

    def __post_init__(self) -> None:
        s = self.side
        object.__setattr__(self, "start_mm", as_point(self.start_mm, f"articulator.{s} start"))
        for name, allowed, unit in (
            ("sagittal_inclination", INCLINATION_RANGE_DEG, "deg"),
            ("bennett", BENNETT_RANGE_DEG, "deg"),
            ("immediate_side_shift", SIDE_SHIFT_RANGE_MM, "mm"),
        ):
            attribute = f"{name.removeprefix('sagittal_')}_{unit}"
            value = check_range(
                f"articulator.{name}_{s}_{unit}", getattr(self, attribute), allowed, unit
            )
            object.__setattr__(self, attribute, value)
        if self.radius_mm is not None and not MIN_RADIUS_MM <= self.radius_mm < np.inf:
            where, need = f"articulator.guide_radius_{s}_mm", f"at least {MIN_RADIUS_MM:g} mm"
            fix = "Correct the radius; leave it out for a flat guide."
            raise InputError(where, f"{self.radius_mm!r}", need, fix)

    @property
    def medial(self) -> float:
        """Sign of the medial direction along y: -1 on the left, +1 on the right."""
        return -1.0 if self.side == "left" else 1.0

    @property
    def travel_limit_mm(self) -> float:
        """Longest advance along the guide, mm: where a curved guide turns straight up."""
        if self.radius_mm is None:
            return float("inf")
        return self.radius_mm * float(np.radians(self.inclination_deg + 90.0))

    def forward_mm(self, advance_mm: float) -> float:
        """Anterior part of an advance measured along the guide, mm."""
        h = np.radians(self.inclination_deg)
        if self.radius_mm is None:
            return float(advance_mm * np.cos(h))
        half = 0.5 * advance_mm / self.radius_mm
        return float(2.0 * self.radius_mm * np.sin(half) * np.cos(h - half))

    def roof(self, point: FloatArray) -> tuple[float, FloatArray]:
        """Gap below the roof at a point (mm) and its gradient, shape (3,)."""
        h = np.radians(self.inclination_deg)
        up = np.array([np.sin(h), 0.0, np.cos(h)])
        q = point - self.start_mm
        if self.radius_mm is None:
            return float(-(q @ up)), -up
        flat = np.array([q[0], 0.0, q[2]])
        arm = flat - self.radius_mm * up
        length = float(np.linalg.norm(arm))
        # |q - R up| - R without cancellation near the start.
        gap = (flat @ flat - 2.0 * self.radius_mm * (flat @ up)) / (length + self.radius_mm)
        return float(gap), arm / length

    def wall(self, point: FloatArray) -> tuple[float, FloatArray]:
        """Gap between element and medial wall along y (mm, lateral positive) and its gradient."""
        slope = float(np.tan(np.radians(self.bennett_deg)))
        q = point - self.start_mm
        gap = self.immediate_side_shift_mm + slope * q[0] - self.medial * q[1]
        return float(gap), np.array([slope, -self.medial, 0.0])


@dataclass(frozen=True, eq=False)
class IncisalTable:
    """The incisal table as a roof of one or more planes in motion coordinates.

    Parameters
    ----------
    point_mm : array_like, shape (3,), mm
        The planes' common point: where pin and table meet at the start.
    normals : array_like, shape (k, 3)
        Unit normals, pointing to the side where pin and table are closed through each other.
    """

    point_mm: FloatArray
    normals: FloatArray

    def __post_init__(self) -> None:
        point = as_point(self.point_mm, "articulator incisal table")
        normals = np.array(self.normals, dtype=np.float64).reshape(-1, 3)
        normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
        object.__setattr__(self, "point_mm", point)
        object.__setattr__(self, "normals", frozen(normals))

    def gaps(self, point: ArrayLike) -> FloatArray:
        """Distance below each plane, shape (k,), mm; the table's gap is the least."""
        return -(self.normals @ (np.asarray(point, dtype=np.float64) - self.point_mm))

    def moved(self, b_from_a: RigidTransform) -> IncisalTable:
        """Return the table expressed in another frame (or moved)."""
        return IncisalTable(
            b_from_a.apply(self.point_mm), self.normals @ b_from_a.rotation.as_matrix().T
        )


def incisal_table(point_mm: ArrayLike, sagittal_deg: float, lateral_deg: float) -> IncisalTable:
    """Build the table from its sagittal and lateral inclination to the horizontal plane.

    Parameters
    ----------
    point_mm : array_like, shape (3,), mm
        Where pin and table meet at the start.
    sagittal_deg, lateral_deg : float
        A forward move by d lowers the front by ``d tan(sagittal)``, a sideways one by
        ``d tan(lateral)`` on either side.

    Raises
    ------
    InputError
        An inclination out of range.
    """
    sagittal = check_range(
        "articulator.incisal_sagittal_deg", sagittal_deg, TABLE_SAGITTAL_RANGE_DEG, "deg"
    )
    lateral = check_range(
        "articulator.incisal_lateral_deg", lateral_deg, TABLE_LATERAL_RANGE_DEG, "deg"
    )
    tan_s, tan_l = np.tan(np.radians(sagittal)), np.tan(np.radians(lateral))
    sides = (1.0, -1.0) if lateral > 0.0 else (0.0,)
    return IncisalTable(np.asarray(point_mm), np.array([[tan_s, s * tan_l, 1.0] for s in sides]))
