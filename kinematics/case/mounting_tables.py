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
    optional,
    refuse,
    required,
)
from kinematics.case.tables import check_apart

WhichAxis = Literal["true", "arbitrary"]
AXIS_POINTS = ("left_axis_point", "right_axis_point", "third_point")
"""Names that a distance reading may use besides the measured points on the casts."""


class MatrixMounting(Table):
    """A ready 4x4 from a scanner, tracker or registered volume."""

    method: Literal["matrix"] = required("How the casts relate to the axis")
    axis_orbital_from_upper_scan: RigidMatrix = required(
        "Pose of the upper scan; 4x4, translation in mm in the last column"
    )
    rotation_sd_deg: Annotated[float, Field(ge=0.0, le=45.0)] | None = optional(
        "Standard uncertainty, turn"
    )
    translation_sd_mm: Annotated[float, Field(ge=0.0, le=50.0)] | None = optional(
        "Standard uncertainty, shift"
    )


class Fiducial(Table):
    """One point known in both frames."""

    name: Text = required("Name")
    upper_scan_mm: Point = required("In the upper scan")
    axis_orbital_mm: Point = required("Against the axis")


class FiducialsMounting(Table):
    """Three or more points known in ``upper_scan`` and in ``axis_orbital``."""

    method: Literal["fiducials"] = required("How the casts relate to the axis")
    fiducials: Annotated[list[Fiducial], Field(min_length=3)] = required(
        "Points known in both frames, spread wide and not on a line"
    )
    sd_mm: Positive | None = optional("Standard uncertainty of a coordinate")

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

    method: Literal["average"] = required("How the casts relate to the axis")
    bonwill_arm_mm: Annotated[float, Field(ge=70.0, le=140.0)] = optional("Bonwill arm", 103.3)
    bonwill_base_mm: Annotated[float, Field(ge=60.0, le=150.0)] = optional(
        "Bonwill base; between the condyles", 99.6
    )
    balkwill_deg: Annotated[float, Field(ge=0.0, le=45.0)] = optional("Balkwill angle", 20.4)
    occlusal_to_axis_orbital_deg: Annotated[float, Field(ge=-30.0, le=45.0)] = optional(
        "Occlusal to axis-orbital plane", 13.6
    )
    # Three points in lower_scan: incisal point, distobuccal cusps of 37 and 47.
    incisal_point_mm: Point | None = optional("Incisal point, in the lower scan")
    left_molar_point_mm: Point | None = optional("Distobuccal cusp of 37, in the lower scan")
    right_molar_point_mm: Point | None = optional("Distobuccal cusp of 47, in the lower scan")

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

    method: Literal["axis_points"] = required("How the casts relate to the axis")
    axis: WhichAxis = optional("Axis they lie on", "true")
    left_point_mm: Point = required("Left axis point")
    right_point_mm: Point = required("Right axis point")
    third_point_mm: Point = required("Third reference point")
    sd_mm: NotNegative | None = optional("Standard uncertainty of a coordinate")

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
            got = f"a point {reach:.4g} mm from the axis"
            fix = "Give orbitale or another anterior reference point, in upper_scan."
            refuse(got, f"at least {MIN_POINT_DISTANCE_MM:g} mm", fix, "third_point_mm")
        return self


class MeasuredPoint(Table):
    """A point of the casts that readings refer to, in ``upper_scan`` (mm)."""

    name: Text = required("Name")
    tooth: Tooth | None = optional("Tooth, ISO")
    upper_scan_mm: Point = required("In the upper scan")


class Reading(Table):
    """One caliper reading.

    ``distance`` between two points; or of one point: ``height`` above the axis-orbital plane,
    ``anterior`` in front of the axis, ``left`` of the midline (each negative the other way).
    """

    kind: Literal["distance", "height", "anterior", "left"] = required("Kind")
    from_: Text | None = Field(default=None, alias="from", description="From (or of)")
    to: Text | None = optional("To")
    of: Text | None = optional("Point of a height, anterior or left reading")
    mm: Annotated[float, Field(ge=-400.0, le=400.0)] = required("Reading")
    sd_mm: Annotated[float, Field(gt=0.0, le=50.0)] = optional("Repeat or sd", 0.5)

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

    method: Literal["distances"] = required("How the casts relate to the axis")
    axis: WhichAxis = optional("Axis that the axis points lie on", "true")
    points: Annotated[list[MeasuredPoint], Field(min_length=1)] = required(
        "Points of the upper that the calipers touch"
    )
    readings: Annotated[list[Reading], Field(min_length=1)] = required("Caliper readings")

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
                    need = f"one of {', '.join((*AXIS_POINTS, *names))}"
                    fix = "Correct the name or add it to [[mounting.points]]."
                    refuse(f"{name!r}", need, fix, f"readings.{i}.{key}")
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

    name: Text | None = optional("Name of the opening")
    opening_deg: Annotated[float, Field(ge=-60.0, le=60.0)] | None = optional("Opening, roughly")
    weight: Annotated[float, Field(gt=0.0, le=100.0)] = optional("Weight in the fit", 1.0)


class Track(Table):
    """Positions of one point of the lower while it opens, in ``upper_scan``."""

    name: Text | None = optional("Name of the tracked point")
    points_mm: Annotated[Points, Field(min_length=4, max_length=100_000)] = required(
        "Positions of the point, in the upper scan"
    )


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

    left: Point = required("Direction to the patient's left, in the upper scan")
    openings: list[Opening] = Field(
        default_factory=list, description="The lower at two or more openings"
    )
    tracks: list[Track] = Field(
        default_factory=list, description="Tracked points, in place of openings"
    )
    registration_rms_mm: Noise | None = optional(
        "Registration error at the arch; 3-D, root mean square"
    )
    tracking_sd_mm: Noise | None = optional("Standard deviation of a tracked coordinate")
    left_half_width_mm: HalfWidth = optional("From the midline to the left axis point", 55.0)
    right_half_width_mm: HalfWidth = optional("From the midline to the right axis point", 55.0)
    include_scanned_pose: bool = optional(
        "Whether the scanned pose counts as an opening of 0 degrees", True
    )
    reference_points_mm: Points | None = optional(
        "Where the fit is judged; else at the lower's own vertices"
    )

    @model_validator(mode="after")
    def enough(self) -> AxisLocation:
        """One kind of recording, enough of it, with its own error."""
        if bool(self.openings) == bool(self.tracks):
            got = "both openings and tracks" if self.openings else "neither openings nor tracks"
            refuse(got, "one of them", "Keep the recordings that you trust more.", "openings")
        if self.openings and len(self.openings) + self.include_scanned_pose < 2:
            fix = "Add another opening, or set include_scanned_pose = true."
            refuse("one opening", "at least 2, the scanned pose included", fix, "openings")
        if self.tracks and self.registration_rms_mm is not None:
            fix = "Rename it: a standard deviation of each coordinate."
            refuse("registration_rms_mm with tracks", "tracking_sd_mm", fix, "registration_rms_mm")
        if self.openings and self.tracking_sd_mm is not None:
            fix = "Rename it: the 3-D RMS registration error at the arch."
            refuse("tracking_sd_mm with openings", "registration_rms_mm", fix, "tracking_sd_mm")
        return self


class LocatedAxisMounting(AxisLocation):
    """``[mounting] method = "located_axis"``: the located axis and a third reference point."""

    method: Literal["located_axis"] = required("How the casts relate to the axis")
    third_point_mm: Point = required("Third reference point")


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
