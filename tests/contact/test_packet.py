"""What a packet of axes drops for an axis never meets about it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from kinematics.base.motion_kernels import compose
from kinematics.contact.cells import CELL_SIZE, END, FIT, MIDDLE, TWIST, WIDE, describe, frames
from kinematics.contact.descent import axis_frame, face_pair, placed
from kinematics.contact.first_contact import prepare
from kinematics.contact.packet import (
    LANES,
    WIDTH,
    discs_left,
    faces_left,
    fill_lane,
    near_point,
    over_plane,
    triangle,
)
from kinematics.contact.thin import thin
from tests.contact.test_cells import TOWARD, Cell, random_disc, ring
from tests.contact.test_first_contact import random_case


def packet(four, ends):
    """Lanes and mask of some axes, and each one's turn of points by an angle."""
    lanes = np.zeros((LANES, WIDTH), dtype=np.float32)
    for k, end in enumerate(ends):
        fill_lane(lanes, k, four[k], end)

    def moved(k, t, points):
        a, w = np.array([*four[k][:2], 0.0]), np.array([*four[k][2:4], 1.0])
        turn = Rotation.from_rotvec(np.multiply.outer(t, w / np.linalg.norm(w)))
        matrix = np.atleast_3d(turn.as_matrix()).reshape(-1, 3, 3)
        return np.einsum("tij,pj->tpi", matrix, np.atleast_2d(points) - a) + a

    return lanes, np.uint32(2 ** len(ends) - 1), moved


def bits(mask, number):
    return [bool(int(mask) >> k & 1) for k in range(number)]


def some_axes(rng, number, most=1.5):
    four = rng.normal(0, 1, (number, 4)) * [5.0, 5.0, 0.1, 0.1]
    return four, rng.uniform(0.01, rng.choice([0.06, most]), number)


@pytest.mark.parametrize("turn", [1.0, -1.0])
def test_a_packet_knows_how_far_each_axis_raises_a_point(turn):
    rng = np.random.default_rng(5)
    for _ in range(60):
        four, ends = some_axes(rng, WIDTH, 3.0)
        lanes, full, moved = packet(four, ends)
        d, p = rng.normal(0, 1, 3), np.array([60.0, 20.0, 5.0]) + rng.normal(0, 25, 3)
        d /= np.linalg.norm(d)
        most = np.array(
            [
                (moved(k, turn * np.linspace(0, e, 1000), p)[:, 0] @ d).max()
                for k, e in enumerate(ends)
            ]
        ) - (p @ d)
        for room in rng.choice(most, 5):
            got = np.array(bits(over_plane(tuple(d), tuple(p), room, turn, lanes, full), WIDTH))
            assert got[most > room + 1e-3].all()
            assert not got[most < room - 1e-3].any()


def test_a_packet_knows_how_near_each_axis_brings_a_point():
    rng = np.random.default_rng(6)
    hits = clear = 0
    for _ in range(300):
        four, ends = some_axes(rng, WIDTH)
        lanes, full, moved = packet(four, ends)
        p, end = np.array([60.0, 20.0, 5.0]) + rng.normal(0, 15, 3), ends.max()
        # on the way about the first axis, or beside it
        target = moved(0, [rng.uniform(0, 1.5) * ends[0]], p)[0, 0] + rng.normal(0, 1.0, 3)
        reach, length = rng.uniform(0.05, 4.0), np.abs(p).sum() + 20.0
        arc = 0.125 * end**2 * length
        mask = near_point(tuple(p - target), tuple(p), reach, arc, length, lanes, full)
        for k, said in enumerate(bits(mask, WIDTH)):
            way = moved(k, np.linspace(0, ends[k], 300), p)[:, 0]
            least = np.linalg.norm(way - target, axis=1).min()
            assert said or least > reach, (k, least, reach)
            assert not said or least < reach + 2 * arc + 0.5 * length * ends[k] / 300
            hits, clear = hits + said, clear + (not said)
    assert hits > 500
    assert clear > 500


def inside_disc(points, u):
    """Which points lie in the flat cylinder of disc u."""
    x = points - np.array(u[:3])
    height = x @ np.array(u[3:6])
    across = np.linalg.norm(x - height[..., None] * np.array(u[3:6]), axis=-1)
    return (np.abs(height) <= u[6]) & (across <= u[7])


