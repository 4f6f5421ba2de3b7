"""Uncertain inputs built by hand: a small arch in axis_orbital, axis width 110 mm."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from kinematics.closure.batch import ANGLE, OpeningRule
from kinematics.uncertainty.inputs import UncertaintyInputs
from kinematics.uncertainty.populations import MeasuredPopulation

NAMES = ("37 cusp", "47 cusp", "incisal point")
MARKS = np.array([[50.0, 25.0, -35.0], [50.0, -25.0, -35.0], [90.0, 0.0, -35.0]])
LOCATED = np.array([[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]])


def moved_points(offsets: Any) -> np.ndarray:
    out = LOCATED.copy()
    out[:, 0] += np.asarray(offsets)[0::2]
    out[:, 2] += np.asarray(offsets)[1::2]
    return out


def inputs(offsets: Any = (4.0, -3.0, 5.5, -1.0), **changes: Any) -> UncertaintyInputs:
    """Measured arbitrary axis, record open by 2 degrees, target as scanned, nothing uncertain."""
    base = UncertaintyInputs(
        names=NAMES,
        teeth=(37, 47, 31),
        landmarks_mm=MARKS,
        normals=np.tile([0.0, 0.0, 1.0], (3, 1)),
        incisal_mm=MARKS[2],
        pin_tip_mm=np.array([130.0, 0.0, -35.0]),
        located_points_mm=LOCATED,
        arbitrary_points_mm=moved_points(offsets),
        record=OpeningRule(ANGLE, 2.0, MARKS[2]),
        target=OpeningRule(ANGLE, 0.0, MARKS[2]),
        population=MeasuredPopulation(np.array(offsets, dtype=float)),
        true_axis_covariance_mm2=np.zeros((4, 4)),
        record_sd_mm=0.0,
        target_sd_mm=0.0,
        mounting_covariance=None,
        tolerance_mm=0.3,
        stop="equal_angle",
        coverage=0.95,
        seed=1,
    )
    return replace(base, **changes)
