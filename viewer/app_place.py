"""Place a case whose axis, record, target or decision was changed by a control, in milliseconds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from kinematics.case import Case
from kinematics.mounting import mount
from kinematics.placement import PlacedCase, clearly_apart

SAME = ("casts", "mounting", "true_axis", "marks", "landmarks", "third_point")
"""Tables that must be unchanged for the short way."""
PREPARED = ("upper_occlusal", "lower_occlusal", "lower_tree")
"""What a placed case prepares once."""


def place_again(placed: PlacedCase, case: Case) -> PlacedCase:
    """Place a changed case as :meth:`PlacedCase.with_case` does, without walking every triangle.

    Parameters
    ----------
    placed : PlacedCase
        The last good one.
    case : Case

    Raises
    ------
    InputError
        As :meth:`PlacedCase.with_case`, which does the work where the short way does not hold.
    """
    before = placed.case
    same = before.folder == case.folder and all(
        getattr(before, name) == getattr(case, name) for name in SAME
    )
    average = case.mounting is not None and case.mounting.method == "average"
    if not same or average:
        return placed.with_case(case)
    mounting = placed.mounting
    if case.arbitrary_axis != before.arbitrary_axis:
        mounting = mount(case, None, placed.located)
        here = placed.mounting.axis_orbital_from_upper_scan.as_matrix()
        if not np.array_equal(here, mounting.axis_orbital_from_upper_scan.as_matrix()):
            return placed.with_case(case)
        if not all(
            clearly_apart(mounting.arbitrary_axis, cast) for cast in (placed.upper, placed.lower)
        ):
            return placed.with_case(case)
    again = replace(placed, case=case, mounting=mounting)
    for name in PREPARED:
        if name in placed.__dict__:
            again.__dict__[name] = placed.__dict__[name]
    return again
