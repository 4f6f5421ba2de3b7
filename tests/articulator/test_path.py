"""Excursions on teeth: made casts with closed forms, locking, clearance, and real scans."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.excursion import excursion
from kinematics.articulator.instrument import ArticulatorSettings, build_articulator
from kinematics.articulator.path import cast_stop
from kinematics.base.axis import HingeAxis
from kinematics.casts.cast import Cast
from kinematics.casts.clearance import surface_of
from tests.makers.casts import open_pair_in_articulator

CONDYLES = HingeAxis([0.0, 47.92, 0.0], [0.0, -47.92, 0.0])
"""Of the open pair, in the frame ``articulator``."""
CUSP = np.array([90.0, 0.0, -35.0])
SETTINGS = ArticulatorSettings(incisal_sagittal_deg=20.0, incisal_lateral_deg=10.0)


def cast(arch, vertices, faces, tooth):
    return Cast(arch, np.array(vertices, float), np.array(faces), np.full(len(vertices), tooth))


def cusp(tip=CUSP, tooth=31):
    """A tetrahedron with its tip upwards: a lower cusp."""
    base = tip + np.array([[-0.3, -0.3, -4.0], [0.3, -0.3, -4.0], [0.0, 0.4, -4.0]])
    return cast("lower", [tip, *base], [[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]], tooth)


def roof(tooth=11, sagittal=20.0, lateral=10.0):
    """Two palatal planes through the cusp's tip, as the table of SETTINGS; outside is below."""

    def at(x, y):
        drop = x * np.tan(np.radians(sagittal)) + abs(y) * np.tan(np.radians(lateral))
        return np.add(CUSP, [x, y, -drop])

    vertices = [at(x, y) for y in (-25.0, 0.0, 25.0) for x in (-25.0, 25.0)]
    return cast("upper", vertices, [[0, 3, 1], [0, 2, 3], [2, 5, 3], [2, 4, 5]], tooth)


@pytest.mark.parametrize("kind", ["protrusion", "left_lateral", "right_lateral"])
@pytest.mark.parametrize("front", ["teeth", "first"])
def test_a_cusp_on_palatal_planes_moves_as_a_pin_on_the_same_table(kind, front):
    """Two independent ways to one motion: exact mesh contact, and the six-constraint solver.

    With "first" the real pin is out of reach, so the teeth stop the front.
    """
    as_pin = excursion(build_articulator(SETTINGS, CUSP, pin_on="lower"), kind, 5)
    far = build_articulator(
        SETTINGS, [130.0, 0.0, -35.0], pin_on="lower", table_point_mm=[130.0, 0.0, -32.0]
    )
    on_teeth = excursion(far, kind, 5, front=front, teeth=cast_stop(roof(), cusp()))
    assert [s.status for s in on_teeth.steps] == ["on_teeth"] * 6
    for a, b in zip(as_pin.steps, on_teeth.steps):
        np.testing.assert_allclose(a.motion.as_matrix(), b.motion.as_matrix(), atol=1e-8)
        assert b.residual_mm < 1e-9
        assert (b.contact.upper_tooth, b.contact.lower_tooth) == (11, 31)
        np.testing.assert_allclose(b.contact.point_mm, b.motion.apply(CUSP), atol=1e-8)


def test_the_pin_stops_the_front_where_it_comes_first():
    near = build_articulator(SETTINGS, [130.0, 0.0, -35.0])
    low = cusp(CUSP - [0.0, 0.0, 3.0])
    path = excursion(near, "protrusion", 4, front="first", teeth=cast_stop(roof(), low))
    assert [s.status for s in path.steps] == ["on_pin"] * 5
    assert all(s.contact is None for s in path.steps)


def test_teeth_hold_the_pin_off_its_table():
    near = build_articulator(ArticulatorSettings(), [130.0, 0.0, -35.0])
    path = excursion(near, "protrusion", 4, front="first", teeth=cast_stop(roof(), cusp()))
    assert [s.status for s in path.steps[1:]] == ["on_teeth"] * 4
    assert all(s.pin_gap_mm > 0.1 for s in path.steps[1:])


