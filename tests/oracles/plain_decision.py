"""Chances of a plan by plain Monte Carlo: numpy only, nothing of the project's own.

Everything is in ``axis_orbital`` (mm): x anterior, y to the patient's left, z superior. The
located axis runs through (0, +-half_width, 0). A line is two points, left and right, shape
(..., 2, 3); opening turns a point about it by a positive angle, which takes what lies in front of
it downwards. *Source*: derived here, from the words of the question alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Array = NDArray[np.float64]

LANDMARKS = ((90.0, 0.0, -35.0), (48.0, 25.0, -33.0), (48.0, -25.0, -33.0))
"""Incisal point, 37 and 47 of the reference plans, at the scanned pose, mm."""

N_NORMALS = 10
"""Standard normal numbers of one draw: located axis 4, scatter 4, record 1, OVD reached 1."""

HINGE_RANGE_MM = 20.0
"""Closures longer than this are not looked for."""


@dataclass(frozen=True)
class Plan:
    """A plan without casts.

    ``record_mm`` and ``ovd_change_mm`` count from the scanned pose at the incisors, opening
    positive. ``offsets_mm``: arbitrary points from the located ones (left anterior, left superior,
    right anterior, right superior). Where ``scatter_sd_mm`` is given, the arbitrary points are
    drawn about the true axis instead.
    """

    record_mm: float
    ovd_change_mm: float
    tolerance_mm: float
    offsets_mm: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    scatter_sd_mm: float | None = None
    axis_sd_mm: float = 0.0
    record_sd_mm: float = 0.0
    ovd_sd_mm: float = 0.0
    half_width_mm: float = 55.0
    pin_mm: tuple[float, float, float] = (130.0, 0.0, -35.0)
    landmarks_mm: tuple[tuple[float, float, float], ...] = LANDMARKS
    incisal_mm: tuple[float, float, float] = LANDMARKS[0]
    stop: str = "pin"

    @property
    def closure_mm(self) -> float:
        """Nominal closure from the record to the planned OVD, at the incisors (opening < 0)."""
        return self.record_mm - self.ovd_change_mm

    @property
    def direction(self) -> float:
        """+1 where the plan closes (or does neither), -1 where it opens."""
        return -1.0 if self.closure_mm < 0.0 else 1.0


def parts(lines: Array, points: ArrayLike) -> tuple[Array, Array, Array]:
    """Of points, (k, 3) or (n, k, 3), on circles about n lines: what stays, what takes the cosine
    of the opening and what takes its sine, each (n, k, 3)."""
    along = lines[:, 0] - lines[:, 1]
    x, y, z = (along / np.linalg.norm(along, axis=1)[:, None]).T[:, :, None]
    foot = lines[:, 1][:, None]
    q = np.asarray(points, dtype=float) - foot
    inside = (q[..., 0] * x + q[..., 1] * y + q[..., 2] * z)[..., None] * np.stack([x, y, z], -1)
    p, r, s = np.moveaxis(q, 2, 0)
    return inside + foot, q - inside, np.stack([y * s - z * r, z * p - x * s, x * r - y * p], -1)


def opened(lines: Array, angle: Array, points: ArrayLike) -> Array:
    """Points, shape (k, 3) or (n, k, 3), opened about n lines by n angles (rad): (n, k, 3)."""
    still, cosine, sine = parts(lines, points)
    t = angle[:, None, None]
    return still + np.cos(t) * cosine + np.sin(t) * sine


def opening_to(lines: Array, points: ArrayLike, heights: Array) -> Array:
    """Opening (rad) about each line that brings a point, (3,) or (n, 3), to a height: Newton."""
    at = np.broadcast_to(np.asarray(points, dtype=float), (len(lines), 3))[:, None]
    still, cosine, sine = (part[:, 0, 2] for part in parts(lines, at))
    t = np.zeros(len(lines))
    for _ in range(8):
        z = still + np.cos(t) * cosine + np.sin(t) * sine
        t = t - (z - heights) / (np.cos(t) * sine - np.sin(t) * cosine)
    return t


def normals(n: int, seed: int) -> Array:
    """Standard normal numbers of n draws, shape (n, 10)."""
    return np.random.default_rng(seed).standard_normal((n, N_NORMALS))


def lines_of(plan: Plan, z: Array) -> tuple[Array, Array, Array]:
    """True, located and arbitrary line of each draw, shape (n, 2, 3)."""

    def moved(base: Array, offsets: Array) -> Array:
        out = np.array(np.broadcast_to(base, (len(z), 2, 3)))
        out[:, :, 0] += offsets[:, 0::2]
        out[:, :, 2] += offsets[:, 1::2]
        return out

    located = np.array([[0.0, plan.half_width_mm, 0.0], [0.0, -plan.half_width_mm, 0.0]])
    true = moved(located, plan.axis_sd_mm * z[:, :4])
    if plan.scatter_sd_mm is None:
        arbitrary = moved(located, np.tile(np.array(plan.offsets_mm), (len(z), 1)))
    else:
        arbitrary = moved(true, plan.scatter_sd_mm * z[:, 4:8])
    return true, moved(located, np.zeros((len(z), 4))), arbitrary


def displacements(plan: Plan, z: Array, axis: str, closure_mm: float | None = None) -> Array:
    """3-D displacement of every landmark in every draw, shape (n, k), mm.

    ``axis`` is "arbitrary" or "located". ``closure_mm`` is a nominal closure at the incisors in
    place of the plan's (opening negative): the record moves, the planned OVD stays; the noise of
    the record and that of the OVD reached act all the same, each on its own pose.
    """
    true, located, arbitrary = lines_of(plan, z)
    used = {"arbitrary": arbitrary, "located": located}[axis]
    incisal = np.array(plan.incisal_mm)
    record_mm = plan.record_mm if closure_mm is None else plan.ovd_change_mm + closure_mm
    record = opening_to(true, incisal, incisal[2] - record_mm - plan.record_sd_mm * z[:, 8])
    target = opening_to(true, incisal, incisal[2] - plan.ovd_change_mm - plan.ovd_sd_mm * z[:, 9])
    marks = np.vstack([plan.landmarks_mm, plan.pin_mm])
    recorded, wanted = opened(true, record, marks), opened(true, target, marks)
    if plan.stop == "pin":
        back = opening_to(used, recorded[:, -1], wanted[:, -1, 2])
    else:
        back = target - record
    return np.linalg.norm(opened(used, back, recorded[:, :-1]) - wanted[:, :-1], axis=2)


def share_beyond(sizes: Array, tolerance_mm: float) -> float:
    """Share of draws in which any landmark is beyond the tolerance."""
    return float(np.mean(sizes.max(axis=1) > tolerance_mm))


def chances(plan: Plan, *, draws: int = 400_000, seed: int = 1) -> dict[str, float]:
    """P(any landmark beyond tolerance): arbitrary, located, record at the planned OVD."""
    parts = []
    for block in np.array_split(normals(draws, seed), max(1, draws // 20_000)):
        sizes = (
            displacements(plan, block, "arbitrary"),
            displacements(plan, block, "located"),
            displacements(plan, block, "arbitrary", 0.0),
        )
        parts.append([(s.max(axis=1) > plan.tolerance_mm).sum() for s in sizes])
    arbitrary, located, planned = np.sum(parts, axis=0) / draws
    return {
        "arbitrary": float(arbitrary),
        "located": float(located),
        "record_at_planned": float(planned),
    }


def chance_at(plan: Plan, closure_mm: float, *, draws: int = 20_000, seed: int = 1) -> float:
    """Chance on the arbitrary axis at a closure of this size in the plan's direction, mm."""
    sizes = displacements(plan, normals(draws, seed), "arbitrary", plan.direction * closure_mm)
    return share_beyond(sizes, plan.tolerance_mm)


def largest_closure(
    plan: Plan,
    *,
    axis: str = "arbitrary",
    risk_limit: float = 0.05,
    draws: int = 20_000,
    seed: int = 1,
) -> float:
    """Largest nominal closure (size, mm at the incisors) whose chance holds the risk limit.

    0 where none holds it, infinite where 20 mm does. The same draws serve every closure.
    """
    z = normals(draws, seed)

    def chance(closure_mm: float) -> float:
        sizes = displacements(plan, z, axis, plan.direction * closure_mm)
        return share_beyond(sizes, plan.tolerance_mm)

    return bisected(lambda closure_mm: chance(closure_mm) <= risk_limit)


def bisected(holds: Callable[[float], bool]) -> float:
    """Largest length up to 20 mm that holds, to 0.005 mm; 0 and infinity as above."""
    if not holds(0.0):
        return 0.0
    if holds(HINGE_RANGE_MM):
        return float("inf")
    low, high = 0.0, HINGE_RANGE_MM
    while high - low > 0.005:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if holds(middle) else (low, middle)
    return low
