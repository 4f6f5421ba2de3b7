"""Uncertain inputs built by hand: a small arch in axis_orbital, axis width 110 mm."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from kinematics.case.read import case_from_dict
from kinematics.casts.cast import Cast
from kinematics.closure.place import PlacedCase, place
from kinematics.closure.tooth_contact import CastContacts
from kinematics.uncertainty.inputs import UncertaintyInputs
from kinematics.uncertainty.populations import OFFSETS, MeasuredPopulation

NAMES = ("37 cusp", "47 cusp", "incisal point")
TEETH = (37, 47, 31)
MARKS = np.array([[50.0, 25.0, -35.0], [50.0, -25.0, -35.0], [90.0, 0.0, -35.0]])
LOCATED = np.array([[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]])
PIN = np.array([130.0, 0.0, -35.0])


def placed(
    offsets: Any, *, casts: Any = None, mounting_covariance: Any = None, **tables: Any
) -> PlacedCase:
    """The arch placed: record open by 2 degrees, target as scanned; meshes as casts."""
    case = {
        "schema": "hingewise-case/1",
        "label": "by hand",
        "landmarks": [
            {"name": name, "tooth": tooth, "point_mm": point.tolist()}
            for name, tooth, point in zip(NAMES, TEETH, MARKS)
        ],
        "true_axis": {"width_mm": 110.0},
        "arbitrary_axis": dict(zip(OFFSETS, offsets)),
        "record": {"opening_deg": 2.0},
        "target": {"as_scanned": True},
        "pin": {"tip_mm": PIN.tolist()},
        "decision": {"tolerance_mm": 0.3, "stop": "equal_angle"},
    }
    bare = place(case_from_dict(case))
    if casts is not None:
        upper, lower = (
            Cast(
                arch, m.vertices, m.faces, np.zeros(len(m.vertices), dtype=int), "by hand", "0" * 64
            )
            for arch, m in zip(("upper", "lower"), casts)
        )
        bare = replace(bare, contacts=CastContacts(upper, lower))
    found = replace(bare.mounting, covariance=mounting_covariance)
    return replace(bare, case=case_from_dict({**case, **tables}), mounting=found)


def inputs(
    offsets: Any = (4.0, -3.0, 5.5, -1.0), *, case: dict[str, Any] | None = None, **changes: Any
) -> UncertaintyInputs:
    """Measured arbitrary axis and nothing uncertain; ``case`` as :func:`placed` takes it."""
    base = UncertaintyInputs(
        placed=placed(offsets, **(case or {})),
        population=MeasuredPopulation(np.array(offsets, dtype=float)),
        true_axis_covariance_mm2=np.zeros((4, 4)),
        record_sd_mm=0.0,
        target_sd_mm=0.0,
        stop="equal_angle",
        coverage=0.95,
        seed=1,
    )
    return replace(base, **changes)
