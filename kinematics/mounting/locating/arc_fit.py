"""Orthogonal least squares of circles about one line (arrays only)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from kinematics.base.arrays import FloatArray, cross


@dataclass(frozen=True, eq=False)
class ArcFit:
    """One line, its residuals (radial, axial; flat) and their Jacobian in the line's points.

    The four columns move the left point toward the arch and above, then the right point.
    """

    u: FloatArray
    foot: FloatArray
    toward: FloatArray
    above: FloatArray
    residuals: FloatArray
    jacobian: FloatArray
    angle: FloatArray
    radius: FloatArray

    @property
    def cost(self) -> float:
        """Sum of squares, mm^2."""
        return float(self.residuals @ self.residuals)


def demean(values: FloatArray, owner: NDArray[np.intp]) -> FloatArray:
    """Subtract each track's mean."""
    count = np.bincount(owner).astype(float)
    out = values.copy()
    flat = out.reshape(len(values), -1)
    for k in range(flat.shape[1]):
        flat[:, k] -= (np.bincount(owner, flat[:, k]) / count)[owner]
    return out


def evaluate(
    data: FloatArray,
    owner: NDArray[np.intp],
    u: FloatArray,
    point: FloatArray,
    half: tuple[float, float],
) -> ArcFit:
    """Residuals and their slopes of the line along ``u`` through a point."""
    middle = data.mean(axis=0)
    foot = point + ((middle - point) @ u) * u
    toward = (middle - foot) / np.linalg.norm(middle - foot)
    above = cross(toward, u)
    q = data - foot
    s, x, z = q @ u, q @ toward, q @ above
    radius = np.hypot(x, z)
    # Right-handed about u: from above to toward; measured from toward, opening positive.
    angle = np.arctan2(-z, x)
    residuals = demean(np.stack([radius, s], axis=1), owner)
    share = (s + half[1]) / sum(half)
    jac = np.empty((len(data), 2, 4))
    for k, (own, radial) in enumerate([(share, x), (share, z), (1.0 - share, x), (1.0 - share, z)]):
        jac[:, 0, k] = -own * radial / radius
        jac[:, 1, k] = (1.0 if k < 2 else -1.0) * radial / sum(half)
    jac = demean(jac, owner)
    return ArcFit(u, foot, toward, above, residuals.reshape(-1), jac.reshape(-1, 4), angle, radius)


def fit_arcs(
    data: FloatArray, owner: NDArray[np.intp], hint: FloatArray, half: tuple[float, float]
) -> ArcFit:
    """Levenberg-Marquardt from the starts that the tracks and the hint suggest; the best."""
    centred = demean(data, owner)
    vectors = np.linalg.svd(centred, full_matrices=False)[2]
    square = hint - (hint @ vectors[0]) * vectors[0]
    starts = [vectors[2]]
    if np.linalg.norm(square) > 0.1:
        starts.append(square / np.linalg.norm(square))
    found = []
    for u in starts:
        u = u if u @ hint >= 0 else -u
        found.append(descend(data, owner, u, kasa_point(data, owner, u), half))
    return min(found, key=lambda state: state.cost)


def kasa_point(data: FloatArray, owner: NDArray[np.intp], u: FloatArray) -> FloatArray:
    """A point of the axis for a given direction: linear least squares of ``|x|^2 - 2 a.x``."""
    e1 = cross(u, np.eye(3)[int(np.argmin(np.abs(u)))])
    e1 /= np.linalg.norm(e1)
    e2 = cross(u, e1)
    flat = (data - data.mean(axis=0)) @ np.stack([e1, e2]).T
    rows = demean(2.0 * flat, owner)
    right = demean((flat**2).sum(axis=1), owner)
    a = np.linalg.lstsq(rows, right, rcond=None)[0]
    return data.mean(axis=0) + a[0] * e1 + a[1] * e2


def descend(
    data: FloatArray,
    owner: NDArray[np.intp],
    u: FloatArray,
    point: FloatArray,
    half: tuple[float, float],
) -> ArcFit:
    """Least squares over shifts of the start's two points, square to its line."""
    start = evaluate(data, owner, u, point, half)
    across = np.stack([start.toward, start.above])

    def at(shifts: FloatArray) -> ArcFit:
        left = start.foot + half[0] * u + shifts[:2] @ across
        right = start.foot - half[1] * u + shifts[2:] @ across
        return evaluate(data, owner, (left - right) / np.linalg.norm(left - right), left, half)

    def slope(shifts: FloatArray) -> FloatArray:
        state = at(shifts)
        turned = np.stack([state.toward, state.above]) @ across.T
        return state.jacobian @ np.kron(np.eye(2), turned)

    found = least_squares(
        lambda shifts: at(shifts).residuals, np.zeros(4), slope,
        method="lm", ftol=1e-15, xtol=1e-12, gtol=1e-15,
    )  # fmt: skip
    return at(found.x)
