"""The ``[mounting]`` table that locates the true axis from scans, poses or tracks."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, model_validator

from kinematics.case.fields import LowerPosition, Point, Table, Text, refuse

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
    def _enough(self) -> AxisLocation:
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
