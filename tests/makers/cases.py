"""Cases for the tests: the real scan pairs, and a plain case of landmarks only."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from kinematics.case.read import Case, case_from_dict
from tests.makers.casts import CONDYLAR_AXIS, scan_pair


def open_pair(scans: Path, **changes: Any) -> Case:
    """The real open pair: record as scanned, closing to first contact."""
    return case_from_dict(
        {
            "schema": "hingewise-case/1",
            "label": "open pair",
            "casts": {
                "upper": str(scans / "open_pair_upper.stl"),
                "lower": str(scans / "open_pair_lower.stl"),
                "scanned_at": "record",
                "allow_outside": True,
            },
            "mounting": {
                "method": "axis_points",
                "left_point_mm": CONDYLAR_AXIS.left_point_mm.tolist(),
                "right_point_mm": CONDYLAR_AXIS.right_point_mm.tolist(),
                # No orbitale on these scans: a point ahead at condylar height stands in for it.
                "third_point_mm": [58.28, 0.0, 137.77],
            },
            "arbitrary_axis": {
                "left_anterior_mm": 4.0,
                "left_superior_mm": -3.0,
                "right_anterior_mm": 5.5,
                "right_superior_mm": -1.0,
            },
            "record": {"as_scanned": True},
            "target": {"first_contact": True},
            **changes,
        }
    )


def closed_pair(scans: Path, **changes: Any) -> Case:
    """The closed pair (x to the patient's left, y up, z anterior): a 3 mm record, then as scanned.

    Mounted by averages on three points of the lower: the highest front one, put at the midline, and
    the highest on each side 30 to 36 mm behind it, at its second molars.
    """
    lower = scan_pair("closed")[1][0]
    front = lower[(np.abs(lower[:, 0]) < 3.0) & (lower[:, 2] > lower[:, 2].max() - 6.0)]
    incisal = front[np.argmax(front[:, 1])] * [0.0, 1.0, 1.0]  # the pair is symmetric about x = 0
    molars = []
    for side in (1.0, -1.0):
        behind = incisal[2] - lower[:, 2]
        part = lower[(side * lower[:, 0] > 15.0) & (behind > 30.0) & (behind < 36.0)]
        molars.append(part[np.argmax(part[:, 1])])
    return case_from_dict(
        {
            "schema": "hingewise-case/1",
            "label": "closed pair",
            "casts": {
                "upper": str(scans / "closed_pair_upper.stl"),
                "lower": str(scans / "closed_pair_lower.stl"),
                "allow_outside": True,
            },
            "mounting": {
                "method": "average",
                "incisal_point_mm": incisal.tolist(),
                "left_molar_point_mm": molars[0].tolist(),
                "right_molar_point_mm": molars[1].tolist(),
            },
            "true_axis": {"width_mm": 99.6},
            "arbitrary_axis": {
                "left_anterior_mm": 4.0,
                "left_superior_mm": -3.0,
                "right_anterior_mm": 5.5,
                "right_superior_mm": -1.0,
            },
            "record": {"thickness_mm": 3.0, "site": "incisors"},
            "target": {"as_scanned": True},
            **changes,
        }
    )


def landmarks_only(**changes: Any) -> Case:
    """A case without casts: three landmarks in ``axis_orbital`` (a scenario of our own)."""
    return case_from_dict(
        {
            "schema": "hingewise-case/1",
            "label": "landmarks only",
            "true_axis": {"width_mm": 110.0},
            "arbitrary_axis": {
                "left_anterior_mm": 5.0,
                "left_superior_mm": 0.0,
                "right_anterior_mm": 5.0,
                "right_superior_mm": 0.0,
            },
            "record": {"thickness_mm": 3.0, "site": "incisors"},
            "target": {"as_scanned": True},
            "pin": {"tip_mm": [130.0, 0.0, -35.0]},
            "landmarks": [
                {"name": "incisal point", "tooth": 31, "point_mm": [90.0, 0.0, -35.0]},
                {"name": "37 buccal cusp", "tooth": 37, "point_mm": [50.0, 25.0, -35.0]},
                {"name": "47 buccal cusp", "tooth": 47, "point_mm": [50.0, -25.0, -35.0]},
            ],
            **changes,
        }
    )


def marks(*points: tuple[str, int | None, list[float]]) -> list[dict[str, Any]]:
    """Landmarks in the form of a case file, from name, tooth or None, and point."""
    return [
        {"name": name, "point_mm": point} | ({} if tooth is None else {"tooth": tooth})
        for name, tooth, point in points
    ]
