"""Occlusal vertices, normals, tooth numbers and landmarks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import trimesh
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.casts.cast import Cast
from kinematics.casts.occlusal import (
    automatic_landmarks,
    nearest_tooth,
    occlusal_vertices,
    vertex_normals,
)
from kinematics.casts.synthetic.arch_form import Occlusion, place_teeth
from tests.makers.casts import only, sample, scan


@pytest.fixture(scope="module")
def samples():
    return {a: sample(a) for a in ("upper", "lower")}


def unlabelled(cast):
    return Cast(cast.arch, cast.vertices_mm, cast.faces, np.zeros_like(cast.tooth))


def test_normals_of_a_sphere_point_outwards():
    ball = trimesh.creation.icosphere(subdivisions=4, radius=30)
    cast = Cast("lower", ball.vertices, ball.faces, np.zeros(len(ball.vertices)))
    cosine = (vertex_normals(cast) * ball.vertices / 30).sum(axis=1)
    assert cosine.min() > 0.9999


def test_normal_of_a_corner_is_weighted_by_area():
    # Hand case: areas 2 (facing +z) and 1 (facing +x) give the direction (1, 0, 2).
    v = np.array([[0.0, 0, 0], [-2, 0, 0], [0, 2, 0], [0, 1, -1], [0, -1, -1]])
    cast = Cast("lower", v, [[0, 2, 1], [0, 3, 4]], np.zeros(5))
    n = vertex_normals(cast)[0]
    raw = 0.5 * np.cross(v[2] - v[0], v[1] - v[0]) + 0.5 * np.cross(v[3], v[4])
    assert n == pytest.approx(raw / np.linalg.norm(raw))
    assert np.abs(raw) == pytest.approx([1, 0, 2])


def test_normal_of_a_vertex_without_area_is_zero():
    cast = Cast("lower", np.eye(3), [[0, 0, 1]], np.zeros(3))
    assert np.array_equal(vertex_normals(cast), np.zeros((3, 3)))


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_normals_turn_with_the_cast(seed):
    rng = np.random.default_rng(seed)
    cast = Cast("lower", rng.normal(size=(9, 3)), np.arange(9).reshape(3, 3), np.zeros(9))
    motion = RigidTransform.from_components(rng.normal(size=3), Rotation.random(rng=rng))
    turned = vertex_normals(cast.moved(motion))
    assert turned == pytest.approx(motion.rotation.apply(vertex_normals(cast)), abs=1e-9)


@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_labelled_cast_gives_vertices_of_teeth_that_face_the_other_arch(samples, arch):
    cast = samples[arch]
    chosen = occlusal_vertices(cast)
    assert (cast.tooth[chosen] > 0).all()
    sign = 1 if arch == "lower" else -1
    assert (sign * vertex_normals(cast)[chosen, 2] > 0.3).all()
    assert len(np.unique(cast.tooth[chosen])) == 14


@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_unlabelled_cast_gives_teeth_and_hardly_anything_else(samples, arch):
    cast = samples[arch]
    chosen = occlusal_vertices(unlabelled(cast))
    # Besides the teeth only the contacts between them, and the pad behind the last molar.
    others = cast.vertices_mm[chosen][cast.tooth[chosen] == 0]
    teeth = cast.vertices_mm[cast.tooth > 0]
    behind = others[:, 0] < cast.vertices_mm[cast.tooth % 10 == 7, 0].mean()
    assert cKDTree(teeth).query(others[~behind])[0].max() < 3.0
    assert (cast.tooth[chosen] > 0).mean() > 0.75
    sign = 1 if arch == "lower" else -1
    tips = [p for n, t, p in automatic_landmarks(cast) if t and "fossa" not in n]
    found = cast.vertices_mm[chosen]
    near = [np.linalg.norm(found - p, axis=1).min() for p in tips]
    assert np.mean(np.array(near) < 1e-9) > 0.95
    assert (sign * vertex_normals(cast)[chosen, 2] > 0.3).all()


@pytest.mark.parametrize("labels", [True, False])
def test_choice_does_not_depend_on_the_frame(samples, labels):
    cast = samples["lower"] if labels else unlabelled(samples["lower"])
    turn = Rotation.from_euler("xyz", [100, 20, -50], degrees=True)
    motion = RigidTransform.from_components([5, -80, 30], turn)
    moved = occlusal_vertices(cast.moved(motion), turn.apply([0, 0, 1]))
    still = occlusal_vertices(cast)
    assert len(np.setxor1d(moved, still)) <= 0.002 * len(still)


@pytest.mark.parametrize(
    ("name", "up"), [("open", (0, 0, 1.0)), ("closed", (0, 1.0, 0))], ids=["open", "closed"]
)
@pytest.mark.parametrize("arch", ["upper", "lower"])
def test_real_scan_gives_a_band_of_teeth_near_its_occlusal_side(name, up, arch):
    cast = scan(name, arch)
    chosen = occlusal_vertices(cast, up)
    assert 0.05 < len(chosen) / len(cast.vertices_mm) < 0.35
    height = cast.vertices_mm @ np.array(up) * (1 if arch == "lower" else -1)
    assert height[chosen].min() > height.min() + 0.5 * np.ptp(height)
    # A horseshoe: both sides and the front are there, the middle (palate, floor) is not.
    v = cast.vertices_mm[chosen]
    side = v[:, 1] if name == "open" else v[:, 0]
    forward = -v[:, 0] if name == "open" else v[:, 2]
    back = forward < np.percentile(forward, 60)
    half = np.abs(side).max()
    assert (np.abs(side[back]) > 0.3 * half).all()
    assert (side[back] > 0).mean() == pytest.approx(0.5, abs=0.2)


def test_nearest_tooth_is_zero_far_away_and_on_unlabelled_casts(samples):
    lower = samples["lower"]
    points = np.array([p for _, t, p in automatic_landmarks(lower) if t])
    teeth = [t for _, t, _ in automatic_landmarks(lower) if t]
    assert nearest_tooth(lower, points).tolist() == teeth
    assert nearest_tooth(lower, [[0, 0, 300.0]]).tolist() == [0]
    assert nearest_tooth(unlabelled(lower), points).tolist() == [0] * len(points)
    assert nearest_tooth(lower, np.zeros((0, 3))).shape == (0,)


def test_landmarks_have_unique_names_and_lie_on_their_teeth(samples):
    for arch, cast in samples.items():
        found = automatic_landmarks(cast)
        names = [n for n, _, _ in found]
        assert len(set(names)) == len(names)
        assert "incisal point" in names
        for name, tooth, point in found:
            if tooth:
                assert name.startswith(f"{tooth} ")
                at = np.flatnonzero((cast.vertices_mm == point).all(axis=1))
                assert cast.tooth[at[0]] == tooth
        assert len({t for _, t, _ in found if t}) == 14
        assert ("36 mesiobuccal cusp" in names) == (arch == "lower")
        assert ("41 incisal edge" in names) == (arch == "lower")


def test_cusps_are_found_where_the_generator_put_them(samples):
    rng = np.random.default_rng(0)
    teeth = [place_teeth(a, Occlusion(), rng=rng) for a in ("upper", "lower")]
    far = []
    for placed in teeth:
        cast = samples["upper" if placed[0].crown.number < 30 else "lower"]
        found = [(t, p) for n, t, p in automatic_landmarks(cast) if t and "fossa" not in n]
        for tooth in placed:
            own = np.array([p for t, p in found if t == tooth.crown.number])
            for cusp in tooth.crown.cusps:
                tip = tooth.to_space(cusp.u_mm, cusp.w_mm, cusp.height_mm)
                far.append(np.linalg.norm((own - tip)[:, :2], axis=1).min())
    # A tip moves a little down its slope because height is measured along one direction for
    # the whole cast while the teeth lean, and because the vertices are 0.5 mm apart.
    assert np.median(far) < 0.6
    assert np.mean(np.array(far) < 1.2) > 0.85


def test_unlabelled_cast_has_no_landmarks(samples):
    assert automatic_landmarks(unlabelled(samples["lower"])) == []


def test_incisal_point_is_midway_between_the_central_edges(samples):
    found = {n: p for n, _, p in automatic_landmarks(samples["lower"])}
    middle = 0.5 * (found["31 incisal edge"] + found["41 incisal edge"])
    assert np.array_equal(found["incisal point"], middle)


def test_a_tooth_with_one_neighbour_has_landmarks_and_one_without_has_none():
    names = {name for name, _, _ in automatic_landmarks(only(sample("lower"), 36, 37))}
    assert {"36 mesiobuccal cusp", "37 mesiobuccal cusp"} <= names
    assert automatic_landmarks(only(sample("lower"), 36)) == []


@pytest.mark.parametrize("teeth", [(34, 35, 36, 37), (44, 45, 46, 47), (31, 32, 33)])
def test_cusps_keep_their_names_where_the_other_side_has_no_teeth(teeth):
    whole = {n: p for n, _, p in automatic_landmarks(sample("lower"))}
    inner = teeth[1:-1]  # with both neighbours, so seen in the same directions
    seen = 0
    for name, tooth, point in automatic_landmarks(only(sample("lower"), *teeth)):
        if tooth in inner:
            np.testing.assert_array_equal(point, whole[name], err_msg=name)
            seen += 1
    assert seen >= len(inner)


def test_a_flat_cast_has_the_vertices_that_face_the_other_arch():
    flat = Cast(
        "lower", np.eye(3)[:, [1, 2, 0]] * [1, 1, 0], np.array([[0, 1, 2]]), np.zeros(3, np.int16)
    )
    turned = replace(flat, faces=np.array([[0, 2, 1]]))
    assert {len(occlusal_vertices(flat)), len(occlusal_vertices(turned))} == {0, 3}
