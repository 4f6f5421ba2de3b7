"""Columns of a sweep for the excursions: the worst error of each, patient against articulator."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from kinematics.closure.place import PlacedCase
from kinematics.excursions.compare import EXCURSIONS
from kinematics.excursions.excursion_case import case_excursions, case_geometry, front_of

Columns = dict[str, NDArray]

STEPS = 4
"""Steps of each excursion (ours): on the pin the end pose does not depend on their number."""
TEETH_STEPS = 20
"""The same where teeth guide, as in an assessment: what they do on the way counts there."""


def excursion_columns(placed: PlacedCase) -> Columns:
    """Worst error (mm) and its landmark for each excursion of one case, columns of one row.

    The front is stopped as the case says; the casts are put together by hand. Where teeth guide,
    a row takes about as long as the excursions of an assessment (a second or two with casts of
    60,000 triangles), since the casts stand differently in each.

    Raises
    ------
    InputError
        Impossible settings.
    """
    case, geometry = placed.case, placed.geometry()
    front = front_of(case)
    upper, lower = (None, None) if front == "pin" else (placed.upper, placed.lower)
    if lower is not None:
        lower = lower.moved(geometry.poses.target_from_scanned)
    errors = case_excursions(
        case,
        case_geometry(case, geometry, upper, lower),
        steps=STEPS if front == "pin" else TEETH_STEPS,
    )
    out = empty_excursion_columns()
    for kind, error in errors.kinds.items():
        size = np.linalg.norm(error.error_mm, axis=2).max(axis=0)
        worst = int(np.argmax(size))
        out[f"excursion_error_mm.{kind}"] = np.array([size[worst]])
        out[f"excursion_landmark.{kind}"] = np.array([errors.names[worst]], dtype=object)
        out[f"excursion_complete.{kind}"] = np.array([error.complete])
    return out


def empty_excursion_columns() -> Columns:
    """What stands in a row that has no result."""
    out: Columns = {}
    for kind in EXCURSIONS:
        out[f"excursion_error_mm.{kind}"] = np.full(1, np.nan)
        out[f"excursion_landmark.{kind}"] = np.array([""], dtype=object)
        out[f"excursion_complete.{kind}"] = np.array([False])
    return out
