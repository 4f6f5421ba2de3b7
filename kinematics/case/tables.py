"""The plain tables of a case file: casts, axes, record, target, marks, uncertainty and the rest."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from kinematics.articulator.guides import (
    BENNETT_RANGE_DEG,
    INCLINATION_RANGE_DEG,
    MIN_RADIUS_MM,
    SIDE_SHIFT_RANGE_MM,
    TABLE_LATERAL_RANGE_DEG,
    TABLE_SAGITTAL_RANGE_DEG,
)
from kinematics.articulator.instrument import INTERCONDYLAR_RANGE_MM
from kinematics.base.axis import MAX_POINT_DISTANCE_MM, MIN_POINT_DISTANCE_MM
from kinematics.case.fields import (
    FileName,
    LowerPosition,
    NotNegative,
    Point,
    RigidMatrix,
    Table,
    Text,
    Tooth,
    optional,
    refuse,
    required,
)

AxisWidth = Annotated[float, Field(ge=MIN_POINT_DISTANCE_MM, le=MAX_POINT_DISTANCE_MM)]
Offset = Annotated[float, Field(ge=-50.0, le=50.0)]
Opening = Annotated[float, Field(ge=-60.0, le=60.0)]

# Limits of the articulator's settings are those of the articulator itself.
ElementDistance = Annotated[
    float, Field(ge=INTERCONDYLAR_RANGE_MM[0], le=INTERCONDYLAR_RANGE_MM[1])
]
Inclination = Annotated[float, Field(ge=INCLINATION_RANGE_DEG[0], le=INCLINATION_RANGE_DEG[1])]
Bennett = Annotated[float, Field(ge=BENNETT_RANGE_DEG[0], le=BENNETT_RANGE_DEG[1])]
SideShift = Annotated[float, Field(ge=SIDE_SHIFT_RANGE_MM[0], le=SIDE_SHIFT_RANGE_MM[1])]
GuideRadius = Annotated[float, Field(ge=MIN_RADIUS_MM)]
TableSagittal = Annotated[
    float, Field(ge=TABLE_SAGITTAL_RANGE_DEG[0], le=TABLE_SAGITTAL_RANGE_DEG[1])
]
TableLateral = Annotated[float, Field(ge=TABLE_LATERAL_RANGE_DEG[0], le=TABLE_LATERAL_RANGE_DEG[1])]

IDENTITY = ((1.0, 0.0, 0.0, 0.0), (0.0, 1.0, 0.0, 0.0), (0.0, 0.0, 1.0, 0.0), (0.0, 0.0, 0.0, 1.0))


class Casts(Table):
    """``[casts]``: the two meshes, their unit, and the pose in which the lower was scanned.

    Mesh coordinates are multiplied to mm first; every ``*_scan_mm`` point is in mm after that.
    """

    upper: FileName = required("Mesh of the upper; STL, PLY, OBJ or OFF")
    lower: FileName = required("Mesh of the lower")
    unit: Literal["mm", "cm", "m", "inch"] = optional("Unit of the mesh files", "mm")
    scanned_at: Literal["intercuspation", "record"] = optional("Lower scanned in", "intercuspation")
    upper_scan_from_lower_scan: RigidMatrix = optional(
        "Pose of the lower in the upper's frame, where they differ", IDENTITY
    )
    allow_outside: bool = optional("Whether files outside the case's folder may be named", False)


class TrueAxis(Table):
    """``[true_axis]``: in ``axis_orbital``, symmetric about the origin by definition."""

    width_mm: AxisWidth = required("Distance of the two true axis points")


class ArbitraryAxis(Table):
    """``[arbitrary_axis]``: offsets from the true points by side, or two points in a frame."""

    left_anterior_mm: Offset | None = optional("Anterior")
    left_superior_mm: Offset | None = optional("Superior")
    right_anterior_mm: Offset | None = optional("Anterior")
    right_superior_mm: Offset | None = optional("Superior")
    left_point_mm: Point | None = optional("Left point of the axis, in place of offsets")
    right_point_mm: Point | None = optional("Right point of the axis")
    frame: Literal["axis_orbital", "upper_scan"] | None = optional("Frame of the two points")

    @property
    def by_offsets(self) -> bool:
        """Whether the axis is given by its offsets from the true axis."""
        return self.left_anterior_mm is not None

    @model_validator(mode="after")
    def one_form(self) -> ArbitraryAxis:
        """Exactly one way to say it is used, whole."""
        offsets = ("left_anterior_mm", "left_superior_mm", "right_anterior_mm", "right_superior_mm")
        points = ("left_point_mm", "right_point_mm", "frame")
        have = [n for n in (*offsets, *points) if getattr(self, n) is not None]
        allowed = "either the four offsets or left_point_mm, right_point_mm and frame"
        if not have:
            refuse("no axis", allowed, f"Add {', '.join(offsets)}.")
        wanted = offsets if have[0] in offsets else points
        mixed = [n for n in have if n not in wanted]
        if mixed:
            refuse(f"both forms ({have[0]} and {mixed[0]})", allowed, "Remove one form.", mixed[0])
        missing = [n for n in wanted if n not in have]
        if missing:
            refuse("nothing", allowed, f"Add {', '.join(missing)}.", missing[0])
        if self.left_point_mm is not None and self.right_point_mm is not None:
            check_apart(self.left_point_mm, self.right_point_mm)
        return self


def check_apart(left: Point, right: Point) -> None:
    """Refuse two axis points that coincide or lie wider apart than any head (mm)."""
    gap = sum((a - b) ** 2 for a, b in zip(left, right)) ** 0.5
    if not MIN_POINT_DISTANCE_MM <= gap <= MAX_POINT_DISTANCE_MM:
        refuse(
            f"axis points {gap:.4g} mm apart",
            f"{MIN_POINT_DISTANCE_MM:g} to {MAX_POINT_DISTANCE_MM:g} mm",
            "Check both points and their unit (mm).",
            "left_point_mm",
        )


def exactly_one(table: Table, names: tuple[str, ...]) -> str:
    """Refuse none or several of the named keys; return the one that is given."""
    values = {n: getattr(table, n) for n in names}
    given = [n for n, v in values.items() if v is not None and v is not False]  # 0.0 is given
    if len(given) != 1:
        got = "none of them" if not given else " and ".join(given)
        refuse(got, f"exactly one of {', '.join(names)}", "Keep the one that you measured.")
    return given[0]


class Record(Table):
    """``[record]``: how far the interocclusal record held the jaws open, from the scanned pose."""

    thickness_mm: Annotated[float, Field(gt=0.0, le=40.0)] | None = optional(
        "Interocclusal record's thickness"
    )
    site: Text | None = optional("measured at (incisors, pin or tooth)")
    opening_deg: Opening | None = optional("Opening of the record from the scanned pose")
    as_scanned: bool = optional("Whether the record is the scanned pose", False)

    @model_validator(mode="after")
    def one_form(self) -> Record:
        """Exactly one way to say it is used, with its site."""
        form = exactly_one(self, ("thickness_mm", "opening_deg", "as_scanned"))
        check_site(self.site, form == "thickness_mm", "thickness_mm")
        return self


class Target(Table):
    """``[target]``: the jaw relation wanted, from the scanned pose, opening (raise) positive."""

    vdo_change_mm: Annotated[float, Field(ge=-40.0, le=40.0)] | None = optional(
        "Planned change of the vertical"
    )
    site: Text | None = optional("measured at")
    opening_deg: Opening | None = optional("Opening of the target from the scanned pose")
    as_scanned: bool = optional("Whether the target is the scanned pose", False)
    first_contact: bool = optional(
        "Whether the target is the first contact about the true axis", False
    )

    @model_validator(mode="after")
    def one_form(self) -> Target:
        """Exactly one way to say it is used, with its site."""
        names = ("vdo_change_mm", "opening_deg", "as_scanned", "first_contact")
        form = exactly_one(self, names)
        check_site(self.site, form == "vdo_change_mm", "vdo_change_mm")
        return self


def check_site(site: str | None, needed: bool, by: str) -> None:
    """Refuse a length without a site, and a site without a length."""
    if needed and site is None:
        refuse(
            "nothing",
            "'incisors', 'pin' or a landmark's name",
            f"Say where {by} is measured.",
            "site",
        )
    if not needed and site is not None:
        refuse(f"{site!r}", f"no site without {by}", "Remove site.", "site")


class Pin(Table):
    """``[pin]``: the incisal pin's tip in ``axis_orbital`` at the scanned pose."""

    tip_mm: Point | None = optional("Tip against the axis")


