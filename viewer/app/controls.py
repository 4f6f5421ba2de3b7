"""What a control of the viewer means in the case file: departure, axis, stop, tolerance, front."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from kinematics.base.axis import HingeAxis
from kinematics.base.errors import InputError
from kinematics.case.read import Case, case_from_dict, case_to_dict
from kinematics.case.tables import Marks
from kinematics.closure.close import Closures
from kinematics.closure.stops import STOPS
from kinematics.excursions.settings import front_of
from viewer.figures.numbers import at_side

OFFSETS = ("left_anterior_mm", "left_superior_mm", "right_anterior_mm", "right_superior_mm")
"""Controls of the arbitrary axis, by side."""
CHOICES = {"stop": ("decision", STOPS), "front": ("articulator", ("pin", "teeth", "first"))}
"""Table of the case and values of the controls that choose: the stop, the front in excursions."""
CONTROLS = ("departure_mm", *OFFSETS, "stop", "tolerance_mm", "front")
"""Every control that changes the case."""
DEPARTURE_LIMIT_MM = 30.0
"""Largest departure accepted, mm at the incisors (ours; pure hinge opening reaches about 20)."""


def number(control: str, text: Any) -> float:
    """Read what was typed or slid.

    Raises
    ------
    InputError
        Not a finite number. A comma is taken for a decimal point.
    """
    try:
        value = float(str(text).strip().replace("−", "-").replace(",", "."))
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        raise InputError(control, repr(str(text)[:20]), "a number", "Type digits, such as 2.5.")
    return value


def offsets(true: HingeAxis, arbitrary: HingeAxis) -> NDArray[np.float64]:
    """Where the arbitrary axis passes the true points: anterior, superior by side, shape (2, 2).

    Parameters
    ----------
    true, arbitrary : HingeAxis
        In ``axis_orbital``; the true axis lies along y.

    Returns
    -------
    ndarray, shape (2, 2), mm
        Rows left, right; columns anterior, superior. Read in the sagittal planes of the true
        points, since sliding along a line changes nothing.
    """
    points = (true.left_point_mm, true.right_point_mm)
    return np.array([(at_side(arbitrary, p[1]) - p)[[0, 2]] for p in points])


def control_values(reading: Closures) -> dict[str, Any]:
    """Value of every control for a case, rounded to what a control shows (1e-4 mm)."""
    case = reading.case
    off = offsets(reading.true_axis, reading.arbitrary_axis).reshape(4)
    return {
        "departure_mm": round(reading.departure_mm, 4),
        **{name: round(float(v), 4) for name, v in zip(OFFSETS, off)},
        "stop": case.decision.stop,
        "tolerance_mm": case.decision.tolerance_mm,
        "front": front_of(case),
    }


def axis_note(case: Case) -> str:
    """What the axis controls change where it is not the four offsets; else empty."""
    if case.marks is not None:
        return "The sliders move the arbitrary skin marks ([marks]); the located ones stay."
    if case.arbitrary_axis is not None and not case.arbitrary_axis.by_offsets:
        return "A change puts four offsets in place of the case's two points."
    return ""


def changed(reading: Closures, control: str, value: Any) -> Case:
    """Return the case with one control changed, checked as a case file is.

    Parameters
    ----------
    reading : Closures
        The last good state.
    control : str
        One of :data:`CONTROLS`.
    value : float or str
        As typed.

    Raises
    ------
    InputError
        The value cannot be used; ``where`` is the control's name.

    Notes
    -----
    The departure moves the record and leaves the target, except where the casts were scanned in
    the record: there the target moves. In a case of skin marks the axis controls move the
    arbitrary marks of their side. *Source*: derived here.
    """
    if control not in CONTROLS:
        raise InputError("control", repr(control), f"one of {', '.join(CONTROLS)}", "Reload.")
    data = case_to_dict(reading.case)
    if control in CHOICES:
        table, allowed = CHOICES[control]
        if value not in allowed:
            raise InputError(control, repr(value), f"one of {', '.join(allowed)}", "Choose one.")
        data.setdefault(table, {})[control] = value
    elif control == "tolerance_mm":
        data.setdefault("decision", {})["tolerance_mm"] = number(control, value)
    elif control == "departure_mm":
        set_departure(data, reading, number(control, value))
    else:
        now = offsets(reading.true_axis, reading.arbitrary_axis).reshape(4)
        axis = {name: round(float(v), 6) for name, v in zip(OFFSETS, now)}
        axis[control] = number(control, value)
        if reading.case.marks is None:
            data["arbitrary_axis"] = axis
        else:
            data["marks"] |= moved_marks(reading.case.marks, axis, control.split("_")[0])
    try:
        return case_from_dict(data, folder=reading.case.folder)
    except InputError as error:
        raise InputError(control, error.got, error.allowed, error.fix) from None


def moved_marks(marks: Marks, offsets_mm: dict[str, float], side: str) -> dict[str, float]:
    """Arbitrary marks of one side, along and square to the ruler, that give offsets of the axis."""
    turn = np.radians(marks.ruler_tilt_deg)
    anterior, superior = offsets_mm[f"{side}_anterior_mm"], offsets_mm[f"{side}_superior_mm"]
    along = np.cos(turn) * anterior + np.sin(turn) * superior
    square = np.cos(turn) * superior - np.sin(turn) * anterior
    return {
        f"{side}_arbitrary_{way}_mm": round(
            getattr(marks, f"{side}_located_{way}_mm") + float(moved), 6
        )
        for way, moved in (("anterior", along), ("superior", square))
    }


def set_departure(data: dict[str, Any], reading: Closures, departure_mm: float) -> None:
    """Put a departure into a case: as the target, or as the record's thickness or opening."""
    if abs(departure_mm) > DEPARTURE_LIMIT_MM:
        raise InputError(
            "departure_mm",
            f"{departure_mm:g} mm",
            f"at most {DEPARTURE_LIMIT_MM:g} mm either way",
            "Pure hinge opening reaches about 20 mm at the incisors.",
        )
    casts = reading.case.casts
    if casts is not None and casts.scanned_at == "record":
        data["target"] = {"vdo_change_mm": departure_mm, "site": "incisors"}
        return
    geometry, target = reading.geometry, reading.landmarks.incisal_point_mm
    scanned = reading.placed.landmarks.incisal_point_mm
    # The record's incisors stand `departure_mm` above the target's; thickness counts downwards.
    thickness = round(float(scanned[2] - target[2]) - departure_mm, 9)
    if thickness > 1e-6:
        data["record"] = {"thickness_mm": thickness, "site": "incisors"}
        return
    opening = float(geometry.record_openings_deg(np.array([departure_mm]))[0])
    if not np.isfinite(opening):
        raise InputError(
            "departure_mm",
            f"{departure_mm:g} mm",
            "a height that the incisors reach",
            "Choose a smaller departure.",
        )
    data["record"] = {"opening_deg": round(opening, 9)}
