"""What the transfer itself costs: third reference point, stand setting, slip, weakest reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.case.read import Case
from kinematics.decision.third_point import ThirdPointEffect, third_point_effect_of_case
from kinematics.mounting.marks import SideExtension, SlipCost, side_extension, slip_cost
from kinematics.mounting.mount import Mounting

LATERAL_DEG = 8.0
"""Lateral turn for which the cost of a slip is stated (ours: about 12 mm at the incisors)."""


@dataclass(frozen=True, eq=False)
class Transfer:
    """Costs of the transfer, each None where the case does not hold the measurements.

    Attributes
    ----------
    third_point : ThirdPointEffect or None
    side_extension : SideExtension or None
    slip : SlipCost or None
    mounting_sd_mm : ndarray, shape (k, 3), or None
        Standard uncertainty of each landmark against the axis from the mounting alone, mm.
    repeat_first : str
        The reading whose standard deviation moves the casts most; empty where none is known.
    sentences : tuple of str
        The same in words.
    """

    third_point: ThirdPointEffect | None
    side_extension: SideExtension | None
    slip: SlipCost | None
    mounting_sd_mm: NDArray[np.float64] | None
    repeat_first: str
    sentences: tuple[str, ...]


def transfer_of(
    case: Case,
    mounting: Mounting,
    true_closing_deg: float,
    target_mm: NDArray[np.float64],
    pin_tip_record_mm: NDArray[np.float64],
    guidance: ArticulatorSettings,
) -> Transfer:
    """Collect the costs of a case's transfer.

    Parameters
    ----------
    case : Case
    mounting : Mounting
    true_closing_deg : float
        From record to target, closing positive.
    target_mm : ndarray, shape (k, 3), mm
        Landmarks at the target, ``axis_orbital``.
    pin_tip_record_mm : ndarray, shape (3,), mm
    guidance : ArticulatorSettings
        The patient's.
    """
    third = third_point_effect_of_case(
        case, mounting, true_closing_deg, target_mm, pin_tip_record_mm, guidance
    )
    extension, slip = None, None
    marks = case.marks
    if marks is not None:
        if marks.stand_width_mm is not None:
            extension = side_extension(
                marks.facial_width_mm, marks.stand_width_mm, marks.slip_left_mm
            )
        slip = slip_cost(
            mounting.arbitrary_axis,
            marks.slip_left_mm,
            closing_deg=true_closing_deg,
            lateral_deg=LATERAL_DEG,
        )
    spread = None if mounting.covariance is None else mounting.point_sd_mm(target_mm)
    measured = mounting.influences and mounting.method != "average"
    first = mounting.influences[0][0] if measured else ""
    return Transfer(
        third, extension, slip, spread, first, tuple(_sentences(third, extension, slip, mounting))
    )


def _sentences(
    third: ThirdPointEffect | None,
    extension: SideExtension | None,
    slip: SlipCost | None,
    mounting: Mounting,
) -> list[str]:
    out = []
    if third is not None:
        way = "superior" if third.error_superior_mm >= 0.0 else "inferior"
        out.append(
            f"A third reference point {abs(third.error_superior_mm):.1f} mm too {way} turns the "
            f"casts by {third.tilt_deg:+.2f} degrees: at equal angles and at tooth contact the "
            f"closure error stays (change {third.equal_angle_change_mm * 1e3:.1f} µm), with the "
            f"pin it changes by {third.pin_change_mm * 1e3:.1f} µm, and a sagittal condylar "
            f"inclination of {third.sagittal_deg[0]:.1f} degrees (mean of both sides) reads "
            f"{third.sagittal_deg[1]:.1f} degrees."
        )
    if third is not None and third.sd_superior_mm > 0.0:
        out.append(
            f"The third reference point's standard uncertainty of {third.sd_superior_mm:g} mm "
            f"makes that turn, and every sagittal guidance angle with it, uncertain by "
            f"{third.tilt_sd_deg:.2f} degrees; at equal angles and at tooth contact it is no part "
            "of the closure error's spread."
        )
    if extension is not None:
        out.append(
            f"Centred on the stand, each side extends by {extension.each_side_mm:.1f} mm; as set, "
            f"left {extension.left_mm:.1f} mm and right {extension.right_mm:.1f} mm."
        )
    if slip is not None and slip.lateral_mm > 0.0:
        out.append(
            "The sideways slip along the axis makes no hinge error "
            f"({slip.hinge_error_mm * 1e3:.1f} µm), and moves lateral paths by "
            f"{slip.lateral_mm * 1e3:.0f} µm in a turn of {LATERAL_DEG:g} degrees."
        )
    if mounting.influences:
        name, size = mounting.influences[0]
        out.append(
            "The average mounting is nobody's measurement: one published standard deviation of "
            f"the {name} alone moves the teeth by {size:.1f} mm against the axis."
            if mounting.method == "average"
            else f"Of the mounting's readings, repeat {name!r} first: its standard deviation "
            f"moves the teeth by {size * 1e3:.0f} µm against the axis."
        )
    return out