class Decision(Table):
    """``[decision]``: what the answer is measured by, and what ends closure on the articulator."""

    tolerance_mm: Annotated[float, Field(gt=0.0, le=10.0)] = optional(
        "Tolerance; no consensus: 0.1, 0.2, 0.3 and 0.5 are in use", 0.3
    )
    risk_limit: Annotated[float, Field(gt=0.0, lt=1.0)] = optional(
        "Chance of a tooth beyond the tolerance that you accept", 0.05
    )
    measure: Literal["displacement", "high"] = optional(
        "What the tolerance limits: displacement (3-D), or the amount high or out of contact",
        "displacement",
    )
    excursion_tolerance_mm: Annotated[float, Field(gt=0.0, le=10.0)] | None = optional(
        "Tolerance in excursions, where it is another"
    )
    stop: Literal["equal_angle", "pin", "contact"] = optional(
        "What ends the closure on the articulator", "pin"
    )


class Landmark(Table):
    """``[[landmarks]]``: a named point in ``lower_scan`` (mm)."""

    name: Text = required("Name")
    tooth: Tooth | None = optional("Tooth, ISO")
    point_mm: Point = required("In the lower scan; without casts, against the axis")


class Marks(Table):
    """``[marks]``: skin marks of both axes, each measured from one face landmark a side.

    Anterior and superior are along and square to the ruler; ``ruler_tilt_deg`` is how far the
    ruler's anterior end points above the axis-orbital plane.
    """

    face_landmark: Text = required("Landmark of the ruler's zero")
    left_arbitrary_anterior_mm: Offset = required("Arbitrary mark, anterior")
    left_arbitrary_superior_mm: Offset = required("Arbitrary mark, superior")
    left_located_anterior_mm: Offset = required("Located mark, anterior")
    left_located_superior_mm: Offset = required("Located mark, superior")
    right_arbitrary_anterior_mm: Offset = required("Arbitrary mark, anterior")
    right_arbitrary_superior_mm: Offset = required("Arbitrary mark, superior")
    right_located_anterior_mm: Offset = required("Located mark, anterior")
    right_located_superior_mm: Offset = required("Located mark, superior")
    facial_width_mm: Annotated[float, Field(ge=60.0, le=MAX_POINT_DISTANCE_MM)] = required(
        "Facial width at the located marks"
    )
    stand_width_mm: Annotated[float, Field(ge=60.0, le=MAX_POINT_DISTANCE_MM)] | None = optional(
        "Width of the mounting stand; it gives the side extension"
    )
    slip_left_mm: Offset = optional("Slip of the facebow to the patient's left", 0.0)
    ruler_tilt_deg: Annotated[float, Field(ge=-45.0, le=45.0)] = optional(
        "Ruler above the axis-orbital plane; of its anterior end", 0.0
    )


