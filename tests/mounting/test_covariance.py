"""Covariance of a mounting on the arbitrary axis: against every reading moved in turn."""

import numpy as np
import pytest

from kinematics.case.read import case_from_dict
from kinematics.mounting.frames import CAST_PROBES_MM, small_motion
from kinematics.mounting.mount import mount
from kinematics.mounting.rigid_fit import motion_jacobian
from tests.makers.mounted import LOWER, OFFSETS, case, points_mounting
from tests.mounting.test_distances import PLACES, THREE, readings

AXIS = np.array([(0.0, 55, 0), (0.0, -55, 0), (80.0, 30, 0)])
UNEQUAL = {
    "parallel": (5.0, 5.0, 5.0, 5.0),
    "crossed": (8.0, 6.0, -3.0, -4.0),
    "far": (10.0, 10.0, -10.0, -10.0),
}


def by_each_reading(mounted, at, count, sd, step=1e-3):
    """Standard uncertainty at incisors and molars from central differences of whole mountings."""
    frame = mounted.axis_orbital_from_upper_scan
    gain = []
    for i in range(count):
        ends = [at(i, sign * step).axis_orbital_from_upper_scan for sign in (1.0, -1.0)]
        gain.append((small_motion(ends[0], frame) - small_motion(ends[1], frame)) / (2 * step))
    j = motion_jacobian(CAST_PROBES_MM)
    moved = sd * j @ np.array(gain).T
    return np.sqrt((moved**2).sum(axis=2))


@pytest.mark.parametrize("offsets", UNEQUAL.values(), ids=UNEQUAL)
def test_axis_points_width_and_third_point_are_all_in_the_covariance(offsets):
    arbitrary = dict(zip(OFFSETS, offsets))

    def at(i=0, mm=0.0):
        moved = AXIS.copy().ravel()
        moved[i] += mm
        table = points_mounting(*moved.reshape(3, 3), axis="arbitrary", sd_mm=0.8)
        return mount(case(table, arbitrary_axis=arbitrary, true_axis=None))

    given = at().point_sd_mm(CAST_PROBES_MM)
    assert given == pytest.approx(by_each_reading(at(), at, 9, 0.8), rel=1e-4)
    # The reading to repeat: what each point alone does to whole mountings.
    probes = CAST_PROBES_MM
    mid = at().axis_orbital_from_upper_scan
    alone = {}
    for k, name in enumerate(("left axis point", "right axis point", "third point")):
        moves = [
            small_motion(at(3 * k + i, 1e-3).axis_orbital_from_upper_scan, mid) / 1e-3 * 0.8
            for i in range(3)
        ]
        moved = motion_jacobian(probes) @ np.array(moves).T
        alone[name] = np.sqrt((moved**2).sum() / len(probes))
    assert dict(at().influences) == pytest.approx(alone, rel=1e-3)


def test_readings_that_fit_width_and_third_point_carry_them_too():
    names = (*THREE, "palate")
    rows = readings(names, ("16 cusp",), third=True, sd=0.5)
    points = [{"name": n, "upper_scan_mm": list(PLACES[n])} for n in names]

    def at(i=0, mm=0.0):
        read = [dict(row) for row in rows]
        read[i]["mm"] += mm
        table = {"method": "distances", "axis": "arbitrary", "points": points, "readings": read}
        return mount(
            case_from_dict(
                {
                    "schema": "hingewise-case/1",
                    "label": "case 1",
                    "mounting": table,
                    "arbitrary_axis": dict(zip(OFFSETS, UNEQUAL["far"])),
                    "record": {"opening_deg": 2.0},
                    "target": {"opening_deg": 0.0},
                    "landmarks": [
                        {"name": n, "tooth": t, "point_mm": p} for n, (t, p) in LOWER.items()
                    ],
                }
            )
        )

    given = at().point_sd_mm(CAST_PROBES_MM)
    assert given == pytest.approx(by_each_reading(at(), at, len(rows), 0.5), rel=2e-3)
    squares = sum(mm**2 for _, mm in at().influences)
    assert squares == pytest.approx((given**2).sum() / len(CAST_PROBES_MM), rel=1e-9)
