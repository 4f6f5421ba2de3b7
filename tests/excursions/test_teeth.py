"""Teeth along an excursion: hand cases with known clearances, brute force, and real scans."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest
import trimesh
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.articulator.excursion import excursion
from kinematics.articulator.instrument import ArticulatorSettings, build_articulator
from kinematics.articulator.path import cast_stop
from kinematics.base.to_json import to_json
from kinematics.casts.cast import Cast
from kinematics.casts.clearance import CLEARANCE_LIMIT_MM
from kinematics.excursions.teeth import (
    ALONG_LIMIT_MM,
    TeethCompared,
    spans_mm,
    teeth_along,
    tooth_pair,
)
from tests.articulator.test_path import CONDYLES, CUSP
from tests.makers.casts import open_pair_in_articulator

IDENTITY = RigidTransform.identity()
FLAT = ArticulatorSettings(sagittal_inclination_left_deg=0.0, sagittal_inclination_right_deg=0.0)
LEVEL = build_articulator(FLAT, [130.0, 0.0, -35.0])
"""Level guides and a level table: protrusion is a level translation forwards."""


def joined(arch, parts):
    vertices, faces, tooth, n = [], [], [], 0
    for v, f, t in parts:
        vertices += list(np.asarray(v, float))
        faces += (np.asarray(f) + n).tolist()
        tooth += [t] * len(v)
        n += len(v)
    return Cast(arch, np.array(vertices), np.array(faces), np.array(tooth))


def cone(tip, number):
    """A lower cusp: tip up, base 4 mm below."""
    tip = np.asarray(tip, float)
    base = tip + np.array([[-0.3, -0.3, -4.0], [0.3, -0.3, -4.0], [0.0, 0.4, -4.0]])
    return [tip, *base], [[0, 1, 2], [0, 2, 3], [0, 3, 1], [1, 3, 2]], number


def slab(x, y, z, number, half=1.0):
    """An upper block, its lower face level at z."""
    block = trimesh.creation.box(extents=(2 * half, 2 * half, 3.0))
    return np.add(block.vertices, [x, y, z + 1.5]), block.faces, number


def pair_of(lower, upper):
    low, up = joined("lower", lower), joined("upper", upper)
    return tooth_pair(up, low, np.arange(len(low.vertices_mm)))


def matrices(path):
    return np.stack([s.motion.as_matrix() for s in path.reached])


def along(pair, kind="protrusion", steps=10, unit=LEVEL, travel_mm=5.0, teeth=None):
    path = excursion(
        unit, kind, steps, travel_mm=travel_mm,
        front="pin" if teeth is None else "teeth", teeth=teeth,
    )  # fmt: skip
    return path, teeth_along(pair, path, matrices(path), IDENTITY)


def test_a_cusp_that_slides_under_three_blocks_touches_clears_and_bites_where_it_must():
    """Level protrusion of 5 mm in steps of 0.5: blocks 1 mm wide on the way, each at its height."""
    ahead = CUSP + np.array([[1.0, 0, 0.02], [3.0, 0, 0.4], [4.6, 0, -0.3]])
    pair = pair_of([cone(CUSP, 36)], [slab(*p, 20 + i, half=0.45) for i, p in enumerate(ahead, 4)])
    _, teeth = along(pair)
    assert teeth.places == ("36",)
    assert teeth.where == ("protrusive",)
    np.testing.assert_allclose(teeth.way_mm, np.arange(11) * 0.5)
    gap = teeth.clearance_mm[:, 0]
    assert gap[2] == pytest.approx(0.02, abs=1e-9)  # under the first block
    assert gap[6] == pytest.approx(0.4, abs=1e-9)  # under the second
    assert gap[9] == pytest.approx(-0.3, abs=1e-9)  # 0.3 mm into the third
    assert teeth.against[[2, 6, 9], 0].tolist() == [24, 25, 26]
    assert gap[10] == pytest.approx(-0.05, abs=1e-9)  # its far wall is nearer now
    np.testing.assert_array_equal(np.flatnonzero(teeth.touching[:, 0]), [2, 9, 10])
    assert teeth.spans_mm(0) == ((1.0, 1.0), (4.5, 5.0))
    row = to_json(teeth)["teeth"][0]
    assert row["least_mm"] == pytest.approx(-0.3, abs=1e-6)
    assert row["least_at_mm"] == 4.5
    assert row["upper_tooth"] == 26
    assert row["touches_mm"] == [[1.0, 1.0], [4.5, 5.0]]
    json.dumps(row, allow_nan=False)


def test_a_contact_at_the_start_alone_is_no_contact_of_the_excursion():
    pair = pair_of([cone(CUSP, 31)], [slab(*CUSP, 11, half=0.3)])
    _, teeth = along(pair)
    assert teeth.touching[0, 0]
    assert not teeth.touched[0]
    assert teeth.spans_mm(0) == ((0.0, 0.0),)


def test_an_upper_point_above_the_middle_of_a_lower_face_is_seen():
    """No lower vertex is near it: only the way back, from upper vertices, finds it."""
    plate = np.add([[-9, -9, 0], [9, -9, 0], [9, 9, 0], [-9, 9, 0]], CUSP)
    lower = (plate, [[0, 1, 2], [0, 2, 3]], 46)
    tip = np.add(CUSP, [2.0, 1.0, 0.03])
    spike = tip + np.array([[0, 0, 0], [0.3, 0, 4], [-0.2, 0.3, 4], [-0.2, -0.3, 4]])
    pair = pair_of([lower], [(spike, [[0, 2, 1], [0, 3, 2], [0, 1, 3], [1, 2, 3]], 16)])
    _, teeth = along(pair, steps=2, travel_mm=1.0)
    np.testing.assert_allclose(teeth.clearance_mm[:, 0], 0.03, atol=1e-9)
    assert (teeth.against[:, 0] == 16).all()


@pytest.mark.parametrize(
    ("kind", "sides"),
    [
        ("left_lateral", ("working", "non_working")),
        ("right_lateral", ("non_working", "working")),
        ("protrusion", ("protrusive", "protrusive")),
    ],
)
@pytest.mark.parametrize("labelled", [True, False])
def test_the_side_that_the_mandible_moves_to_works(kind, sides, labelled):
    tips = CUSP + np.array([[-30.0, 24.0, 0.0], [-30.0, -24.0, 0.0]])
    numbers = (36, 46) if labelled else (0, 0)
    low = joined("lower", [cone(p, n) for p, n in zip(tips, numbers)])
    up = joined("upper", [slab(*CUSP, 11)])
    pair = tooth_pair(up, low, np.arange(8), ("left molar", "right molar"), tips)
    _, teeth = along(pair, kind, 2)
    assert teeth.where == sides
    assert teeth.places == (("36", "46") if labelled else ("left molar", "right molar"))


def test_an_unlabelled_front_is_divided_at_the_midline():
    tips = CUSP + np.array([[0.0, 3.0, 0.0], [0.0, -3.0, 0.0], [-30.0, 24.0, 0.0]])
    low = joined("lower", [cone(p, 0) for p in tips])
    up = joined("upper", [slab(*np.add(CUSP, [0, -3.0, 0.0]), 0)])
    pair = tooth_pair(up, low, np.arange(12), ("incisal point", "left molar"), tips[[0, 2]])
    assert pair.places == ("left of incisal point", "right of incisal point", "left molar")
    _, teeth = along(pair, "right_lateral", 2)
    assert teeth.where == ("non_working", "working", "non_working")
    assert teeth.touching[0].tolist() == [False, True, False]


def test_only_on_the_articulator_means_nowhere_in_the_mouth_not_even_at_the_start():
    cusps = [
        cone(CUSP, 31),
        cone(np.add(CUSP, [0.0, 6.0, 0.0]), 33),
        cone(np.add(CUSP, [0.0, 12.0, 0.0]), 34),
    ]
    mouth = [slab(*CUSP, 21, half=0.4), slab(*np.add(CUSP, [1.0, 6.0, 0.3]), 23, half=0.4)]
    machine = [slab(*CUSP, 21, half=2.0), slab(*np.add(CUSP, [1.0, 6.0, 0.0]), 23, half=0.4)]
    here, there = (along(pair_of(cusps, blocks))[1] for blocks in (mouth, machine))
    both = TeethCompared(here, there)
    # 31 touches longer on the articulator, but it touches in the mouth at the start.
    assert both.only_articulator == ("33",)
    assert both.only_patient == ()
    assert TeethCompared(there, here).only_patient == ("33",)
    assert to_json(both)["only_articulator"] == ["33"]


@pytest.mark.parametrize(("clear_mm", "only"), [(0.049, ()), (0.099, ()), (0.101, ("33",))])
def test_a_tooth_touches_on_one_only_where_the_other_is_clearly_apart(clear_mm, only):
    """A few micrometres about the limit of touching (50 µm) do not make the two differ."""
    ahead = np.add(CUSP, [1.0, 0.0, 0.0])
    here, there = (
        along(pair_of([cone(CUSP, 33)], [slab(*np.add(ahead, [0, 0, gap]), 23, half=0.4)]))[1]
        for gap in (0.04, clear_mm)
    )
    assert here.touched.tolist() == [True]
    assert there.touched.tolist() == [clear_mm < 0.05]
    assert TeethCompared(here, there).only_patient == only
    assert TeethCompared(there, here).only_articulator == only
    assert TeethCompared(here, there).only_articulator == ()


@given(st.lists(st.booleans(), min_size=1, max_size=30))
def test_spans_hold_exactly_the_steps_that_touch(on):
    way = np.arange(len(on)) * 0.25
    spans = spans_mm(way, np.array(on))
    inside = [any(a <= w <= b for a, b in spans) for w in way]
    assert inside == on
    assert all(b < c for (_, b), (c, _) in pairwise(spans))


def bumps(rng, arch, z, up):
    """A row of small random hills, one a tooth: closed, coarse, near the other arch."""
    parts = []
    numbers = (36, 35, 34, 44, 45, 46) if arch == "lower" else (26, 25, 24, 14, 15, 16)
    for k, number in enumerate(numbers):
        ball = trimesh.creation.icosphere(subdivisions=1, radius=3.0)
        v = ball.vertices * rng.uniform(0.8, 1.2, size=(len(ball.vertices), 1))
        centre = np.add(CUSP, [-6.0 * (k % 3), 20.0 if k < 3 else -20.0, z + up * 2.9])
        parts.append((v + centre, ball.faces, number))
    return parts


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("kind", ["protrusion", "left_lateral"])
def test_it_finds_what_brute_force_finds(seed, kind):
    """Oracle: at each step, trimesh's signed distance from every vertex of either arch."""
    pytest.importorskip("rtree", reason="RTREE ABSENT: the brute-force check did not run")
    rng = np.random.default_rng(seed)
    pair = pair_of(bumps(rng, "lower", 0.0, -1.0), bumps(rng, "upper", 0.0, 1.0))
    unit = build_articulator(ArticulatorSettings(incisal_sagittal_deg=30.0), [130.0, 0.0, -35.0])
    path, teeth = along(pair, kind, 3, unit)
    up = trimesh.Trimesh(pair.upper.vertices_mm, pair.upper.faces, process=False)
    found = 0
    for k, step in enumerate(path.reached):
        low = pair.lower.moved(step.motion)
        gap = -trimesh.proximity.signed_distance(up, low.vertices_mm)
        back = -trimesh.proximity.signed_distance(
            trimesh.Trimesh(low.vertices_mm, low.faces, process=False), pair.upper.vertices_mm
        )
        near = trimesh.proximity.closest_point(
            trimesh.Trimesh(low.vertices_mm, low.faces, process=False), pair.upper.vertices_mm
        )[2]
        of_upper = low.tooth[low.faces[near]].max(axis=1)
        for i, number in enumerate(teeth.teeth):
            ours = teeth.clearance_mm[k, i]
            one = gap[(low.tooth == number) & (np.abs(gap) <= ALONG_LIMIT_MM)]
            two = back[(of_upper == number) & (np.abs(back) <= ALONG_LIMIT_MM)]
            expected = min([np.inf, *one, *two])
            if np.isinf(expected):
                assert np.isinf(ours)
                continue
            found += 1
            assert ours == pytest.approx(expected, abs=1e-9)
        last = [
            *gap[np.abs(gap) <= CLEARANCE_LIMIT_MM],
            *back[(of_upper > 0) & (np.abs(back) <= ALONG_LIMIT_MM)],
        ]
    assert found > 5
    assert teeth.end_mm.min() == pytest.approx(min(last), abs=1e-9)


