"""What the bounds of a cell of axes dismiss never meets: points turned about each axis."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from kinematics.axis import HingeAxis, closing_motion
from kinematics.broadphase import axis_frame, face_pair, moved_frame, placed, spheres_apart
from kinematics.contact import prepare
from kinematics.contact_cells import (
    CELL_SIZE,
    END,
    FIT,
    LAG,
    MIDDLE,
    SLACK,
    SLOPE,
    TWIST,
    WIDE,
    describe,
    fitted,
    frames,
)
from kinematics.contact_packet import (
    LANES,
    WIDTH,
    discs_left,
    faces_left,
    fill_lane,
    near_point,
    over_plane,
    triangle,
)
from kinematics.contact_thin import beyond, thin
from tests.test_contact import random_case

ENDS = np.array([[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]])
TOWARD = np.array([70.0, 0.0, -30.0])
STILL = np.vstack([np.eye(3), np.zeros(3)])


class Cell:
    """Axes near ``ENDS`` with angles that follow them up to some noise, and the cell's record."""

    def __init__(self, rng, spread, number=7):
        self.axes = ENDS + rng.normal(0, spread, (number, 2, 3))
        self.middle = self.axes.mean(axis=0)
        self.frame = np.empty((4, 3))
        axis_frame(self.middle[0], self.middle[1], TOWARD, self.frame)
        slope = rng.normal(0, 0.004 / max(spread, 1.0), 6)
        self.ends = rng.uniform(0.02, 0.4) + (self.axes - ENDS).reshape(number, 6) @ slope
        self.ends = np.clip(self.ends + rng.normal(0, 1e-3, number), 1e-3, 1.2)
        disc = placed(np.array([*TOWARD, 0, 0, 1, 0.0, 45.0]), self.frame)
        self.four, self.record = np.zeros((number, 10)), np.zeros(CELL_SIZE)
        members = np.arange(number)
        self.usable = describe(
            self.axes, members, self.ends, self.frame, disc, self.four, self.record
        )

    def closing(self, n, t):
        """Motion about axis n by t, in the reference frame, as a function of points (k, 3)."""
        motion = closing_motion(HingeAxis(*self.axes[n]), math.degrees(t))
        turn, shift = self.frame[:3], self.frame[3]
        return lambda p: motion.apply((p - shift) @ turn) @ turn.T + shift


def ring(disc, rng, number=24):
    """Points on the rims of a disc's two faces."""
    x, n = np.array(disc[:3]), np.array(disc[3:6])
    a = np.cross(n, [1.0, 0, 0] if abs(n[0]) < 0.9 else [0, 1.0, 0])
    a /= np.linalg.norm(a)
    b = np.cross(n, a)
    angle = rng.uniform(0, 2 * np.pi, number)[:, None]
    rim = disc[7] * (np.cos(angle) * a + np.sin(angle) * b)
    return np.concatenate([x + rim + disc[6] * n, x + rim - disc[6] * n])


def random_disc(rng, at, spread=0.8):
    n = rng.normal(0, 1, 3)
    n /= np.linalg.norm(n)
    return (*(at + rng.normal(0, spread, 3)), *n, rng.uniform(0, 0.1), rng.uniform(0.05, 0.8))


