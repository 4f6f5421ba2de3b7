"""Picking on a cast, and what picked points become in the case."""

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.base.errors import InputError
from kinematics.case.read import read_case
from kinematics.casts.cast import load_cast
from tests.makers.cases import landmarks_only, open_pair
from viewer.app.points import Pending, without_landmark
from viewer.app.session import Session
from viewer.scene.picking import pick


@pytest.fixture(scope="module")
def lower(demo_case_path):
    return load_cast(demo_case_path.parent / "lower.ply", "lower")[0]


@settings(max_examples=25)
@given(st.floats(0, 6.28), st.floats(-1.4, 1.4), st.floats(-15, 15), st.floats(-15, 15))
def test_a_pick_is_the_nearest_crossing_of_another_ray_caster(lower, az, el, a, b):
    mesh = trimesh.Trimesh(lower.vertices_mm, lower.faces, process=False)
    d = -np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])
    side = np.cross(d, [0.1, 0.2, 1.0])
    side /= np.linalg.norm(side)
    origin = lower.vertices_mm.mean(axis=0) + a * side + b * np.cross(d, side) - 200 * d
    hit = pick(lower, origin, d)
    found = mesh.ray.intersects_location(origin[None], d[None])[0]
    if not len(found):
        assert hit is None
        return
    nearest = found[np.argmin((found - origin) @ d)]
    assert hit is not None
    assert np.allclose(hit.point_mm, nearest, atol=1e-6)


def test_a_click_beside_the_cast_hits_nothing(lower):
    assert pick(lower, [500, 500, 500], [1, 0, 0]) is None


def test_what_lies_behind_the_eye_is_not_hit(lower):
    up = np.array([0.0, 0.0, 1.0])
    above = lower.vertices_mm[np.argmax(lower.vertices_mm[:, 2])] + 5 * up
    assert pick(lower, above, up) is None
    assert pick(lower, above, -up) is not None


@pytest.mark.parametrize(
    ("origin", "direction"),
    [([0, 0], [0, 0, 1]), ([0, 0, 0], [0, 0, 0]), (["a", 0, 0], [0, 0, 1]), (None, None),
     ([np.nan, 0, 0], [1, 0, 0]), ([0, 0, 0], [np.inf, 0, 0])],
)  # fmt: skip
def test_no_line_of_sight_is_refused(lower, origin, direction):
    with pytest.raises(InputError, match="line of sight"):
        pick(lower, origin, direction)


def aim(session, index):
    """A vertical line of sight onto a landmark of the target pose."""
    point = session.reading.landmarks.points_mm[index]
    return point + np.array([0, 0, 100.0]), [0, 0, -1.0]


def test_a_landmark_picked_at_the_target_is_stored_in_the_lower_scan(scans):
    session = Session(open_pair(scans))
    marks = session.reading.landmarks
    desk = Pending()
    desk.pick(session.reading, "landmark", *aim(session, 1))
    case = desk.add(session.reading, "landmark", "  my cusp ", "36", None)
    session.put(case)
    assert case.landmarks[0].name == "my cusp"
    assert case.landmarks[0].tooth == 36
    at = session.reading.landmarks.names.index("my cusp")
    # The highest site of a strip: the vertical line meets it, to the rounding of the case file.
    assert np.allclose(session.reading.landmarks.points_mm[at], marks.points_mm[1], atol=2e-3)
    session.undo()
    assert not session.case.landmarks


def test_on_a_labelled_cast_the_picked_tooth_is_offered(demo_case_path):
    session = Session(read_case(demo_case_path))
    index = next(i for i, t in enumerate(session.reading.landmarks.teeth) if t == 36)
    desk = Pending()
    desk.pick(session.reading, "landmark", *aim(session, index))
    assert desk.picked_state()["suggestion"] == "36 point 1"
    case = desk.add(session.reading, "landmark", "36 point 1", "", None)
    assert case.landmarks[-1].tooth == 36


@pytest.mark.parametrize(("name", "tooth"), [("", ""), ("a<b", ""), ("x", "99"), ("x", "abc")])
def test_a_bad_name_or_tooth_is_refused_and_the_pick_stays(demo_case_path, name, tooth):
    session = Session(read_case(demo_case_path))
    desk = Pending()
    desk.pick(session.reading, "landmark", *aim(session, 3))
    with pytest.raises(InputError):
        desk.add(session.reading, "landmark", name, tooth, None)
    assert desk.picked_state()["kind"] == "landmark"
    assert desk.add(session.reading, "landmark", "good", "", None) is not None


def test_a_click_beside_forgets_the_pick(demo_case_path):
    session = Session(read_case(demo_case_path))
    desk = Pending()
    desk.pick(session.reading, "landmark", *aim(session, 3))
    with pytest.raises(InputError, match="beside"):
        desk.pick(session.reading, "landmark", [900, 0, 0], [0, 0, 1])
    assert desk.marker() == []
    with pytest.raises(InputError, match="nothing picked"):
        desk.add(session.reading, "landmark", "x", "", None)


def test_without_casts_there_is_nothing_to_pick():
    session = Session(landmarks_only())
    with pytest.raises(InputError, match="no casts"):
        Pending().pick(session.reading, "landmark", [0, 0, 9], [0, 0, -1])


def test_three_picked_fiducials_mount_the_upper_where_it_was(demo_case_path):
    session = Session(read_case(demo_case_path))
    reading, upper = session.reading, session.reading.placed.upper
    desk = Pending()
    points = upper.vertices_mm
    for i, row in enumerate((points[:, 1].argmin(), points[:, 0].argmax(), points[:, 1].argmax())):
        near = points[row] + [0, -0.5 * (i - 1), 0]
        way = np.array([0.3, 0.2 * (i - 1), 1.0])
        hit = desk.pick(reading, "fiducial", near - 80 * way - [0.5 * (i == 1), 0, 0], way)
        text = [f"{v:.6f}" for v in hit.point_mm]
        assert desk.add(reading, "fiducial", f"f{i}", "", text) is None
    session.put(desk.mounted(reading))
    assert session.case.mounting.method == "fiducials"
    here = session.reading.placed.upper.vertices_mm
    assert np.abs(here - upper.vertices_mm).max() < 0.01
    assert session.undo()
    assert session.case.mounting.method == "axis_points"


def test_fewer_than_three_fiducials_mount_nothing(demo_case_path):
    session = Session(read_case(demo_case_path))
    with pytest.raises(InputError, match="fiducials"):
        session.put(Pending().mounted(session.reading))
    assert session.case == session.original


def test_a_landmark_can_be_removed_unless_the_case_needs_it():
    case = landmarks_only()
    assert len(without_landmark(case, 1).landmarks) == 2
    for index in (-1, 3):
        with pytest.raises(InputError):
            without_landmark(case, index)
    one = without_landmark(without_landmark(case, 2), 1)
    with pytest.raises(InputError):
        without_landmark(one, 0)