@pytest.mark.parametrize("depth", [-0.6, 0.04, 0.3, 0.8])
def test_an_upper_cusp_deep_in_a_wide_lower_face_is_found(depth):
    """No vertex of the lower is near: only the upper's tip tells, however deep it goes."""
    x, y, z = CUSP
    points, faces, number = cone([0.0, 0.0, 0.0], 25)
    points = np.array(points) * [1.0, 1.0, -1.0] + [x, y, z - depth]
    up = joined("upper", [(points, np.array(faces)[:, ::-1], number)])
    pair = tooth_pair(up, joined("lower", [slab(x, y, z - 3.0, 35, half=5.0)]), np.arange(8))
    _, teeth = along(pair, steps=4, travel_mm=1.0)
    np.testing.assert_allclose(teeth.clearance_mm[:, 0], -depth, atol=1e-9)
    assert teeth.end_mm[0] == pytest.approx(-depth)
    assert (teeth.against[:, 0] == 25).all()


def test_the_tooth_of_an_exact_contact_touches_even_between_vertices():
    """Two crossing edges meet far from every vertex."""
    low = joined("lower", [(np.add([[0, -9, 0], [0, 9, 0], [0, 0, -4]], CUSP), [[0, 1, 2]], 35)])
    up = joined("upper", [(np.add([[-9, 0, 0], [9, 0, 0], [0, 0, 4]], CUSP), [[0, 1, 2]], 25)])
    pair = tooth_pair(up, low, np.arange(3))
    _, teeth = along(pair, steps=2, travel_mm=1.0, teeth=cast_stop(up, low))
    np.testing.assert_array_equal(teeth.clearance_mm[:, 0], 0.0)
    assert (teeth.against[:, 0] == 25).all()


