"""What the transfer itself costs: third reference point, stand setting, slip, weakest reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.closure.close import Closures
from kinematics.decision.third_point import ThirdPointEffect, third_point_effect_of_case
from kinematics.decision.words import transfer_sentences
from kinematics.mounting.marks import SideExtension, SlipCost, side_extension, slip_cost

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


def transfer_of(closures: Closures, guidance: ArticulatorSettings) -> Transfer:
    """Collect the costs of a case's transfer.

    Parameters
    ----------
    closures : Closures
    guidance : ArticulatorSettings
        The patient's.
    """
    case, mounting = closures.case, closures.placed.mounting
    target_mm, true_closing_deg = closures.landmarks.points_mm, closures.true_closing_deg
    third = third_point_effect_of_case(
        case,
        mounting,
        true_closing_deg,
        target_mm,
        closures.geometry.pin_tip_record_mm,
        guidance,
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
        third,
        extension,
        slip,
        spread,
        first,
        transfer_sentences(third, extension, slip, mounting, LATERAL_DEG),
    )
