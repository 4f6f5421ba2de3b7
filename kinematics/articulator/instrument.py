"""The arcon articulator: its settings, their published averages, and its geometry.

Guidance sits on the upper member, the condylar elements (centres of spheres) on the lower. The
same record also describes guidance that opens with the mandible (surfaces on the lower member),
so that the two can be compared. Everything is in the frame ``articulator``: origin midway
between the elements at the start, +x anterior, +y to the patient's left, +z superior.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform

from kinematics.articulator import guides
from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis, as_point, opening_motion
from kinematics.base.errors import InputError

Member = Literal["upper", "lower"]

INTERCONDYLAR_RANGE_MM = (60.0, 200.0)
"""Accepted distance of the condylar elements (ours; 85 to 113 mm are reported for condyles)."""
MIN_PIN_REACH_MM = 20.0
"""Least anterior distance of the pin tip from the hinge axis (ours)."""
START_TOLERANCE_MM = 1e-9
"""How far the table may reach above the pin tip at the start (rounding only)."""

AVERAGE_INTERCONDYLAR_MM = 99.6
"""Mean intercondylar base, CBCT n=120, 85.2 to 112.6 mm (PubMed 26734666)."""
AVERAGE_INCLINATION_DEG = 41.9
"""Mean sagittal condylar angle, n=32, SD 7.8 (J Prosthodont 2013;22:561-565, abstract READ)."""
AVERAGE_BENNETT_DEG = 8.15
"""Mean of 7.3 left and 9.0 right deg, n=47 (IADR 2013 abstract 177411)."""
BENNETT_OFFSET_DEG, BENNETT_DIVISOR = 12.0, 8.0
"""Constants of the rule L = H / 8 + 12 (e.g. Bhawsar et al., J Indian Prosthodont Soc 2015)."""


def bennett_from_inclination(inclination_deg: float) -> float:
    """Bennett (lateral) angle by the rule L = H / 8 + 12, degrees.

    Notes
    -----
    A rule of thumb, not a measurement: the same patient's lateral record may say otherwise.
    *Source*: as quoted by Bhawsar SV et al., J Indian Prosthodont Soc 2015.
    """
    return inclination_deg / BENNETT_DIVISOR + BENNETT_OFFSET_DEG


@dataclass(frozen=True)
class ArticulatorSettings:
    """Settings of an articulator, or of a patient's own guidance, named as in the case file.

    The defaults are published averages (of the incisal table: flat). A mean is not the patient.

    Attributes
    ----------
    intercondylar_mm : float, mm
        Distance of the two condylar elements' centres.
    sagittal_inclination_left_deg, sagittal_inclination_right_deg : float
        To the horizontal (axis-orbital) plane; of curved guides, at the start.
    bennett_left_deg, bennett_right_deg : float
        Of the wall that guides the left (right) element when it advances medially.
    immediate_side_shift_left_mm, immediate_side_shift_right_mm : float, mm
    guide_radius_left_mm, guide_radius_right_mm : float or None, mm
        Radius of the element's path; None for a flat guide.
    incisal_sagittal_deg, incisal_lateral_deg : float
        Of the incisal table, to the horizontal plane.
    """

    intercondylar_mm: float = AVERAGE_INTERCONDYLAR_MM
    sagittal_inclination_left_deg: float = AVERAGE_INCLINATION_DEG
    sagittal_inclination_right_deg: float = AVERAGE_INCLINATION_DEG
    bennett_left_deg: float = AVERAGE_BENNETT_DEG
    bennett_right_deg: float = AVERAGE_BENNETT_DEG
    immediate_side_shift_left_mm: float = 0.0
    immediate_side_shift_right_mm: float = 0.0
    guide_radius_left_mm: float | None = None
    guide_radius_right_mm: float | None = None
    incisal_sagittal_deg: float = 0.0
    incisal_lateral_deg: float = 0.0


def settings_from_case(
    table: Mapping[str, Any] | None, *, width_mm: float | None = None, bennett_rule: bool = False
) -> ArticulatorSettings:
    """Fill a case's optional settings up with averages.

    Parameters
    ----------
    table : mapping or None
        Settings by their names in the case file's ``[articulator]``; missing ones and None mean
        "not given".
    width_mm : float, optional
        Distance of the case's true-axis points; the default of ``intercondylar_mm``.
    bennett_rule : bool
        Take a missing Bennett angle from the side's inclination by L = H / 8 + 12 instead of
        the average.

    Raises
    ------
    InputError
        A name that is no setting, or a width that no articulator has. Values are checked when the
        articulator is built.
    """
    given = {name: value for name, value in (table or {}).items() if value is not None}
    known = ArticulatorSettings.__dataclass_fields__
    for name in given:
        if name not in known:
            need = f"one of {', '.join(known)}"
            raise InputError(f"articulator.{name}", "an unknown setting", need, "Correct the name.")
    if width_mm is not None and "intercondylar_mm" not in given:
        low, high = INTERCONDYLAR_RANGE_MM
        if not low <= width_mm <= high:
            where, fix = "articulator.intercondylar_mm", "Give intercondylar_mm."
            got = f"nothing, and true-axis points {width_mm:.4g} mm apart, which would stand for it"
            need = f"{low:g} to {high:g} mm between the condylar elements"
            raise InputError(where, got, need, fix)
        given["intercondylar_mm"] = width_mm
    settings = replace(ArticulatorSettings(), **given)
    for side in ("left", "right"):
        if bennett_rule and f"bennett_{side}_deg" not in given:
            angle = bennett_from_inclination(getattr(settings, f"sagittal_inclination_{side}_deg"))
            settings = replace(settings, **{f"bennett_{side}_deg": angle})
    return settings


@dataclass(frozen=True, eq=False)
class Articulator:
    """Geometry of an articulator (or of a patient's guidance) in the frame ``articulator``.

    Attributes
    ----------
    settings : ArticulatorSettings
    left, right : CondylarGuide
    table : IncisalTable
    pin_tip_mm : ndarray, shape (3,), mm
        Tip of the pin at opening 0, where upper and lower member coincide.
    guidance_on, pin_on : {"upper", "lower"}
        Which member carries the condylar guides ("upper" is the arcon one), and the pin (the
        table is on the other).
    start_opening_deg : float
        Hinge opening from which excursions start; not 0 where the vertical dimension has been
        changed since the guides were set.
    """

    settings: ArticulatorSettings
    left: guides.CondylarGuide
    right: guides.CondylarGuide
    table: guides.IncisalTable
    pin_tip_mm: FloatArray
    guidance_on: Member = "upper"
    pin_on: Member = "upper"
    start_opening_deg: float = 0.0

    @property
    def axis(self) -> HingeAxis:
        """Hinge axis at the start: the line through both condylar elements."""
        return HingeAxis(self.left.start_mm, self.right.start_mm)

    @property
    def start_pose(self) -> RigidTransform:
        """Pose of the lower member at the start, from its pose at opening 0."""
        return opening_motion(self.axis, self.start_opening_deg)


def build_articulator(
    settings: ArticulatorSettings,
    pin_tip_mm: ArrayLike,
    *,
    guidance_on: Member = "upper",
    pin_on: Member = "upper",
    table: guides.IncisalTable | None = None,
    table_point_mm: ArrayLike | None = None,
) -> Articulator:
    """Set an articulator.

    Parameters
    ----------
    settings : ArticulatorSettings
    pin_tip_mm : array_like, shape (3,), mm, frame ``articulator``
    guidance_on, pin_on : {"upper", "lower"}
    table : IncisalTable, optional
        A table of any shape, for instance one that follows the casts; in its place
        ``table_point_mm`` puts the table of the settings somewhere else than at the pin's tip.

    Raises
    ------
    InputError
        A setting out of range, a pin behind or too near the hinge axis, a table above the pin.
    """
    width = guides.check_range(
        "articulator.intercondylar_mm", settings.intercondylar_mm, INTERCONDYLAR_RANGE_MM, "mm"
    )
    sides: tuple[tuple[guides.Side, float], ...] = (("left", 1.0), ("right", -1.0))
    left, right = (
        guides.CondylarGuide(
            side,
            np.array([0.0, sign * 0.5 * width, 0.0]),
            getattr(settings, f"sagittal_inclination_{side}_deg"),
            getattr(settings, f"bennett_{side}_deg"),
            getattr(settings, f"immediate_side_shift_{side}_mm"),
            getattr(settings, f"guide_radius_{side}_mm"),
        )
        for side, sign in sides
    )
    tip = as_point(pin_tip_mm, "pin.tip_mm")
    if tip[0] < MIN_PIN_REACH_MM:
        got = f"a tip {tip[0]:.4g} mm in front of the hinge axis"
        fix = "Put the incisal pin in front of the teeth (x is anterior)."
        raise InputError("pin.tip_mm", got, f"at least {MIN_PIN_REACH_MM:g} mm", fix)
    if table is None:
        at = tip if table_point_mm is None else table_point_mm
        table = guides.incisal_table(
            at, settings.incisal_sagittal_deg, settings.incisal_lateral_deg
        )
    start = tip if pin_on == "lower" else 2.0 * table.point_mm - tip
    reach = float(-(table.gaps(start).min()))
    if reach > START_TOLERANCE_MM:
        got = f"a table above the pin: it reaches {reach:.4g} mm past the pin's tip at the start"
        need = "a table that the tip touches or does not reach"
        fix = "Move the table away or shorten the pin."
        raise InputError("articulator incisal table", got, need, fix)
    return Articulator(settings, left, right, table, tip, guidance_on, pin_on)


def raised(articulator: Articulator, opening_deg: float) -> Articulator:
    """Change the vertical dimension after the guides were set, and set the pin to its table.

    Parameters
    ----------
    articulator : Articulator
        At opening 0.
    opening_deg : float
        Hinge opening of the new start, degrees, opening positive (negative: lowered).

    Returns
    -------
    Articulator
        Same guides and table on the members that carry them; the pin, along z of its own
        member, made as long as the new start needs.

    Raises
    ------
    InputError
        Already raised; or the pin cannot meet the table.

    Notes
    -----
    What does not change is what arcon means: guides on the upper member keep their angle to the
    upper occlusal plane; guides on the lower member turn with it. *Source*: derived here.
    """
    if articulator.start_opening_deg != 0.0:
        got, fix = "an articulator already raised", "Raise the articulator as it was set."
        raise InputError("opening_deg", got, "one at opening 0", fix)
    pose = opening_motion(articulator.axis, opening_deg)
    table, tip = articulator.table, articulator.pin_tip_mm
    up = np.array([0.0, 0.0, 1.0])
    if articulator.pin_on == "lower":
        at, step = pose.apply(tip), pose.rotation.apply(up)
    else:
        at = 2.0 * table.point_mm - pose.inv().apply(tip)
        step = -pose.inv().rotation.apply(up)
    rate = table.normals @ step
    if np.any(np.abs(rate) < 0.1):
        got = f"a table that the pin runs along at an opening of {opening_deg:.4g} deg"
        fix = "Reduce the vertical change or the table's inclination."
        raise InputError("articulator.incisal_sagittal_deg", got, "a table across the pin", fix)
    lengths = table.gaps(at) / rate
    # Along +z the lower pin's tip rises to its roof; the upper pin's tip sinks to it likewise.
    length = float(lengths.min() if rate[0] > 0.0 else lengths.max())
    return replace(articulator, pin_tip_mm=tip + length * up, start_opening_deg=opening_deg)
