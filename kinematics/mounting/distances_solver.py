"""Caliper readings as equations: what each would be at a pose, and all minima from many starts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.arrays import FloatArray
from kinematics.base.teeth import tooth_side
from kinematics.case.mounting_tables import AXIS_POINTS, MeasuredPoint, Reading

START_CENTRE_MM = (70.0, 0.0, -40.0)  # about where casts stand in axis_orbital (ours)
START_WIDTH_MM = 105.0  # between the published condylar and skin means (ours)
START_THIRD_MM = (80.0, 30.0)  # about where orbitale lies (ours)
ROUNDS = 300
"""Most Levenberg-Marquardt rounds; well-posed sets need 10 to 30."""
_COLUMN = {"anterior": 0, "left": 1, "height": 2}


@dataclass(frozen=True, eq=False)
class Solution:
    """One local minimum.

    Attributes
    ----------
    pose : RigidTransform
        ``frame_from_upper_scan``.
    extra : ndarray
        Width (unless given) and third point's x and y (where read), mm.
    chi_square : float
        Sum of squared standardised misses.
    """

    pose: RigidTransform
    extra: FloatArray
    chi_square: float


@dataclass(frozen=True, eq=False)
class Problem:
    """Readings, points on the casts (``upper_scan``) and the width if it is known.

    The unknowns are a small motion (rotation in rad, translation in mm) of the pose in the frame,
    then ``extra``.
    """

    points: tuple[MeasuredPoint, ...]
    readings: tuple[Reading, ...]
    width_mm: float | None

    @property
    def uses_third(self) -> bool:
        """Whether any reading refers to the third point (2 more unknowns)."""
        return any("third_point" in (r.from_, r.to, r.of) for r in self.readings)

    @property
    def unknowns(self) -> int:
        """6 of the pose, 1 of the width, 2 of the third point."""
        return 6 + (self.width_mm is None) + 2 * self.uses_third

    @cached_property
    def scan_mm(self) -> FloatArray:
        """Points of the casts, shape (n, 3)."""
        return np.array([p.upper_scan_mm for p in self.points])

    @cached_property
    def rows(
        self,
    ) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.int64], FloatArray, FloatArray]:
        """First point, second point (or -1), column, reading and sd of each reading."""
        index = {n: i for i, n in enumerate([*(p.name for p in self.points), *AXIS_POINTS])}
        first = np.array([index[r.from_ or r.of or ""] for r in self.readings])
        second = np.array([index[r.to] if r.to is not None else -1 for r in self.readings])
        column = np.array([_COLUMN.get(r.kind, 0) for r in self.readings])
        mm = np.array([r.mm for r in self.readings])
        return first, second, column, mm, np.array([r.sd_mm for r in self.readings])

    def positions(self, turn: FloatArray, shift: FloatArray, extra: FloatArray) -> FloatArray:
        """All points in the frame, casts first, then axis points and third, shape (s, n + 3, 3)."""
        s, n = len(turn), len(self.points)
        out = np.zeros((s, n + 3, 3))
        out[:, :n] = np.einsum("sij,nj->sni", turn, self.scan_mm) + shift[:, None]
        width = extra[:, 0] if self.width_mm is None else np.full(s, self.width_mm)
        out[:, n, 1], out[:, n + 1, 1] = width / 2.0, -width / 2.0
        out[:, n + 2, :2] = extra[:, -2:] if self.uses_third else START_THIRD_MM
        return out

    def misses(self, at: FloatArray) -> FloatArray:
        """Fitted minus read over sd, shape (s, m), at ``positions``."""
        first, second, column, mm, sd = self.rows
        gap = at[:, first] - np.where((second >= 0)[:, None], at[:, second], 0.0)
        length = np.linalg.norm(gap, axis=2)
        single = np.take_along_axis(gap, column[None, :, None], axis=2)[:, :, 0]
        return (np.where(second >= 0, length, single) - mm) / sd

    def jacobian(self, at: FloatArray) -> FloatArray:
        """Change of the misses by the unknowns, shape (s, m, unknowns)."""
        first, second, column, _, sd = self.rows
        s, n = len(at), len(self.points)
        pair = second >= 0
        gap = at[:, first] - at[:, second]
        length = np.maximum(np.linalg.norm(gap, axis=2, keepdims=True), 1e-12)
        slope = np.where(pair[:, None], gap / length, np.eye(3)[column]) / sd[:, None]
        out = np.zeros((s, len(first), self.unknowns))
        for which, sign in ((first, 1.0), (second, -1.0)):
            g = sign * slope
            moves = ((which >= 0) & (which < n)).astype(float)[:, None]
            out[:, :, :3] += moves * np.cross(at[:, which], g)
            out[:, :, 3:6] += moves * g
            if self.width_mm is None:
                half = np.where(which == n, 0.5, np.where(which == n + 1, -0.5, 0.0))
                out[:, :, 6] += half * g[:, :, 1]
            if self.uses_third:
                out[:, :, -2:] += (which == n + 2)[:, None] * g[:, :, :2]
        return out

    def at(self, s: Solution) -> FloatArray:
        """Positions at one solution, shape (n + 3, 3)."""
        turn, shift = s.pose.rotation.as_matrix()[None], np.asarray(s.pose.translation)[None]
        return self.positions(turn, shift, s.extra[None])[0]

    def places(self, s: Solution) -> dict[str, FloatArray]:
        """Every named point in the frame at one solution."""
        names = [*(p.name for p in self.points), *AXIS_POINTS]
        return dict(zip(names, self.at(s), strict=True))


def predicted(reading: Reading, places: dict[str, FloatArray]) -> float:
    """What a reading would be with the points at given places, mm."""
    if reading.kind == "distance":
        return float(np.linalg.norm(places[reading.from_ or ""] - places[reading.to or ""]))
    return float(places[reading.of or ""][_COLUMN[reading.kind]])


def solve(problem: Problem) -> list[Solution]:
    """Return the distinct minima reached from 24 orientations of the scan, best first.

    Notes
    -----
    *Guarantee*: each is stationary up to rounding, or the last of 300 rounds; never empty.
    *Source*: Levenberg 1944, Marquardt 1963, all starts stepped together; two minima are
    distinct when some point lies more than 1 mm apart (ours).
    """
    turns = Rotation.create_group("O").as_matrix()
    s, k = len(turns), problem.unknowns
    shift = np.array(START_CENTRE_MM) - turns @ problem.scan_mm.mean(axis=0)
    start = [START_WIDTH_MM] if problem.width_mm is None else []
    if problem.uses_third:
        start += START_THIRD_MM
    extra = np.tile(np.array(start, dtype=np.float64), (s, 1))
    damp = np.full(s, 1e-2)
    at = problem.positions(turns, shift, extra)
    r = problem.misses(at)
    cost = np.sum(r**2, axis=1)
    done = np.zeros(s, dtype=bool)
    for _ in range(ROUNDS):
        j = problem.jacobian(at)
        normal = np.swapaxes(j, 1, 2) @ j
        diagonal = np.einsum("sii->si", normal)
        floor = 1e-9 * diagonal.max(axis=1, keepdims=True) + 1e-12
        ridge = (damp[:, None] * diagonal + floor)[:, :, None] * np.eye(k)
        step = -np.linalg.solve(normal + ridge, np.swapaxes(j, 1, 2) @ r[:, :, None])[:, :, 0]
        length = np.linalg.norm(step[:, :3], axis=1, keepdims=True)
        step *= np.minimum(1.0, 0.5 / np.maximum(length, 1e-12))
        small = Rotation.from_rotvec(step[:, :3]).as_matrix()
        turns2 = small @ turns
        shift2 = np.einsum("sij,sj->si", small, shift) + step[:, 3:6]
        extra2 = extra + step[:, 6:]
        at2 = problem.positions(turns2, shift2, extra2)
        r2 = problem.misses(at2)
        cost2 = np.sum(r2**2, axis=1)
        better = cost2 <= cost
        gain = cost - cost2
        turns[better], shift[better], extra[better] = turns2[better], shift2[better], extra2[better]
        at[better], r[better], cost[better] = at2[better], r2[better], cost2[better]
        damp = np.clip(np.where(better, damp / 5.0, damp * 5.0), 1e-12, 1e9)
        still = (np.abs(step[:, :3]).max(axis=1) < 1e-12) & (
            np.abs(step[:, 3:]).max(axis=1) < 1e-10
        )
        done |= still | (damp >= 1e9) | (better & (gain <= 1e-10 * cost) & (cost > 1e-6))
        if np.all(done):
            break
    found: list[int] = []
    for i in np.argsort(cost):
        if all(np.linalg.norm(at[i] - at[f], axis=1).max() > 1.0 for f in found):
            found.append(int(i))
    return [
        Solution(
            RigidTransform.from_components(shift[i], Rotation.from_matrix(turns[i])),
            extra[i],
            float(cost[i]),
        )
        for i in found
    ]


def side_of(point: MeasuredPoint) -> int:
    """+1 for a point on the patient's left, -1 right, 0 unknown (by tooth, or word in the name)."""
    if point.tooth is not None:
        return tooth_side(point.tooth)
    words = point.name.lower().replace("_", " ").split()
    return ("left" in words) - ("right" in words)


def wrong_side(problem: Problem, s: Solution) -> list[str]:
    """Names of the points of known side that a pose puts on the other one (over 5 mm)."""
    places = problem.places(s)
    return [p.name for p in problem.points if side_of(p) * places[p.name][1] < -5.0]


def plausible(problem: Problem, s: Solution) -> bool:
    """Whether a pose has the casts in front, below, and its known sides on their side."""
    at = problem.at(s)
    cast, left, third = at[:-3], at[-3], at[-1]
    in_place = cast[:, 0].mean() > 0.0 > cast[:, 2].mean()
    return bool(left[1] > 0.0 and third[0] > 0.0 and in_place) and not wrong_side(problem, s)


def with_readings(problem: Problem, readings: Sequence[Reading]) -> Problem:
    """Return the same problem with other readings."""
    return Problem(problem.points, tuple(readings), problem.width_mm)
