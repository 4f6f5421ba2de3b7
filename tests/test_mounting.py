from pathlib import Path

import numpy as np
import pytest
import pytransform3d.transformations as pt
import trimesh
from scipy.integrate import quad
from scipy.spatial.transform import RigidTransform, Rotation
from scipy.stats import norm

from kinematics.axis import HingeAxis, axis_orbital_from_points
from kinematics.case import case_from_dict
from kinematics.closure import error_motion
from kinematics.errors import InputError
from kinematics.mounting import check_teeth, mount
from kinematics.mounting_frame import (
    BALKWILL_SD_DEG,
    BONWILL_ARM_SD_MM,
    CAST_PROBES_MM,
    axis_orbital_from_articulator,
    bonwill_frame,
)
from tests.mounted import drawn_poses

SCANS = Path(__file__).resolve().parents[2] / "shared" / "scans"
TRUTH = RigidTransform.from_components(
    [12.0, -30.0, 140.0], Rotation.from_euler("zyx", [95, 12, -8], degrees=True)
)
"""axis_orbital_from_upper_scan of the invented patient."""
LOWER = {
    "incisal point": (31, [90.0, 1.0, -38.0]),
    "37 distobuccal cusp": (37, [45.0, 25.0, -35.0]),
    "47 distobuccal cusp": (47, [46.0, -24.0, -35.0]),
}
OFFSETS = {
    "left_anterior_mm": 4.0,
    "left_superior_mm": -3.0,
    "right_anterior_mm": 5.5,
    "right_superior_mm": -1.0,
}


def scan(points):
    return TRUTH.inv().apply(np.asarray(points, dtype=float)).tolist()


def case(mounting, **changes):
    data = {
        "schema": "hingewise-case/1",
        "label": "case 1",
        "mounting": mounting,
        "true_axis": {"width_mm": 110.0},
        "arbitrary_axis": dict(OFFSETS),
        "record": {"opening_deg": 2.0},
        "target": {"opening_deg": 0.0},
        "landmarks": [{"name": n, "tooth": t, "point_mm": scan(p)} for n, (t, p) in LOWER.items()],
    }
    data.update(changes)
    data = {k: v for k, v in data.items() if v is not None}
    return case_from_dict(data)


def points_mounting(left=(0.0, 55, 0), right=(0.0, -55, 0), third=(80.0, 30, 0), **more):
    return {
        "method": "axis_points",
        "left_point_mm": scan(left),
        "right_point_mm": scan(right),
        "third_point_mm": scan(third),
        **more,
    }


def close(a, b, atol=1e-9):
    return np.allclose(a.as_matrix(), b.as_matrix(), atol=atol)


def test_matrix_is_taken_as_it_is():
    m = mount(
        case({"method": "matrix", "axis_orbital_from_upper_scan": TRUTH.as_matrix().tolist()})
    )
    assert close(m.axis_orbital_from_upper_scan, TRUTH)
    assert m.covariance is None
    assert m.true_axis.width_mm == 110.0
    assert m.arbitrary_axis.left_point_mm.tolist() == [4.0, 55.0, -3.0]
    assert m.arbitrary_axis.right_point_mm.tolist() == [5.5, -55.0, -1.0]
    assert m.findings == ()


def test_all_methods_agree_on_the_same_patient():
    third = [65.0, 3.0, -22.0]
    named = [*[p for _, p in LOWER.values()], third]
    fiducials = {
        "method": "fiducials",
        "fiducials": [
            {"name": f"p{i}", "upper_scan_mm": scan(p), "axis_orbital_mm": p}
            for i, p in enumerate(named)
        ],
    }
    assert close(mount(case(fiducials)).axis_orbital_from_upper_scan, TRUTH)
    seen = mount(case(points_mounting(), true_axis=None))
    assert close(seen.axis_orbital_from_upper_scan, TRUTH)
    assert seen.true_axis.width_mm == pytest.approx(110.0)