def wall_roof(height, tooth=16, ahead=1.0):
    """A level roof with a wall ``height`` mm down, ``ahead`` mm in front of the cusp."""
    x, z = CUSP[0], CUSP[2]
    vertices = [
        [px, py, pz]
        for px, pz in ((x - 20, z), (x + ahead, z), (x + ahead, z - height), (x + 20, z - height))
        for py in (-20.0, 20.0)
    ]
    faces = [[0, 2, 3], [0, 3, 1], [2, 4, 5], [2, 5, 3], [4, 6, 7], [4, 7, 5]]
    return cast("upper", vertices, faces, tooth)


def level():
    """Level guides and a pin that does not reach: only the teeth stop the front."""
    flat = ArticulatorSettings(
        sagittal_inclination_left_deg=0.0, sagittal_inclination_right_deg=0.0
    )
    return build_articulator(
        flat, [130.0, 0.0, -35.0], pin_on="lower", table_point_mm=[130.0, 0.0, -30.0]
    )


def test_a_wall_locks_the_excursion_there_and_names_its_teeth():
    stop = cast_stop(wall_roof(3.0), cusp(tooth=46))
    path = excursion(level(), "protrusion", 40, travel_mm=4.0, front="teeth", teeth=stop)
    last = path.steps[-1]
    assert last.status == "locked"
    assert "16" in path.message
    assert "46" in path.message
    # The cusp's own front face, 85.7 deg steep, meets the wall's edge 3 mm below its tip: there it
    # reaches 0.3 * 3 / 4 mm ahead. Steps are 0.1 mm.
    reached = path.points_path(CUSP)[-1, 0]
    assert 0.0 <= (1.0 - 0.225) - (reached[0] - CUSP[0]) + 0.01 <= 0.11
    assert not path.complete


def test_a_lock_on_casts_without_labels_says_where_in_words():
    """The wall stands 1 mm ahead of the cusp, which is 90 mm in front of the hinge axis."""
    stop = cast_stop(wall_roof(3.0, tooth=0), cusp(tooth=0))
    path = excursion(level(), "protrusion", 40, travel_mm=4.0, front="teeth", teeth=stop)
    assert path.steps[-1].status == "locked"
    assert "teeth not labelled; 91 mm in front of the hinge axis, 0 mm" in path.message


def test_a_slope_is_climbed_where_a_wall_locks():
    """30 deg palatal slope, as steep as the table allows: no lock."""
    stop = cast_stop(roof(sagittal=30.0, lateral=0.0), cusp())
    path = excursion(level(), "protrusion", 40, travel_mm=4.0, front="teeth", teeth=stop)
    assert path.complete


def test_teeth_that_touch_however_far_the_front_opens_are_locked():
    """A closed ring about the cusp: opening cannot free it."""
    through = CUSP + np.array([[0.0, 0.0, -3.9], [5.0, 5.0, -3.9], [5.0, -5.0, -3.9]])
    hinge_side = [[-5.0, -200.0, -60.0], [-5.0, 200.0, -60.0], [-5.0, 0.0, 60.0]]
    upper = cast("upper", [*through, *hinge_side], [[0, 1, 2], [3, 4, 5]], 26)
    bar = [[-60.0, 0.0, 1.0], [60.0, 0.0, 1.0], [0.0, 0.5, 2.0]]
    lower = cast("lower", [*cusp().vertices_mm, *bar], [*cusp().faces.tolist(), [4, 5, 6]], 36)
    path = excursion(level(), "protrusion", 4, front="teeth", teeth=cast_stop(upper, lower))
    assert path.steps[-1].status == "locked"
    assert "26" in path.message
    assert "36" in path.message


