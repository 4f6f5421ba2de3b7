"""The ``[mounting]`` table of a case file, one model a method, told apart by ``method``."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Discriminator, Field, model_validator

from kinematics.base.axis import MIN_POINT_DISTANCE_MM
from kinematics.case.fields import (
    LowerPosition,
    NotNegative,
    Point,
    Positive,
    RigidMatrix,
    Table,
    Text,
    Tooth,
    refuse,
)
from kinematics.case.tables import check_apart

WhichAxis = Literal["true", "arbitrary"]
AXIS_POINTS = ("left_axis_point", "right_axis_point", "third_point")
"""Names that a distance reading may use besides the measured points on the casts."""


class MatrixMounting(Table):
    """A ready 4x4 from a scanner, tracker or registered volume."""

    method: Literal["matrix"]
    axis_orbital_from_upper_scan: RigidMatrix
    rotation_sd_deg: Annotated[float, Field(ge=0.0, le=45.0)] | None = None
    translation_sd_mm: Annotated[float, Field(ge=0.0, le=50.0)] | None = None


class Fiducial(Table):
    """One point known in both frames."""

    name: Text
    upper_scan_mm: Point
    axis_orbital_mm: Point


class FiducialsMounting(Table):
    """Three or more points known in ``upper_scan`` and in ``axis_orbital``."""

    method: Literal["fiducials"]
    fiducials: Annotated[list[Fiducial], Field(min_length=3)]
    sd_mm: Positive | None = None

    @model_validator(mode="after")
    def names_differ(self) -> FiducialsMounting:
        """Every point has its own name."""
        check_unique([f.name for f in self.fiducials], "fiducials")
        return self


class AverageMounting(Table):
    """Bonwill triangle and Balkwill angle; the defaults are published averages, not a patient.

    ``bonwill_arm_mm`` 103.3, ``bonwill_base_mm`` 99.6 (between the condyles, not the width of the
    true axis's points) and ``balkwill_deg`` 20.4: CBCT, n = 120 (PubMed 26734666).
    ``occlusal_to_axis_orbital_deg`` 13.6: orbitale-tragus to ala-tragus, the latter parallel to
    the occlusal plane (Woelfel, Igarashi & Dong 2014); it turns the frame, not the hinge error.
    """

    method: Literal["average"]
    bonwill_arm_mm: Annotated[float, Field(ge=70.0, le=140.0)] = 103.3
    bonwill_base_mm: Annotated[float, Field(ge=60.0, le=150.0)] = 99.6
    balkwill_deg: Annotated[float, Field(ge=0.0, le=45.0)] = 20.4
    occlusal_to_axis_orbital_deg: Annotated[float, Field(ge=-30.0, le=45.0)] = 13.6
    # Three points in lower_scan: incisal point, distobuccal cusps of 37 and 47.
    incisal_point_mm: Point | None = None
    left_molar_point_mm: Point | None = None
    right_molar_point_mm: Point | None = None

    @model_validator(mode="after")
    def all_points_or_none(self) -> AverageMounting:
        """Three points make a plane; one or two do not."""
        names = ("incisal_point_mm", "left_molar_point_mm", "right_molar_point_mm")
        missing = [n for n in names if getattr(self, n) is None]
        if 0 < len(missing) < 3:
            refuse("nothing", "all three points or none", f"Add {missing[0]}.", missing[0])
        return self


class AxisPointsMounting(Table):
    """Axis points and third reference point, all seen in ``upper_scan`` (mm)."""

    method: Literal["axis_points"]
    axis: WhichAxis = "true"
    left_point_mm: Point
    right_point_mm: Point
    third_point_mm: Point
    sd_mm: NotNegative | None = None

    @model_validator(mode="after")
    def spread(self) -> AxisPointsMounting:
        """The axis points lie apart, and the third point lies off their axis."""
        check_apart(self.left_point_mm, self.right_point_mm)
        left, right, third = self.left_point_mm, self.right_point_mm, self.third_point_mm
        d = [a - b for a, b in zip(left, right)]
        q = [a - b for a, b in zip(third, right)]
        along = sum(a * b for a, b in zip(d, q)) / sum(a * a for a in d)
        reach = sum((b - along * a) ** 2 for a, b in zip(d, q)) ** 0.5
        if reach < MIN_POINT_DISTANCE_MM:
            refuse(
                f"a point {reach:.4g} mm from the axis",
                f"at least {MIN_POINT_DISTANCE_MM:g} mm",
                "Give orbitale or another anterior reference point, in upper_scan.",
                "third_point_mm",
            )
        return self


class MeasuredPoint(Table):
    """A point of the casts that readings refer to, in ``upper_scan`` (mm)."""

    name: Text
    tooth: Tooth | None = None
    upper_scan_mm: Point


class Reading(Table):
    """One caliper reading.

    ``distance`` between two points; or of one point: ``height`` above the axis-orbital plane,
    ``anterior`` in front of the axis, ``left`` of the midline (each negative the other way).
    """

    kind: Literal["distance", "height", "anterior", "left"]
    from_: Annotated[Text | None, Field(alias="from")] = None
    to: Text | None = None
    of: Text | None = None
    mm: Annotated[float, Field(ge=-400.0, le=400.0)]
    sd_mm: Annotated[float, Field(gt=0.0, le=50.0)] = 0.5

    @model_validator(mode="after")
    def own_keys(self) -> Reading:
        """A distance has two points, any other reading one."""
        need = {"from": self.from_, "to": self.to} if self.kind == "distance" else {"of": self.of}
        drop = {"of": self.of} if self.kind == "distance" else {"from": self.from_, "to": self.to}
        for name, value in need.items():
            if value is None:
                refuse("nothing", "a point's name", f"kind = '{self.kind}' needs {name}.", name)
        for name, value in drop.items():
            if value is not None:
                refuse(f"{value!r}", f"no {name} with kind = '{self.kind}'", "Remove it.", name)
        if self.kind == "distance":
            if self.mm <= 0:
                refuse(f"{self.mm:g}", "a distance above 0", "Give the caliper's reading.", "mm")
            if self.from_ == self.to:
                refuse(f"{self.to!r} twice", "two different points", "Correct one name.", "to")
        return self

    @property
    def title(self) -> str:
        """The reading in words, for tables and errors."""
        if self.kind == "distance":
            return f"{self.from_} to {self.to}"
        return f"{self.kind} of {self.of}"


class DistancesMounting(Table):
    """Caliper readings between axis points, third point and points of the casts."""

    method: Literal["distances"]
    axis: WhichAxis = "true"
    points: Annotated[list[MeasuredPoint], Field(min_length=1)]
    readings: Annotated[list[Reading], Field(min_length=1)]

    @model_validator(mode="after")
    def names_known(self) -> DistancesMounting:
        """Readings name points of the table."""
        check_unique([p.name for p in self.points], "points")
        names = {p.name: None for p in self.points}
        for p in self.points:
            if p.name in AXIS_POINTS:
                refuse(f"{p.name!r}", "a name of your own", "Rename the point.", "points")
        for i, reading in enumerate(self.readings):
            for key, name in (("from", reading.from_), ("to", reading.to), ("of", reading.of)):
                if name is not None and name not in (*AXIS_POINTS, *names):
                    refuse(
                        f"{name!r}",
                        f"one of {', '.join((*AXIS_POINTS, *names))}",
                        "Correct the name or add it to [[mounting.points]].",
                        f"readings.{i}.{key}",
                    )
        return self


def check_unique(names: list[str], field: str) -> None:
    """Refuse a name that is used twice."""
    seen: set[str] = set()
    for i, name in enumerate(names):
        if name in seen:
            refuse(f"{name!r} twice", "each name once", "Rename one.", f"{field}.{i}.name")
        seen.add(name)


HalfWidth = Annotated[float, Field(ge=20.0, le=100.0)]
Noise = Annotated[float, Field(gt=0.0, le=2.0)]
Points = Annotated[
    tuple[Point, ...], BeforeValidator(lambda v: tuple(v) if isinstance(v, list) else v)
]
"""A list of points in mm."""


class Opening(LowerPosition):
    """One opening: the lower's mesh in ``upper_scan``, or its pose."""

    name: Text | None = None
    opening_deg: Annotated[float, Field(ge=-60.0, le=60.0)] | None = None
    weight: Annotated[float, Field(gt=0.0, le=100.0)] = 1.0


class Track(Table):
    """Positions of one point of the lower while it opens, in ``upper_scan``."""

    name: Text | None = None
    points_mm: Annotated[Points, Field(min_length=4, max_length=100_000)]


class AxisLocation(Table):
    """What the true axis is located from: ``openings`` or ``tracks``.

    Attributes
    ----------
    left : point
        Roughly the direction to the patient's left, in ``upper_scan``.
    registration_rms_mm : float, optional
        Registration error at the arch (3-D, RMS); taken from the residuals where not given.
    tracking_sd_mm : float, optional
        Standard deviation of a tracked coordinate.
    include_scanned_pose : bool
        The pose in which the casts were scanned counts as the first opening, 0 degrees.
    reference_points_mm : points in ``lower_scan``, optional
        Where residual motion is measured; the lower's own vertices where it is given.
    """

    left: Point
    openings: list[Opening] = Field(default_factory=list)
    tracks: list[Track] = Field(default_factory=list)
    registration_rms_mm: Noise | None = None
    tracking_sd_mm: Noise | None = None
    left_half_width_mm: HalfWidth = 55.0
    right_half_width_mm: HalfWidth = 55.0
    include_scanned_pose: bool = True
    reference_points_mm: Points | None = None

    @model_validator(mode="after")
    def enough(self) -> AxisLocation:
        """One kind of recording, enough of it, with its own error."""
        if bool(self.openings) == bool(self.tracks):
            got = "both openings and tracks" if self.openings else "neither openings nor tracks"
            refuse(got, "one of them", "Keep the recordings that you trust more.", "openings")
        if self.openings and len(self.openings) + self.include_scanned_pose < 2:
            refuse(
                "one opening",
                "at least 2, the scanned pose included",
                "Add another opening, or set include_scanned_pose = true.",
                "openings",
            )
        if self.tracks and self.registration_rms_mm is not None:
            refuse(
                "registration_rms_mm with tracks",
                "tracking_sd_mm",
                "Rename it: a standard deviation of each coordinate.",
                "registration_rms_mm",
            )
        if self.openings and self.tracking_sd_mm is not None:
            refuse(
                "tracking_sd_mm with openings",
                "registration_rms_mm",
                "Rename it: the 3-D RMS registration error at the arch.",
                "tracking_sd_mm",
            )
        return self


class LocatedAxisMounting(AxisLocation):
    """``[mounting] method = "located_axis"``: the located axis and a third reference point."""

    method: Literal["located_axis"]
    third_point_mm: Point


AnyMounting = Annotated[
    MatrixMounting
    | FiducialsMounting
    | AverageMounting
    | AxisPointsMounting
    | DistancesMounting
    | LocatedAxisMounting,
    Discriminator("method"),
]
"""Any of the mounting tables."""