def test_chain_agrees_with_pytransform3d():
    lower = RigidTransform.from_components([1, 2, 3], Rotation.from_rotvec([0.1, 0.2, -0.1]))
    m = mount(
        case({"method": "matrix", "axis_orbital_from_upper_scan": TRUTH.as_matrix().tolist()})
    )
    ours = (m.axis_orbital_from_upper_scan * lower).apply([5.0, 6.0, 7.0])
    theirs = pt.transform(
        pt.concat(lower.as_matrix(), TRUTH.as_matrix()), pt.vector_to_point([5.0, 6.0, 7.0])
    )
    assert np.allclose(ours, theirs[:3], atol=1e-12)


def test_arbitrary_axis_may_be_given_in_either_frame():
    table = {"method": "matrix", "axis_orbital_from_upper_scan": TRUTH.as_matrix().tolist()}
    left, right = [4.0, 55.0, -3.0], [5.5, -55.0, -1.0]
    for frame, points in (
        ("axis_orbital", (left, right)),
        ("upper_scan", (scan(left), scan(right))),
    ):
        axis = {"left_point_mm": points[0], "right_point_mm": points[1], "frame": frame}
        m = mount(case(table, arbitrary_axis=axis))
        assert np.allclose(m.arbitrary_axis.left_point_mm, left)
        assert np.allclose(m.arbitrary_axis.right_point_mm, right)
        assert m.true_axis.left_point_mm.tolist() == [0.0, 55.0, 0.0]
        assert m.true_axis.right_point_mm.tolist() == [0.0, -55.0, 0.0]


def test_swapped_arbitrary_points_are_refused():
    axis = {
        "left_point_mm": [4.0, -55.0, 0.0],
        "right_point_mm": [4.0, 55.0, 0.0],
        "frame": "axis_orbital",
    }
    table = {"method": "matrix", "axis_orbital_from_upper_scan": TRUTH.as_matrix().tolist()}
    with pytest.raises(InputError, match=r"arbitrary_axis.*Swap"):
        mount(case(table, arbitrary_axis=axis))


def test_points_on_the_arbitrary_axis_give_the_same_patient():
    """The third point lies in both planes, so its height in axis_orbital is 0."""
    shifted = points_mounting(
        left=(4.0, 55, -3), right=(5.5, -55, -1), third=(80.0, 30, 0), axis="arbitrary"
    )
    m = mount(case(shifted, true_axis=None))
    assert close(m.axis_orbital_from_upper_scan, TRUTH, atol=1e-8)
    assert m.true_axis.width_mm == pytest.approx(110.0, abs=1e-9)


def test_third_point_has_no_height_in_either_frame():
    arbitrary = HingeAxis(np.array([6.0, 55, -8]), np.array([-3.0, -55, 4]))
    pose = axis_orbital_from_articulator(arbitrary, (85.0, 28.0))
    assert pose.apply([85.0, 28.0, 0.0])[2] == pytest.approx(0.0, abs=1e-12)
    assert np.allclose(pose.apply([0, 0, 0]), arbitrary.midpoint_mm)
    assert np.allclose(pose.rotation.apply([0, 1, 0]), arbitrary.direction)
    again = axis_orbital_from_points(arbitrary, pose.apply([85.0, 28.0, 0.0]))
    assert close(again, pose.inv())
    with pytest.raises(InputError, match="third"):
        axis_orbital_from_articulator(arbitrary, (1.0, 0.0))