class ThirdPoint(Table):
    """``[third_point]``: the anterior reference point and how far off it may be.

    ``reach_mm`` is its distance from the axis; positive ``error_superior_mm`` means that the
    point used was above the true one; ``sd_superior_mm`` is its standard uncertainty, which makes
    guidance angles uncertain and no part of the closure error.
    """

    kind: Literal["orbitale", "below_nasion", "incisal_height"] = required(
        "Anterior reference point used"
    )
    below_nasion_mm: Annotated[float, Field(gt=0.0, le=60.0)] | None = optional("Below nasion")
    incisal_height_mm: Annotated[float, Field(gt=0.0, le=90.0)] | None = optional(
        "Above the incisal edge"
    )
    reach_mm: Annotated[float, Field(ge=MIN_POINT_DISTANCE_MM, le=200.0)] | None = optional(
        "Distance from the axis"
    )
    error_superior_mm: Offset = optional("Used too high by (negative: too low)", 0.0)
    sd_superior_mm: NotNegative = optional("Standard uncertainty of its height", 0.0)

    @model_validator(mode="after")
    def own_number_only(self) -> ThirdPoint:
        """Each kind of point has its own number."""
        for kind, name in (
            ("below_nasion", "below_nasion_mm"),
            ("incisal_height", "incisal_height_mm"),
        ):
            if self.kind == kind and getattr(self, name) is None:
                refuse("nothing", "a number in mm", f"kind = '{kind}' needs {name}.", name)
            if self.kind != kind and getattr(self, name) is not None:
                refuse("a value", f"no {name} with kind = '{self.kind}'", "Remove it.", name)
        return self