@pytest.mark.parametrize("spread", [0.0, 0.5, 3.0, 8.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_discs_that_a_plane_keeps_apart_never_meet_it(spread, sign):
    rng = np.random.default_rng(int(10 * spread) + (sign > 0))
    clear = apart = 0
    for _ in range(250):
        cell = Cell(rng, spread)
        if not cell.usable:
            continue
        at = cell.frame[:3] @ (TOWARD + rng.uniform(-25, 25, 3)) + cell.frame[3]
        v = random_disc(rng, at)
        # near where v goes about the reference, or, seen from v, where u comes from
        t = sign * cell.record[FIT] * rng.uniform(0, 1.5)
        c, s = math.cos(t), math.sin(t)
        u = random_disc(
            rng, np.array([c * at[0] - s * at[1], s * at[0] + c * at[1], at[2]]), 0.8 + 0.5 * spread
        )
        answer, _ = beyond(u[3:6], u, v, sign, cell.record, np.empty(4))
        n = np.array(u[3:6])
        level = n @ np.array(u[:3])
        rim, low, high = ring(v, rng), np.inf, -np.inf
        for k, end in enumerate(cell.ends):
            for turn in np.linspace(0, end, 6):
                moved = cell.closing(k, sign * turn)(rim) @ n - level
                low, high = min(low, moved.min()), max(high, moved.max())
        truly = low > u[6] or high < -u[6]
        assert truly or not answer
        clear, apart = clear + bool(answer), apart + truly
    assert clear > 20
    if spread == 0.0:
        assert clear > 0.8 * apart


def few_axes(rng, kind):
    """Two to four axes that differ in one way only, so that a bound can be reached."""
    number = int(rng.integers(2, 5))
    axes = np.repeat(ENDS[None], number, axis=0)
    steps = rng.uniform(-1, 1, number) * rng.choice([1.0, 5.0, 15.0])
    if kind in "xz":
        axes[:, :, "xz".index(kind) * 2] += steps[:, None]
    elif kind in "XZ":  # opposite at the two ends: slopes
        axes[:, :, "XZ".index(kind) * 2] += steps[:, None] * np.array([1.0, -1.0])
    elif kind == "all":
        axes += rng.normal(0, 4.0, axes.shape)
    ends = np.full(number, rng.uniform(0.02, 1.0)) + rng.normal(0, rng.choice([0, 0.02]), number)
    return axes, np.clip(ends, 1e-3, 2.0)


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("kind", ["", "x", "z", "X", "Z", "all"])
def test_a_plane_that_a_disc_reaches_never_counts_as_between(kind, sign):
    """The plane lies where the disc comes at its farthest, or a little beyond: tight cases."""
    rng = np.random.default_rng(sum(map(ord, kind)) + (sign > 0))
    apart = beyond_it = 0
    for _ in range(400):
        axes, ends = few_axes(rng, kind)
        middle, frame = axes.mean(axis=0), np.empty((4, 3))
        axis_frame(middle[0], middle[1], TOWARD, frame)
        whole = placed(np.array([*TOWARD, 0, 0, 1, 0.0, 45.0]), frame)
        four, cell = np.zeros((len(axes), 10)), np.zeros(CELL_SIZE)
        assert describe(axes, np.arange(len(axes)), ends, frame, whole, four, cell)
        v = list(random_disc(rng, frame[:3] @ (TOWARD + rng.uniform(-20, 20, 3)) + frame[3]))
        v[6], v[7] = rng.choice([0.0, 0.1]), rng.choice([0.0, 3.0])
        d = rng.normal(0, 1, 3)
        d /= np.linalg.norm(d)
        rim, high = ring(v, rng, 60), -np.inf
        for axis, end in zip(axes @ frame[:3].T + frame[3], ends, strict=True):
            w = axis[1] - axis[0]  # left to right: closing is a right-handed turn about it
            turn = Rotation.from_rotvec(
                sign * np.linspace(0, end, 25)[:, None] * w / np.linalg.norm(w)
            ).as_matrix()
            moved = np.einsum("tij,pj->tpi", turn, rim - axis[0]) + axis[0]
            high = max(high, (moved @ d).max())
        for more, answer_must in ((0.0, False), (3.0, None)):
            u = (*(d * (high + more)), *d, 0.0, 0.0)
            answer, _ = beyond(d, u, tuple(v), sign, cell, np.empty(4))
            if answer_must is False:
                assert not answer
            else:
                apart, beyond_it = apart + 1, beyond_it + bool(answer)
    assert beyond_it > 0.2 * apart


@pytest.mark.parametrize("spread", [0.5, 8.0])
def test_the_fit_of_the_angles_is_within_its_slack(spread):
    cell = Cell(np.random.default_rng(4), spread, 40)
    r = cell.record
    own = np.array([fitted(r, f) for f in cell.four])
    expected = r[FIT] + cell.four[:, :4] @ r[SLOPE : SLOPE + 4]
    np.testing.assert_allclose(own, expected, rtol=1e-12)
    assert np.abs(own - cell.ends).max() == pytest.approx(r[SLACK], rel=1e-6)
    assert np.abs(cell.ends - r[FIT]).max() == pytest.approx(r[LAG], rel=1e-6)
    assert r[SLACK] < 0.6 * r[LAG]


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
        end = max(r[END], r[FIT])
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
        moved_frame(fu, motion, fl)
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


def test_spheres_that_stay_apart_never_come_within_the_stray():
    rng = np.random.default_rng(9)
    said = 0
    for _ in range(500):
        u, v = (random_disc(rng, rng.uniform(-20, 20, 3)) for _ in range(2))
        end, stray = rng.uniform(0.01, 3.0), rng.uniform(0, 2)
        if spheres_apart(u, v, end, math.cos(end), math.sin(end), stray):
            said += 1
            t = np.linspace(0, end, 200)
            x = np.cos(t) * v[0] - np.sin(t) * v[1]
            y = np.sin(t) * v[0] + np.cos(t) * v[1]
            gap = np.sqrt((x - u[0]) ** 2 + (y - u[1]) ** 2 + (v[2] - u[2]) ** 2)
            assert gap.min() > u[6] + u[7] + v[6] + v[7] + stray
    assert said > 100