def test_marks_on_the_skin_give_both_axes():
    marks = {
        "face_landmark": "tragus",
        "left_arbitrary_anterior_mm": 13.0,
        "left_arbitrary_superior_mm": 0.0,
        "left_located_anterior_mm": 9.0,
        "left_located_superior_mm": 3.0,
        "right_arbitrary_anterior_mm": 13.0,
        "right_arbitrary_superior_mm": 0.0,
        "right_located_anterior_mm": 7.5,
        "right_located_superior_mm": 1.0,
        "facial_width_mm": 140.0,
    }
    table = {"method": "matrix", "axis_orbital_from_upper_scan": TRUTH.as_matrix().tolist()}
    m = mount(case(table, marks=marks, true_axis=None, arbitrary_axis=None))
    assert m.true_axis.left_point_mm.tolist() == [0.0, 70.0, 0.0]
    assert m.arbitrary_axis.left_point_mm.tolist() == [4.0, 70.0, -3.0]
    assert m.arbitrary_axis.right_point_mm.tolist() == [5.5, -70.0, -1.0]


# --- average anatomy ------------------------------------------------------------------------


def average(**more):
    points = [scan(p) for _, p in LOWER.values()]
    names = ("incisal_point_mm", "left_molar_point_mm", "right_molar_point_mm")
    return {"method": "average", **dict(zip(names, points)), **more}


@pytest.mark.parametrize(("arm", "base", "balkwill"), [(103.3, 99.6, 20.4), (101.6, 101.6, 26.0)])
def test_bonwill_triangle_and_balkwill_angle_come_out_as_put_in(arm, base, balkwill):
    # Values: published_values section 4 (CBCT n=120, READ; Bonwill 4 in, READ-2nd; Balkwill, MEM).
    i, left, right = (np.array(p) for _, p in LOWER.values())
    pose = bonwill_frame(
        i,
        left,
        right,
        arm_mm=arm,
        base_mm=base,
        balkwill_deg=balkwill,
        occlusal_to_axis_orbital_deg=13.6,
    )
    condyles = pose.inv().apply([[0, base / 2, 0], [0, -base / 2, 0]])
    assert np.linalg.norm(condyles - i, axis=1) == pytest.approx([arm, arm])
    assert np.linalg.norm(condyles[0] - condyles[1]) == pytest.approx(base)
    occlusal = np.cross(left - i, right - i)
    triangle = np.cross(condyles[0] - i, condyles[1] - i)
    cosine = occlusal @ triangle / np.linalg.norm(occlusal) / np.linalg.norm(triangle)
    assert np.degrees(np.arccos(cosine)) == pytest.approx(balkwill)
    up = -occlusal / np.linalg.norm(occlusal)
    up = up if up[2] > 0 else -up
    assert ((condyles - i) @ up > 0).all()
    plane = pose.rotation.apply(up)
    assert np.degrees(np.arctan2(plane[0], plane[2])) == pytest.approx(13.6)


def test_the_occlusal_plane_lies_as_published_to_the_frame_where_the_case_does_not_say():
    """Section 4: orbitale-tragus against ala-tragus 13.6 deg (Woelfel 2014, READ)."""
    plain, told = (
        mount(case(average(**more))).axis_orbital_from_upper_scan.as_matrix()
        for more in ({}, {"occlusal_to_axis_orbital_deg": 13.6})
    )
    np.testing.assert_array_equal(plain, told)


def test_published_triangle_has_its_published_altitude_and_height():
    # CALC note of section 4: altitude 90.50 mm; 34.3 mm of height is 22.27 deg, not 20.4.
    flat = bonwill_frame(
        [90.0, 0, 0],
        [45.0, 25, 0],
        [45.0, -25, 0],
        arm_mm=103.3,
        base_mm=99.6,
        balkwill_deg=22.27,
        occlusal_to_axis_orbital_deg=0.0,
    )
    origin = flat.inv().apply([0.0, 0, 0])
    assert np.linalg.norm(origin - [90.0, 0, 0]) == pytest.approx(90.50, abs=0.005)
    assert origin[2] == pytest.approx(34.3, abs=0.01)