class Uncertainty(Table):
    """``[uncertainty]``: where the arbitrary axis may lie, and the readings' own uncertainty.

    ``true_axis_sd_mm`` 1.0: ours; axes located on an instrument lay within areas of up to 2.4 mm
    diameter (J Prosthet Dent 1979;42:135-144, abstract read). Not used where the mounting locates
    the axis from recordings.
    """

    arbitrary_axis: Literal["measured", "study", "normal", "disc", "empirical"] = optional(
        "Where the arbitrary point's uncertainty comes from", "measured"
    )
    study: Text | None = optional("Published study; for example schallhorn_1957")
    sd_anterior_mm: NotNegative | None = optional("Arbitrary point, anterior; standard uncertainty")
    sd_superior_mm: NotNegative | None = optional("Arbitrary point, superior; standard uncertainty")
    bias_anterior_mm: Offset = optional("Mean of the anterior error", 0.0)
    bias_superior_mm: Offset = optional("Mean of the superior error", 0.0)
    left_right_correlation: Annotated[float, Field(ge=-1.0, le=1.0)] = optional(
        "Correlation between left and right", 0.0
    )
    radius_mm: Annotated[float, Field(gt=0.0, le=50.0)] | None = optional(
        "Radius of the disc in which the point lies"
    )
    file: FileName | None = optional("CSV file of measured offsets")
    true_axis_sd_mm: Annotated[float, Field(ge=0.0, le=50.0)] = optional(
        "Located point, each way and side; standard uncertainty", 1.0
    )
    record_thickness_sd_mm: Annotated[float, Field(ge=0.0, le=10.0)] = optional(
        "Record's thickness; standard uncertainty", 0.1
    )
    target_sd_mm: Annotated[float, Field(ge=0.0, le=10.0)] = optional(
        "Vertical dimension reached; standard uncertainty", 0.0
    )
    coverage: Annotated[float, Field(gt=0.0, lt=1.0)] = optional(
        "Share of outcomes that an interval holds", 0.95
    )
    seed: Annotated[int, Field(ge=0, lt=2**63)] = optional("Start of the random numbers", 1)

    @model_validator(mode="after")
    def form_has_its_keys(self) -> Uncertainty:
        """Each form of the arbitrary axis has its keys, and only these."""
        own = {
            "study": ("study",),
            "normal": ("sd_anterior_mm", "sd_superior_mm"),
            "disc": ("radius_mm",),
            "empirical": ("file",),
        }
        for name in own.get(self.arbitrary_axis, ()):
            if getattr(self, name) is None:
                kind = f"arbitrary_axis = '{self.arbitrary_axis}'"
                refuse("nothing", f"a value with {kind}", f"Add {name}.", name)
        for kind, names in own.items():
            for name in names:
                if kind in {self.arbitrary_axis, "normal"} or getattr(self, name) is None:
                    continue
                now = f"arbitrary_axis = '{self.arbitrary_axis}'"
                refuse("a value", f"no {name} with {now}", f"Set '{kind}' or remove it.", name)
        return self


