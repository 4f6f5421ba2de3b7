import numpy as np
import pytest
import pytransform3d.transformations as pt
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.base.errors import InputError
from kinematics.mounting.frames import (
    axis_orbital_from_articulator,
)
from kinematics.mounting.mount import check_teeth, mount
from tests.makers.casts import scan_pair
from tests.makers.mounted import (
    LOWER,
    TRUTH,
    case,
    close,
    fiducials,
    points_mounting,
    scan,
)


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


# --- fiducials ------------------------------------------------------------------------------


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
    for name, (vertices, _) in zip(("upper", "lower"), scan_pair("open"), strict=True):
        p = m.axis_orbital_from_upper_scan.apply(vertices)
        assert 20 < p[:, 0].min() < p[:, 0].max() < 140, name
        assert -60 < p[:, 2].mean() < -5, name
        assert abs(p[:, 1].mean()) < 3, name