def test_one_degree_of_balkwill_shifts_the_axis_1_48_mm_vertically():
    # CALC note of section 4.
    def height(deg):
        return mount(case(average(balkwill_deg=deg))).axis_orbital_from_upper_scan.inv()

    up = np.array(scan([0.0, 0, 1.0])) - np.array(scan([0.0, 0, 0.0]))
    normal = np.cross(
        *(
            np.array(scan(LOWER[n][1])) - np.array(scan(LOWER["incisal point"][1]))
            for n in ("47 distobuccal cusp", "37 distobuccal cusp")
        )
    )
    normal /= np.linalg.norm(normal) * np.sign(normal @ up)
    moved = height(20.9).apply([0.0, 0, 0]) - height(19.9).apply([0.0, 0, 0])
    assert moved @ normal == pytest.approx(1.48, abs=0.005)


def test_average_finds_its_points_among_landmarks():
    given = mount(case(average()))
    own = mount(case({"method": "average"}))
    assert close(own.axis_orbital_from_upper_scan, given.axis_orbital_from_upper_scan)
    automatic = [(n, t, scan(p)) for n, (t, p) in LOWER.items()]
    lone = case(
        {"method": "average"},
        landmarks=[{"name": "a", "point_mm": [1.0, 2.0, 3.0]}],
        record={"opening_deg": 1.0},
    )
    with pytest.raises(InputError, match="incisal"):
        mount(lone)
    found = mount(lone, automatic)
    assert close(found.axis_orbital_from_upper_scan, given.axis_orbital_from_upper_scan)


def test_average_says_that_it_is_not_this_patient():
    m = mount(case(average()))
    assert "not this patient" in m.findings[0].message
    sd = m.point_sd_mm([[50.0, 25.0, -35.0]])[0]
    assert sd[2] > 3.0  # molar height against the axis, from published ranges


def test_average_spread_is_the_published_range_over_the_range_of_120_normals():
    def tail(x):
        return 1 - norm.cdf(x) ** 120 - norm.sf(x) ** 120

    expected_range = quad(tail, -9, 9)[0]  # of 120 standard normals (derived here)
    assert pytest.approx((117.9 - 90.2) / expected_range, abs=0.1) == BONWILL_ARM_SD_MM
    assert pytest.approx((27.6 - 9.0) / expected_range, abs=0.1) == BALKWILL_SD_DEG


# --- fiducials ------------------------------------------------------------------------------

SPREAD = [[45.0, -25, -35], [45, 25, -35], [90, 0, -38], [65, 0, -22], [70, -20, -30]]


def fiducials(shift=None, **more):
    rows = [
        {"name": f"p{i}", "upper_scan_mm": scan(p), "axis_orbital_mm": list(map(float, p))}
        for i, p in enumerate(SPREAD)
    ]
    if shift is not None:
        rows[3]["axis_orbital_mm"] = (np.array(SPREAD[3]) + shift).tolist()
    return {"method": "fiducials", "fiducials": rows, **more}


def test_fiducial_at_fault_is_named_with_its_residual():
    rng = np.random.default_rng(0)
    table = fiducials([2.0, -2.0, 1.0])
    for row in table["fiducials"]:
        row["axis_orbital_mm"] = (row["axis_orbital_mm"] + 0.05 * rng.normal(size=3)).tolist()
    m = mount(case(table))
    assert [f.where for f in m.findings] == ["mounting.fiducials.3"]
    assert "'p3'" in m.findings[0].message
    worst = max(m.residuals, key=lambda item: item[1])
    assert worst[0] == "p3"
    assert m.rms_mm == pytest.approx(np.sqrt(np.mean([mm**2 for _, mm in m.residuals])))


def test_residuals_beyond_the_stated_sd_are_warned_of():
    m = mount(case(fiducials([2.0, -2.0, 1.0], sd_mm=0.05)))
    assert any(f.where == "mounting.sd_mm" for f in m.findings)
    assert not mount(case(fiducials(sd_mm=0.05))).findings