def test_teeth_that_never_meet_are_unreachable():
    """The upper lies beside the cusp's way."""
    beside = roof().moved(RigidTransform.from_translation([0.0, 90.0, 0.0]))
    path = excursion(level(), "protrusion", 4, front="teeth", teeth=cast_stop(beside, cusp()))
    assert path.steps[-1].status == "unreachable"
    assert "do not meet" in path.message


@pytest.mark.parametrize(("y", "where"), [(20.0, "working"), (-20.0, "non_working")])
def test_contacts_know_the_working_side(y, where):
    """Mandible to the left: contacts on the left work."""
    tip = np.add(CUSP, [-30.0, y, 0.0])
    flat = ArticulatorSettings(
        sagittal_inclination_left_deg=0.0, sagittal_inclination_right_deg=0.0
    )
    unit = build_articulator(flat, [130.0, 0.0, -35.0])
    stop = cast_stop(roof(26, 0.0, 0.0), cusp(tip, 36))
    wide = roof(26, 0.0, 0.0)
    big = Cast("upper", CUSP + (wide.vertices_mm - CUSP) * 3.0, wide.faces, wide.tooth)
    path = excursion(unit, "left_lateral", 3, front="teeth", teeth=cast_stop(big, stop.lower))
    assert [s.contact.where for s in path.steps[1:]] == [where] * 3
    assert path.steps[0].contact.where == "start"


def clearance_mm(points, upper, limit_mm=3.0):
    return np.abs(surface_of(upper).clearance(points, limit_mm)[0])


def test_clearance_is_the_distance_to_the_surface_by_an_independent_library():
    """Oracle: trimesh's proximity query on a coarse sphere."""
    pytest.importorskip("rtree", reason="RTREE ABSENT: the independent distance check did not run")
    ball = trimesh.creation.icosphere(subdivisions=2, radius=10.0)
    upper = cast("upper", ball.vertices, ball.faces, 11)
    rng = np.random.default_rng(7)
    points = rng.normal(size=(200, 3)) * 7.0
    theirs = trimesh.proximity.closest_point(ball, points)[1]
    ours = clearance_mm(points, upper, limit_mm=2.5)
    near = theirs <= 2.5
    assert near.sum() > 40
    np.testing.assert_allclose(ours[near], theirs[near], atol=1e-9)
    assert np.isinf(ours[theirs > 2.5 + 1e-9]).all()


def test_clearance_is_zero_in_contact_and_grows_with_opening():
    upper, lower = roof(), cusp()
    assert clearance_mm(lower.vertices_mm, upper).min() == pytest.approx(0.0, abs=1e-12)
    apart = RigidTransform.from_translation([0.0, 0.0, -1.0])
    expected = np.cos(np.arctan(np.hypot(np.tan(np.radians(20.0)), np.tan(np.radians(10.0)))))
    found = clearance_mm(lower.moved(apart).vertices_mm, upper)
    assert found.min() == pytest.approx(expected, abs=1e-9)
    far = RigidTransform.from_translation([0.0, 0.0, -9.0])
    assert np.isinf(clearance_mm(lower.moved(far).vertices_mm, upper)).all()


@pytest.mark.parametrize("kind", ["protrusion", "left_lateral"])
def test_real_casts_slide_on_each_other_without_a_gap(kind):
    upper, lower = open_pair_in_articulator(CONDYLES)
    settings = ArticulatorSettings(intercondylar_mm=95.84)
    tip = [lower.vertices_mm[:, 0].max() + 10.0, 0.0, -37.0]
    unit = build_articulator(settings, tip)
    path = excursion(unit, kind, 6, front="teeth", teeth=cast_stop(upper, lower))
    assert path.complete
    for step in path.steps:
        assert step.status == "on_teeth"
        assert step.residual_mm < 1e-9
        # The contact point lies on both casts (distances by the brute-force formula).
        assert clearance_mm(step.contact.point_mm, upper)[0] < 1e-8
        assert clearance_mm(step.contact.point_mm, lower.moved(step.motion))[0] < 1e-8
