"""Orthogonal least squares of circles about one line (arrays only)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

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


def _evaluate(
    data: FloatArray,
    owner: NDArray[np.intp],
    u: FloatArray,
    point: FloatArray,
    half: tuple[float, float],
) -> ArcFit:
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
        found.append(_descend(data, owner, u, _kasa(data, owner, u), half))
    return min(found, key=lambda state: state.cost)


def _kasa(data: FloatArray, owner: NDArray[np.intp], u: FloatArray) -> FloatArray:
    """A point of the axis for a given direction: linear least squares of ``|x|^2 - 2 a.x``."""
    e1 = cross(u, np.eye(3)[int(np.argmin(np.abs(u)))])
    e1 /= np.linalg.norm(e1)
    e2 = cross(u, e1)
    flat = (data - data.mean(axis=0)) @ np.stack([e1, e2]).T
    rows = demean(2.0 * flat, owner)
    right = demean((flat**2).sum(axis=1), owner)
    a = np.linalg.lstsq(rows, right, rcond=None)[0]
    return data.mean(axis=0) + a[0] * e1 + a[1] * e2


def _descend(
    data: FloatArray,
    owner: NDArray[np.intp],
    u: FloatArray,
    point: FloatArray,
    half: tuple[float, float],
) -> ArcFit:
    state = _evaluate(data, owner, u, point, half)
    damping = 1e-4
    for _ in range(200):
        normal = state.jacobian.T @ state.jacobian
        gradient = state.jacobian.T @ state.residuals
        step = -np.linalg.solve(normal + damping * np.diag(np.diag(normal)), gradient)
        left = state.foot + half[0] * state.u + step[0] * state.toward + step[1] * state.above
        right = state.foot - half[1] * state.u + step[2] * state.toward + step[3] * state.above
        new_u = (left - right) / np.linalg.norm(left - right)
        trial = _evaluate(data, owner, new_u, left, half)
        if trial.cost <= state.cost:
            state, damping = trial, max(damping * 0.2, 1e-14)
            if np.abs(step).max() < 1e-8:
                break
        elif damping > 1e10 or np.abs(step).max() < 1e-8:
            break
        else:
            damping *= 8.0
    return state