def test_mirrored_fiducials_are_refused():
    table = fiducials()
    for row in table["fiducials"]:
        row["axis_orbital_mm"][1] *= -1
    with pytest.raises(InputError, match="mirrored"):
        mount(case(table))


# --- uncertainty ----------------------------------------------------------------------------


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


# --- sides, places and real casts ------------------------------------------------------------


def test_teeth_on_the_wrong_side_behind_or_above_are_told():
    good = [(n, t, np.array(p)) for n, (t, p) in LOWER.items()]
    assert check_teeth(good) == []
    mirrored = [(n, t, p * [1, -1, 1]) for n, t, p in good]
    assert "swapped" in check_teeth(mirrored)[0].fix
    one = [*good, ("27 cusp", 27, np.array([45.0, -24, -33]))]
    assert "wrong side" in check_teeth(one)[0].message
    assert "behind" in check_teeth([(n, t, p - [120, 0, 0]) for n, t, p in good])[0].message
    assert "above" in check_teeth([(n, t, -p * [-1, -1, 1]) for n, t, p in good])[0].message


@pytest.mark.parametrize(
    ("point", "told"),
    [
        ([10.0, 0, 5.0], []),  # the bounds themselves are still teeth
        ([9.9, 0, 0], ["behind"]),
        ([50.0, 0, 5.1], ["above"]),
        ([50.0, -8.0, 0], []),
        ([50.0, -8.1, 0], ["wrong side"]),
    ],
)
def test_the_places_of_teeth_end_at_the_stated_bounds(point, told):
    found = check_teeth([("36 cusp", 36, np.array(point, dtype=float))])
    assert [word in f.message for f, word in zip(found, told, strict=True)] == [True] * len(told)


def test_a_landmark_without_a_tooth_may_lie_on_either_side():
    for y in (-20.0, 20.0):
        m = mount(case(None, landmarks=[{"name": "a", "point_mm": [60.0, y, -38.0]}]))
        assert m.findings == ()


def test_swapped_axis_points_put_the_teeth_in_a_wrong_place():
    swapped = points_mounting(left=(0.0, -55, 0), right=(0.0, 55, 0))
    m = mount(case(swapped, true_axis=None))
    assert any(f.level == "error" for f in m.findings)


def test_landmarks_already_in_axis_orbital_need_no_mounting():
    m = mount(case(None, landmarks=[{"name": "a", "point_mm": [90.0, 0.0, -38.0]}]))
    assert m.method == "given"
    assert close(m.axis_orbital_from_upper_scan, RigidTransform.identity())


@pytest.mark.skipif(not SCANS.is_dir(), reason=f"real scans are not at {SCANS}")
def test_condylar_centres_mount_the_real_open_pair():
    """README there: +x posterior, +z superior; centres (138.28, +-47.92, 137.77)."""
    table = {
        "method": "axis_points",
        "left_point_mm": [138.28, -47.92, 137.77],  # anterior x superior: the left is at -y
        "right_point_mm": [138.28, 47.92, 137.77],
        "third_point_mm": [58.0, -30.0, 137.77],
    }
    landmarks = [{"name": "a", "point_mm": [60.0, 0.0, 100.0]}]
    m = mount(case(table, true_axis=None, landmarks=landmarks))
    assert m.true_axis.width_mm == pytest.approx(2 * 47.92)
    turn = m.axis_orbital_from_upper_scan.rotation.as_matrix()
    assert np.allclose(turn, np.diag([-1.0, -1.0, 1.0]))
    for name in ("upper", "lower"):
        mesh = trimesh.load(SCANS / f"open_pair_{name}.stl", process=False)
        p = m.axis_orbital_from_upper_scan.apply(np.asarray(mesh.vertices))
        assert 20 < p[:, 0].min() < p[:, 0].max() < 140, name
        assert -60 < p[:, 2].mean() < -5, name
        assert abs(p[:, 1].mean()) < 3, name