@pytest.mark.parametrize("kind", ["protrusion", "left_lateral"])
def test_teeth_of_real_scans_touch_at_every_step_and_never_pass_through(kind):
    """Teeth guide the open pair: the exact contact is there, nothing is deeper than rounding."""
    upper, lower = open_pair_in_articulator(CONDYLES)
    number = np.where(lower.vertices_mm[:, 1] > 0.0, 36, 46).astype(np.int16)
    lower = Cast("lower", lower.vertices_mm, lower.faces, number)
    unit = build_articulator(ArticulatorSettings(intercondylar_mm=95.84), [97.0, 0.0, -37.0])
    pair = tooth_pair(upper, lower, np.arange(0, len(lower.vertices_mm), 7))
    path, teeth = along(pair, kind, 4, unit, teeth=cast_stop(upper, lower))
    assert path.complete
    assert teeth.touching.any(axis=1).all()
    assert teeth.clearance_mm.min() > -1e-7
    for k, step in enumerate(path.reached):
        i = teeth.teeth.index(step.contact.lower_tooth)
        assert teeth.clearance_mm[k, i] == pytest.approx(0.0, abs=1e-7)


def test_everything_turned_together_gives_the_same_clearances():
    rng = np.random.default_rng(4)
    pair = pair_of(bumps(rng, "lower", 0.0, -1.0), bumps(rng, "upper", 0.0, 1.0))
    path, here = along(pair, "left_lateral", 2)
    # A rotation about the frame's z axis and a shift: sides stay where they are.
    move = RigidTransform.from_components(
        [3.0, 0.0, 8.0], Rotation.from_euler("y", 11.0, degrees=True)
    )
    turned = tooth_pair(pair.upper.moved(move), pair.lower.moved(move), pair.occlusal)
    motions = np.stack([(move * s.motion * move.inv()).as_matrix() for s in path.reached])
    there = teeth_along(turned, path, motions, move.inv())
    np.testing.assert_allclose(there.clearance_mm, here.clearance_mm, atol=1e-9)
    np.testing.assert_allclose(there.vertex_end_mm, here.vertex_end_mm, atol=1e-9)