class GuidanceRecord(LowerPosition):
    """``[[articulator.records]]``: the lower in a protruded or lateral interocclusal record.

    A left lateral record tells the guide of the right side, which orbits.
    """

    kind: Literal["protrusive", "left_lateral", "right_lateral"] = required(
        "Movement that was recorded"
    )

    def tells(self, name: str) -> bool:
        """Whether the record alone sets an angle of the articulator, by its field."""
        if self.kind == "protrusive":
            return name.startswith("sagittal_inclination_")
        return name == f"bennett_{'right' if self.kind == 'left_lateral' else 'left'}_deg"


class ArticulatorTable(Table):
    """``[articulator]``: guidance settings of the articulator, and what stops its front.

    All optional. ``front`` is "pin" where it is left out; "teeth" and "first" need casts.
    ``bennett_rule``: a Bennett angle that neither a setting nor a record gives follows
    L = H / 8 + 12. ``records`` need casts; ``settings_from`` is "records" where there are any:
    the articulator is then set by them as it stands, on the arbitrary axis.
    """

    intercondylar_mm: ElementDistance | None = optional("Distance of the condylar elements")
    sagittal_inclination_left_deg: Inclination | None = optional("Sagittal condylar inclination")
    sagittal_inclination_right_deg: Inclination | None = optional("Sagittal condylar inclination")
    bennett_left_deg: Bennett | None = optional("Bennett angle")
    bennett_right_deg: Bennett | None = optional("Bennett angle")
    immediate_side_shift_left_mm: SideShift | None = optional("Immediate side shift")
    immediate_side_shift_right_mm: SideShift | None = optional("Immediate side shift")
    guide_radius_left_mm: GuideRadius | None = optional(
        "Radius of a curved guide; left out for a flat one"
    )
    guide_radius_right_mm: GuideRadius | None = optional(
        "Radius of a curved guide; left out for a flat one"
    )
    incisal_sagittal_deg: TableSagittal | None = optional("Table, sagittal")
    incisal_lateral_deg: TableLateral | None = optional("Table, lateral")
    front: Literal["pin", "teeth", "first"] | None = optional("Front guided by")
    bennett_rule: bool | None = optional("Whether a Bennett angle not given follows L = H / 8 + 12")
    settings_from: Literal["same_angles", "records"] | None = optional(
        "Settings by the records on this axis, or the patient's own angles"
    )
    records: list[GuidanceRecord] = Field(
        default_factory=list,
        max_length=3,
        description="Interocclusal records of guidance, one a movement",
    )

    @model_validator(mode="after")
    def each_angle_once(self) -> ArticulatorTable:
        """No angle is given and told by a record too."""
        kinds = [record.kind for record in self.records]
        for i, kind in enumerate(kinds):
            if kind in kinds[:i]:
                refuse(
                    f"a second {kind} record",
                    "one record of each kind",
                    "Keep the better one.",
                    f"records.{i}.kind",
                )
        for name in self.given():
            told = [record.kind for record in self.records if record.tells(name)]
            if told:
                refuse(
                    f"a value and a {told[0]} record that tells it",
                    "one of them",
                    "Remove the value, or the record.",
                    name,
                )
        return self

    def given(self) -> dict[str, float]:
        """The guidance settings that are given, by their names."""
        others = {"front", "bennett_rule", "settings_from", "records"}
        given: dict[str, float] = self.model_dump(exclude=others, exclude_none=True)
        return given
