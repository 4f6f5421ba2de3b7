"""Registering scans of one arch: known motions, noise, crops, covariance; generated and real."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.casts.cast import Cast
from kinematics.casts.registration import Surface, register
from kinematics.mounting.locating.from_poses import axis_from_poses
from tests.makers.casts import CONDYLAR_AXIS, scan

AXIS = HingeAxis([-80.0, 55.0, 40.0], [-80.0, -55.0, 40.0])


def arch(along=90, across=22):
    """A horseshoe ridge with cusps of several sizes, open at its border, about 60 mm wide."""
    s, t = np.meshgrid(np.linspace(-1, 1, along), np.linspace(-1, 1, across), indexing="ij")
    angle = s * 0.55 * np.pi
    radius = 24.0 + 5.0 * t + 3.0 * np.abs(s)
    height = 6.0 * np.cos(1.4 * t) + 0.8 * np.sin(17 * s + 1.0) * np.cos(4 * t) + 0.6 * s**2
    x = 1.35 * radius * np.cos(angle) - 20.0
    v = np.stack([x, radius * np.sin(angle), height], axis=2)
    i = np.arange(along * across).reshape(along, across)
    a, b, c, d = i[:-1, :-1].ravel(), i[1:, :-1].ravel(), i[1:, 1:].ravel(), i[:-1, 1:].ravel()
    faces = np.concatenate([np.stack([a, b, c], 1), np.stack([a, c, d], 1)])
    return cast_of(v.reshape(-1, 3), faces)


def cast_of(vertices, faces, arch="lower"):
    return Cast(arch, vertices, faces, np.zeros(len(vertices), np.int16))


def cropped(cast, keep):
    faces = cast.faces[keep[cast.faces].all(axis=1)]
    used = np.unique(faces)
    number = np.full(len(keep), -1)
    number[used] = np.arange(len(used))
    return cast_of(cast.vertices_mm[used], number[faces])


def noisy(cast, sd, rng):
    return cast_of(cast.vertices_mm + rng.normal(0.0, sd, cast.vertices_mm.shape), cast.faces)


def errors(result, truth):
    """Rotation in rad and displacement of the centre in mm, (6,)."""
    e = result.fixed_from_moving * truth.inv()
    return np.r_[e.rotation.as_rotvec(), e.apply(result.centre_mm) - result.centre_mm]


@settings(max_examples=200)
@given(
    corners=st.lists(st.floats(-5, 5), min_size=9, max_size=9),
    point=st.tuples(*[st.floats(-9, 9)] * 3),
)
def test_the_nearest_point_of_a_surface_is_the_nearest_of_a_dense_sample_of_it(corners, point):
    triangle = np.array(corners).reshape(3, 3)
    area = np.linalg.norm(np.cross(triangle[1] - triangle[0], triangle[2] - triangle[0]))
    assume(area > 1e-6)
    surface = Surface(Cast("lower", triangle, np.array([[0, 1, 2]]), np.zeros(3)))
    found = float(np.linalg.norm(surface.nearest(np.array([point]))[0] - point))
    a, b = np.meshgrid(np.linspace(0, 1, 41), np.linspace(0, 1, 41))
    keep = a + b <= 1
    weights = np.stack([1 - a[keep] - b[keep], a[keep], b[keep]], axis=1)
    sampled = np.linalg.norm(weights @ triangle - point, axis=1).min()
    size = np.linalg.norm(np.ptp(triangle, axis=0))
    assert sampled - size / 40 - 1e-9 <= found <= sampled + 1e-9


@pytest.mark.parametrize("opening", [1.37, 6.0, 15.0])
def test_a_known_opening_is_found_without_a_start(opening):
    cast = arch()
    motion = opening_motion(AXIS, opening)
    got = register(cast, cast.moved(motion))
    assert got.status == "converged"
    assert np.abs(errors(got, motion)).max() < 1e-6
    assert got.rms_mm < 1e-5


def test_scans_stored_in_different_frames_are_registered_without_a_start():
    cast = arch()
    motion = RigidTransform.from_components([300, -20, 90], Rotation.from_rotvec([2.0, 0.5, -1.0]))
    got = register(cast, cast.moved(motion))
    assert np.abs(errors(got, motion)).max() < 1e-6


def test_another_triangulation_of_the_same_surface_gives_the_same_pose():
    cast = arch()
    v, f = trimesh.remesh.subdivide(cast.vertices_mm, cast.faces)
    motion = opening_motion(AXIS, 8.0)
    got = register(cast_of(v, f), cast.moved(motion))
    assert np.abs(errors(got, motion)).max() < 1e-5


def test_a_part_of_the_arch_is_registered_to_another_part():
    cast = arch()
    motion = opening_motion(AXIS, 8.0)
    y = cast.vertices_mm[:, 1]
    rng = np.random.default_rng(1)
    moving, fixed = noisy(cropped(cast, y > -15), 0.01, rng), cropped(cast.moved(motion), y < 15)
    got = register(moving, fixed)
    assert got.status == "converged"
    assert 0.3 < got.overlap < 0.9
    assert np.abs(errors(got, motion)[3:]).max() < 0.01


def test_a_patch_that_changed_is_left_out():
    """A restoration fitted between the scans: 5 % of the vertices 0.5 mm higher."""
    cast = arch()
    v = cast.vertices_mm.copy()
    v[np.linalg.norm(v - v[300], axis=1) < 6.0, 2] += 0.5
    motion = opening_motion(AXIS, 5.0)
    rng = np.random.default_rng(2)
    got = register(noisy(cast_of(v, cast.faces), 0.01, rng), cast.moved(motion))
    assert np.abs(errors(got, motion)[3:]).max() < 0.006


def test_errors_of_repeated_registrations_are_those_of_the_covariance():
    cast, motion = arch(), opening_motion(AXIS, 4.0)
    rng = np.random.default_rng(3)
    z = []
    for _ in range(25):
        got = register(noisy(cast, 0.03, rng), noisy(cast.moved(motion), 0.03, rng), motion)
        z.append(errors(got, motion) / np.sqrt(np.diag(got.covariance)))
    # Noise of the fixed scan is shared by neighbouring points: the promise is a factor of 1.6.
    assert 0.6 < np.sqrt(np.mean(np.square(z))) < 1.6


def test_the_covariance_at_another_point_adds_the_lever_of_the_rotation():
    cast = arch()
    got = register(noisy(cast, 0.03, np.random.default_rng(4)), cast, RigidTransform.identity())
    far = got.centre_mm + np.array([-90.0, 0.0, 40.0])
    root = np.linalg.cholesky(got.covariance).T  # rows: twists whose squares add up to it
    moved = root[:, 3:] + np.cross(root[:, :3], far - got.centre_mm)
    np.testing.assert_allclose(got.covariance_at(far)[3:, 3:], moved.T @ moved, rtol=1e-9)
    np.testing.assert_allclose(got.covariance_at(got.centre_mm), got.covariance)


def test_it_is_deterministic():
    cast = noisy(arch(), 0.02, np.random.default_rng(6))
    fixed = arch().moved(opening_motion(AXIS, 3.0))
    a, b = register(cast, fixed), register(cast, fixed)
    np.testing.assert_array_equal(a.fixed_from_moving.as_matrix(), b.fixed_from_moving.as_matrix())


def test_scans_of_two_different_arches_are_called_poor():
    other = arch()
    v = other.vertices_mm * [1.25, 0.8, 1.6]
    got = register(cast_of(v, other.faces), arch())
    assert got.status == "poor"
    assert got.findings("scan 2")[0].level == "warning"


@pytest.mark.parametrize(
    ("moving", "fixed", "text"),
    [
        (arch(), cast_of(arch().vertices_mm, arch().faces, "upper"), "two scans of one arch"),
        (cast_of(np.eye(3), [[0, 1, 2]]), arch(), "at least 50"),
    ],
)
def test_bad_input_is_refused(moving, fixed, text):
    with pytest.raises(InputError, match=text):
        register(moving, fixed)


@pytest.fixture(scope="module")
def lower():
    return scan("open", "lower")


@pytest.mark.parametrize("part", ["whole", "front of it", "halves that share a third"])
def test_a_real_scan_with_noise_and_crops_is_registered_within_20_micrometres(lower, part):
    rng = np.random.default_rng(7)
    motion = opening_motion(CONDYLAR_AXIS, 10.0)
    fixed, moving = noisy(lower.moved(motion), 0.03, rng), noisy(lower, 0.03, rng)
    v = lower.vertices_mm
    if part == "front of it":
        fixed = cropped(fixed, v[:, 0] < np.quantile(v[:, 0], 0.7))
    elif part != "whole":
        fixed, moving = cropped(fixed, v[:, 1] < 5), cropped(moving, v[:, 1] > -25)
    got = register(moving, fixed, max_points=2500)
    e = errors(got, motion)
    assert got.status == "converged"
    assert np.linalg.norm(e[3:]) < 0.02
    assert np.linalg.norm(e[:3]) < 1e-3


def test_the_axis_of_a_real_scan_moved_about_it_is_found_within_its_uncertainty(lower):
    rng = np.random.default_rng(8)
    openings = [0.0, 5.0, 10.0]
    results = [
        register(noisy(lower, 0.03, rng), noisy(lower.moved(m), 0.03, rng), max_points=2500)
        for m in (opening_motion(CONDYLAR_AXIS, o) for o in openings)
    ]
    poses = RigidTransform.from_matrix(np.array([r.fixed_from_moving.as_matrix() for r in results]))
    points = lower.vertices_mm[::500]
    middle = points.mean(axis=0)
    covariance = [r.covariance_at(r.fixed_from_moving.apply(middle)) for r in results]
    got = axis_from_poses(
        poses, points, left=[0, -1, 0], noise=covariance, nominal_openings_deg=openings
    )
    off = CONDYLAR_AXIS.distance_mm([got.axis.left_point_mm, got.axis.right_point_mm])
    sd = np.hypot(got.sd_mm[::2], got.sd_mm[1::2])
    assert (off < 4 * sd).all(), (off, sd)
    assert off.max() < 0.5
    np.testing.assert_allclose(got.opening_deg, openings, atol=0.05)


def test_registration_error_of_a_real_scan_reaches_the_axis_by_the_magnification_law(lower):
    """At 1.37 degrees (the published 41.83 to 1): the error at the axis over 2 sin(theta / 2)."""
    rng = np.random.default_rng(9)
    theta = 1.37
    motion = opening_motion(CONDYLAR_AXIS, theta)
    got = register(noisy(lower, 0.05, rng), noisy(lower.moved(motion), 0.05, rng), motion)
    e = got.fixed_from_moving * motion.inv()
    poses = RigidTransform.from_matrix(np.array([np.eye(4), got.fixed_from_moving.as_matrix()]))
    # Rotations held exact: the fit is then the screw axis itself.
    screw = np.broadcast_to(np.diag([1e-12] * 3 + [1e-4] * 3), (2, 6, 6))
    located = axis_from_poses(poses, lower.vertices_mm[::500], left=[0, -1, 0], noise=screw)
    u = CONDYLAR_AXIS.direction
    for point, found in (
        (CONDYLAR_AXIS.left_point_mm, located.axis),
        (CONDYLAR_AXIS.right_point_mm, located.axis),
    ):
        square = e.apply(point) - point
        square -= (square @ u) * u
        law = np.linalg.norm(square) / (2 * np.sin(np.radians(theta) / 2))
        assert found.distance_mm(point) == pytest.approx(law, rel=0.05, abs=0.01)


@pytest.mark.parametrize("which", ["moving", "fixed"])
@pytest.mark.parametrize("words", ["no triangles", "not finite"])
def test_a_mesh_without_a_usable_surface_is_refused_on_either_side(which, words):
    good = arch()
    lost = np.where(np.arange(len(good.vertices_mm))[:, None] == 3, np.nan, good.vertices_mm)
    bad = cast_of(good.vertices_mm, []) if words == "no triangles" else cast_of(lost, good.faces)
    pair = {"moving": good, "fixed": good} | {which: bad}
    with pytest.raises(InputError, match=words):
        register(**pair)
