"""What the bounds of a cell of axes dismiss never meets: points turned about each axis."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.contact.cells import (
    CELL_SIZE,
    END,
    FIT,
    LAG,
    SLACK,
    SLOPE,
    TWIST,
    describe,
    fitted,
)
from kinematics.contact.descent import axis_frame, placed, spheres_apart
from kinematics.contact.thin import beyond

ENDS = np.array([[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]])
TOWARD = np.array([70.0, 0.0, -30.0])


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
def test_discs_that_a_plane_keeps_apart_never_meet_it(spread, sign, repeats):
    rng = np.random.default_rng(int(10 * spread) + (sign > 0))
    clear = apart = 0
    for _ in range(repeats(100, 250)):
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
    assert clear > repeats(8, 20)
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
def test_a_plane_that_a_disc_reaches_never_counts_as_between(kind, sign, repeats):
    """The plane lies where the disc comes at its farthest, or a little beyond: tight cases."""
    rng = np.random.default_rng(sum(map(ord, kind)) + (sign > 0))
    apart = beyond_it = 0
    for _ in range(repeats(200, 400)):
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


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_plane_that_an_axis_off_the_reference_brings_a_point_to_is_no_plane_between(sign):
    """Each cell lies to one side of its reference: the heights differ most before the end.

    The point's greatest height about the reference lies between start and end.
    """
    rng = np.random.default_rng(3)
    frame, clear = np.empty((4, 3)), 0
    axis_frame(ENDS[0], ENDS[1], TOWARD, frame)
    whole = placed(np.array([*TOWARD, 0, 0, 1, 0.0, 45.0]), frame)
    for _ in range(1500):
        shift = rng.uniform(-1, 1, 3) * rng.choice([3.0, 10.0, 20.0], 3) * [1, 0, 1]
        axes = ENDS + shift + rng.normal(0, rng.choice([1e-3, 0.05]), (9, 2, 3))
        end = rng.uniform(0.3, 2.5)
        four, cell = np.zeros((9, 10)), np.zeros(CELL_SIZE)
        assert describe(axes, np.arange(9), np.full(9, end), frame, whole, four, cell)
        point = frame[:3] @ (TOWARD + rng.uniform(-20, 20, 3)) + frame[3]
        crest = Rotation.from_rotvec([0, 0, sign * rng.uniform(0, end)])
        d = crest.apply([*point[:2], 0.0] / np.hypot(*point[:2]))
        high = -np.inf
        for axis in axes @ frame[:3].T + frame[3]:
            w = axis[1] - axis[0]
            turns = sign * np.linspace(0, end, 60)[:, None] * w / np.linalg.norm(w)
            way = Rotation.from_rotvec(turns).apply(point - axis[0]) + axis[0]
            high = max(high, (way @ d).max())
        v = (*point, 0.0, 0.0, 1.0, 0.0, 0.0)
        answers = [
            beyond(d, (*(d * (high + more)), *d, 0.0, 0.0), v, sign, cell, np.empty(4))[0]
            for more in (0.0, 10.0)
        ]
        assert not answers[0]
        clear += answers[1]
    assert clear > 200


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


@pytest.mark.parametrize("spread", [0.5, 8.0])
def test_the_twist_bounds_the_rotation_between_a_turn_and_the_reference_s(spread):
    rng = np.random.default_rng(11)
    closest = 0.0
    for _ in range(60):
        cell = Cell(rng, spread)
        reference = HingeAxis(*cell.middle)
        if not cell.usable:
            continue
        for axis in cell.axes:
            for t in np.linspace(0.0, cell.record[END], 5)[1:]:
                one, other = (
                    closing_motion(a, math.degrees(t)).rotation
                    for a in (HingeAxis(*axis), reference)
                )
                twist = (one * other.inv()).magnitude()
                assert twist <= cell.record[TWIST] * (1 + 1e-9) + 1e-12
                closest = max(closest, twist / cell.record[TWIST])
    assert closest > 0.95


def test_the_fit_at_the_reference_lies_within_the_cell_s_range():
    """Few axes with wild angles: the fit of them would have the reference turn many times."""
    rng = np.random.default_rng(12)
    middle = ENDS + rng.normal(0, 4.0, (3, 2, 3))
    for _ in range(300):
        axes = middle[rng.integers(0, 3, 6)] + rng.normal(0, 0.01, (6, 2, 3))
        ends, frame = rng.uniform(0, 2.9, 6), np.empty((4, 3))
        axis_frame(*axes.mean(axis=0), TOWARD, frame)
        whole = placed(np.array([*TOWARD, 0, 0, 1, 0.0, 45.0]), frame)
        four, cell = np.zeros((6, 10)), np.zeros(CELL_SIZE)
        assert describe(axes, np.arange(6), ends, frame, whole, four, cell)
        assert 0.0 < cell[FIT] <= cell[END] == ends.max()
        own = np.array([fitted(cell, f) for f in four])
        assert np.abs(own - ends).max() <= cell[SLACK]


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