@pytest.mark.parametrize("spread", [0.0, 0.5, 3.0, 8.0])
def test_discs_that_a_packet_drops_for_an_axis_never_meet_about_it(spread):
    rng = np.random.default_rng(int(10 * spread) + 3)
    met = dropped = 0
    for _ in range(200):
        cell = Cell(rng, spread)
        if not cell.usable:
            continue
        r = cell.record
        lanes, full, moved = packet(cell.four, cell.ends)
        at = cell.frame[:3] @ (TOWARD + rng.uniform(-25, 25, 3)) + cell.frame[3]
        v = random_disc(rng, at - [0.0, 0.0, r[MIDDLE]])
        place = moved(0, [cell.ends[0] * rng.uniform(0, 1.3)], np.array(v[:3]))[0, 0]
        u = random_disc(rng, place, 0.6 + 0.3 * spread)
        ct, st = math.cos(r[FIT]), math.sin(r[FIT])
        turned = [(ct * x - st * y, st * x + ct * y, z) for x, y, z in (v[:3], v[3:6])]
        end = r[END]
        bend, arc = 0.125 * end**2 + r[TWIST], 0.125 * end**2 * (130.0 + r[WIDE])
        left, _ = discs_left(
            u,
            v,
            (*turned[0], *turned[1], *v[6:]),
            r,
            math.cos(end),
            math.sin(end),
            bend,
            1.0,
            arc,
            lanes,
            full,
        )
        share = np.sqrt(rng.uniform(0, 1, (6, 1)))
        rim = ring(v, rng)
        middle = np.array(v[:3])
        solid = np.concatenate([middle + s * (rim - middle) for s in share] + [rim])
        for k, said in enumerate(bits(left, len(cell.ends))):
            meets = inside_disc(moved(k, np.linspace(0, cell.ends[k], 40), solid), u).any()
            assert said or not meets
            met, dropped = met + meets, dropped + (not said)
    assert met > 20
    assert dropped > 300


@pytest.mark.parametrize("spread", [0.0, 0.3, 3.0, 8.0])
def test_pairs_that_thinning_or_a_packet_drops_have_no_contact(spread):
    """Every pair of faces against every axis, by the exact kernel."""
    rng = np.random.default_rng(int(10 * spread) + 1)
    dropped = kept = 0
    for seed in range(12):
        upper, lower, axis, _ = random_case(seed)
        pair = prepare(*upper, *lower)
        up, lo, motion = pair.upper.arrays, pair.lower.arrays, pair.lower_motion
        axes = np.stack([axis.left_point_mm, axis.right_point_mm]) + rng.normal(
            0, spread, (6, 2, 3)
        )
        ends = rng.uniform(0.05, 0.5) + rng.normal(0, 0.01, 6)
        toward = pair.upper.discs[0, :3].astype(float)
        middle, fu, fl = axes.mean(axis=0), np.empty((4, 3)), np.empty((4, 3))
        axis_frame(middle[0], middle[1], toward, fu)
        compose(fu, motion, fl)
        four, cell = np.zeros((6, 10)), np.zeros(CELL_SIZE)
        if not describe(axes, np.arange(6), ends, fu, placed(lo[3][0], fl), four, cell):
            continue
        pairs, new = thin(up, fu, lo, fl, cell, 0.0, np.zeros((64, 2), np.int32), 0, 1, np.zeros(4))
        lanes, full, _ = packet(four, ends)
        look = {}
        for u, v in pairs[1:new]:
            a, b = triangle(up, u, fu, cell[MIDDLE]), triangle(lo, v, fl, cell[MIDDLE])
            size = np.abs(b[0]).sum() + cell[WIDE] + 1.0
            mask = faces_left(a, b, cell[FIT], 4e-6 * size + 1e-9, 5.0, lanes, full)
            look[-1 - up[4][u], -1 - lo[4][v]] = bits(mask, 6)
        for n in range(6):
            frames(axes, n, toward, motion, fu, fl)
            for i in range(len(up[1])):
                for j in range(len(lo[1])):
                    if look.get((i, j), [False] * 6)[n]:
                        kept += 1
                        continue
                    dropped += 1
                    t, kind, _, _ = face_pair(up, fu, i, lo, fl, j, True, ends[n])
                    assert kind == 0, (seed, n, i, j, t)
    assert kept > 0
    assert dropped > 1000
