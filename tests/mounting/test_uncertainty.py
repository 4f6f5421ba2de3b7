"""What a mounting says of its own uncertainty."""

import numpy as np
import pytest
from scipy.spatial.transform import RigidTransform
from scipy.stats import norm

from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.closure.stops import error_motion
from kinematics.mounting.frames import (
    CAST_PROBES_MM,
)
from kinematics.mounting.mount import mount
from tests.makers.mounted import (
    LOWER,
    TRUTH,
    average,
    case,
    close,
    drawn_poses,
    fiducials,
    points_mounting,
    scan,
)


def test_draws_have_the_stated_covariance():
    m = mount(case(points_mounting(sd_mm=0.5), true_axis=None))
    poses = drawn_poses(m, np.random.default_rng(3), 20000)
    assert len(poses) == 20000
    step = poses * m.axis_orbital_from_upper_scan.inv()
    d = np.hstack([step.rotation.as_rotvec(), step.translation])
    scale = np.sqrt(np.diag(m.covariance))
    seen = np.cov(d.T) / np.outer(scale, scale)
    assert np.abs(seen - m.covariance / np.outer(scale, scale)).max() < 0.05


def test_axis_points_covariance_is_that_of_repeated_measurement():
    rng = np.random.default_rng(4)
    m = mount(case(points_mounting(sd_mm=0.5), true_axis=None))
    left, right, third = (np.array(m_) for m_ in ([0.0, 55, 0], [0.0, -55, 0], [80.0, 30, 0]))
    draws = []
    for _ in range(1500):
        n = rng.normal(scale=0.5, size=(3, 3))
        pose = axis_orbital_from_points(HingeAxis(left + n[0], right + n[1]), third + n[2])
        draws.append(np.concatenate([pose.rotation.as_rotvec(), pose.translation]))
    assert np.sqrt(np.diag(np.cov(np.array(draws).T))) == pytest.approx(
        np.sqrt(np.diag(m.covariance)), rel=0.08
    )


def test_point_uncertainty_is_that_of_the_draws():
    m = mount(case(points_mounting(sd_mm=0.5), true_axis=None))
    molar = np.array([50.0, 25.0, -35.0])
    moved = drawn_poses(m, np.random.default_rng(5), 20000).apply(TRUTH.inv().apply(molar))
    assert m.point_sd_mm(molar)[0] == pytest.approx(moved.std(axis=0), rel=0.03)


def test_covariance_on_the_arbitrary_axis_is_carried_to_the_true_one():
    """The place of the teeth is as sure as before, whichever frame says so."""
    shifted = points_mounting(left=(4.0, 55, -3), right=(5.5, -55, -1), axis="arbitrary", sd_mm=0.5)
    there = mount(case(shifted, true_axis=None))
    here = mount(case(points_mounting(sd_mm=0.5), true_axis=None))
    molar = [50.0, 25.0, -35.0]
    assert there.point_sd_mm(molar)[0] == pytest.approx(here.point_sd_mm(molar)[0], rel=0.08)


def distances():
    at = {n: np.array(p) for n, (_, p) in LOWER.items()}
    axis = {"left_axis_point": np.array([0.0, 55, 0]), "right_axis_point": np.array([0.0, -55, 0])}
    rows = [
        {"kind": "distance", "from": a, "to": n, "mm": float(np.linalg.norm(axis[a] - at[n]))}
        for n in at
        for a in axis
    ]
    rows += [{"kind": "height", "of": n, "mm": float(at[n][2])} for n in at]
    rows[7]["sd_mm"] = 3.0
    points = [{"name": n, "tooth": t, "upper_scan_mm": scan(p)} for n, (t, p) in LOWER.items()]
    return {"method": "distances", "points": points, "readings": rows}


@pytest.mark.parametrize("method", ["axis_points", "average", "fiducials", "distances"])
def test_influences_add_up_to_the_whole_uncertainty_and_name_the_weakest_reading(method):
    table = {
        "axis_points": lambda: points_mounting(sd_mm=0.5),
        "average": average,
        "fiducials": lambda: fiducials(sd_mm=0.3),
        "distances": distances,
    }[method]()
    m = mount(case(table, true_axis=None if method == "axis_points" else {"width_mm": 110.0}))
    sizes = [mm for _, mm in m.influences]
    whole = np.sum(m.point_sd_mm(CAST_PROBES_MM) ** 2) / len(CAST_PROBES_MM)
    assert np.sum(np.square(sizes)) == pytest.approx(whole, rel=1e-6)
    assert sizes == sorted(sizes, reverse=True)
    if method == "distances":
        # The sure heights take the unsure one's place: its sd does not make it the largest.
        assert {n for n, _ in m.influences} == {n for n, _ in m.residuals}
        assert close(m.axis_orbital_from_upper_scan, TRUTH, atol=1e-6)


def test_without_covariance_nothing_is_said_of_a_point():
    m = mount(
        case({"method": "matrix", "axis_orbital_from_upper_scan": TRUTH.as_matrix().tolist()})
    )
    assert m.covariance is None
    assert np.all(m.point_sd_mm([[1.0, 2, 3]]) == 0.0)


def test_transfer_repeatability_of_1_2_mm_reaches_the_second_molar_as_stated_and_costs_little():
    """Choi, Bowley, Marx & Lee 1999 (READ, abstract): +-1.2 mm (95 %) in cast position.

    A cast that is off by that, taken as a pure shift, moves the second molar by 1.2 mm and changes
    its closure error only by the axis error that the shift makes: 2 sin(theta/2) x 1.2 mm.
    """
    sd = 1.2 / norm.ppf(0.975)
    m = mount(
        case(
            {
                "method": "matrix",
                "axis_orbital_from_upper_scan": TRUTH.as_matrix().tolist(),
                "translation_sd_mm": sd,
                "rotation_sd_deg": 0.0,
            }
        )
    )
    molar = np.array([50.0, 25.0, -35.0])
    assert norm.ppf(0.975) * m.point_sd_mm(molar)[0] == pytest.approx([1.2, 1.2, 1.2])
    theta = 2.0
    draws = drawn_poses(m, np.random.default_rng(2), 800) * m.axis_orbital_from_upper_scan.inv()
    axis = HingeAxis(np.array([0.0, 55, 0]), np.array([0.0, -55, 0]))
    costs = []
    for shift in draws.translation:
        moved = axis.transformed(RigidTransform.from_translation(shift))
        e = error_motion(axis, moved, theta, theta)
        costs.append(e.apply(molar) - molar)
    spread = norm.ppf(0.975) * np.std(costs, axis=0)
    assert spread[[0, 2]] == pytest.approx(2 * np.sin(np.radians(theta) / 2) * 1.2, rel=0.1)
    assert spread[1] == pytest.approx(0.0, abs=1e-12)
