"""Least squares for one line and n angles that carry a body from pose to pose (arrays only)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import Rotation

from kinematics.base.arrays import FloatArray, cross, cross_matrix, turns_about

MAX_ITERATIONS = 60
"""Gauss-Newton steps; a handful suffices unless a scan is grossly wrong (ours)."""
STEP_LIMIT_MM = 1e-9
"""The iteration has converged when no axis point moves farther than this in a step (ours)."""


def metric(points: FloatArray, centre: FloatArray) -> FloatArray:
    """Matrix Q, (6, 6), with ``e Q e`` = sum of squared displacements of points by a twist e.

    A twist is (rotation vector in rad, displacement of the centre in mm).
    """
    j = np.concatenate(
        [-cross_matrix(points - centre), np.broadcast_to(np.eye(3), (len(points), 3, 3))], axis=2
    )
    return np.einsum("kai,kaj->ij", j, j)


def twists(
    turn: FloatArray, shift: FloatArray, turn0: FloatArray, shift0: FloatArray, centre: FloatArray
) -> FloatArray:
    """Twist from each pose (turn0, shift0) to (turn, shift) about the posed centre, (n, 6)."""
    out = np.empty((len(turn), 6))
    out[:, :3] = Rotation.from_matrix(turn @ np.swapaxes(turn0, 1, 2)).as_rotvec()
    out[:, 3:] = (turn - turn0) @ centre + shift - shift0
    return out


@dataclass(frozen=True, eq=False)
class LineFit:
    """Result of :func:`fit_line`.

    Attributes
    ----------
    left, right : (3,), mm
        The line's points, at the half widths from the foot of the first pose's centre.
    toward, above : (3,)
        Unit vectors square to the line: from it to the centre, and left-handedly completing
        anterior, left, superior (``above = toward x u``).
    reach : float, mm
        Distance of the first pose's centre from the line.
    angles : (n,), rad
        From the first pose, right-handed about the direction from right to left.
    residuals : (n, 6)
        Twists (rad, mm) left over.
    sum_squares : float
        Of the whitened residuals, with weights.
    dof : int
        ``5 n - 9``: six numbers a pose, less 4 (line), 6 (first pose), n - 1 (angles).
    cofactor : (4, 4)
        Covariance of (left toward, left above, right toward, right above) for unit noise.
    jacobian : (6 n, n + 9)
        Whitened, at the solution.
    """

    left: FloatArray
    right: FloatArray
    toward: FloatArray
    above: FloatArray
    reach: float
    angles: FloatArray
    residuals: FloatArray
    sum_squares: float
    dof: int
    cofactor: FloatArray
    jacobian: FloatArray
    whitened: FloatArray
    converged: bool


def start_line(
    turn: FloatArray, shift: FloatArray, left_hint: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Direction and a point of the common axis from all pairs, closed form.

    The direction is the leading eigenvector of the pairs' rotation vectors (so weighted by angle
    squared); the point solves ``(I - R) a = t`` of all pairs in least squares.
    """
    i, j = np.triu_indices(len(turn), 1) if len(turn) <= 40 else (np.zeros(0, int),) * 2
    if len(i) == 0:
        i, j = np.zeros(len(turn) - 1, int), np.arange(1, len(turn))
    rel = turn[j] @ np.swapaxes(turn[i], 1, 2)
    move = shift[j] - np.einsum("nab,nb->na", rel, shift[i])
    vectors = Rotation.from_matrix(rel).as_rotvec()
    u = np.linalg.eigh(vectors.T @ vectors)[1][:, -1]
    if u @ left_hint < 0:
        u = -u
    side = np.eye(3) - np.outer(u, u)
    rows = np.concatenate([side @ (np.eye(3) - r) for r in rel] + [u[None, :]])
    right = np.concatenate([move @ side, [np.zeros(3)]]).reshape(-1)[: 3 * len(rel)]
    point = np.linalg.lstsq(rows, np.append(right, 0.0), rcond=None)[0]
    return u, point


def fit_line(
    turn: FloatArray,
    shift: FloatArray,
    centre: FloatArray,
    whiteners: FloatArray,
    half_widths: tuple[float, float],
    left_hint: FloatArray,
    weights: FloatArray | None = None,
) -> LineFit:
    """Fit poses ``G_i = Rot(line, angle_i) G`` with G, the line and the angles unknown.

    Parameters
    ----------
    turn, shift : (n, 3, 3), (n, 3)
        The poses, all in one frame; n >= 2.
    centre : (3,), mm
        Point of the body about which the poses' twists and whiteners are meant.
    whiteners : (n, 6, 6)
        ``W_i`` with ``W_i e_i`` of unit covariance; sum of squares is minimised.
    half_widths : (left, right), mm
    left_hint : (3,)
    weights : (n,), optional

    Notes
    -----
    *Guarantee*: Gauss-Newton with the twist Jacobian, whose neglected terms are of second order
    in the residual; ``converged`` says whether the steps vanished. Minimises over all relative
    motions at once, each pose counted once, whatever the pair it is compared with.
    *Source*: derived here: a twist xi of the line changes the pose by ``xi - Ad(Rot) xi``.
    """
    n = len(turn)
    w = whiteners if weights is None else np.sqrt(weights)[:, None, None] * whiteners
    u, point = start_line(turn, shift, left_hint)
    turn_ref, shift_ref = turn[0], shift[0]
    rel0 = Rotation.from_matrix(turn @ turn[0].T).as_rotvec()
    angles = rel0 @ u
    wide = sum(half_widths)
    converged = False
    for _ in range(MAX_ITERATIONS):
        centre_ref = turn_ref @ centre + shift_ref
        foot = point + ((centre_ref - point) @ u) * u
        toward = (centre_ref - foot) / np.linalg.norm(centre_ref - foot)
        above = cross(toward, u)
        rot = turns_about(u, angles)
        shift_hat = rot @ (shift_ref - foot) + foot
        e = twists(turn, shift, rot @ turn_ref, shift_hat, centre)
        c = rot @ (centre_ref - foot) + foot
        jac = np.zeros((n, 6, n + 9))
        line_columns(jac, rot, u, foot, c, centre_ref, toward, above, half_widths)
        jac[:, :3, 4:7] = rot
        jac[:, 3:, 7:10] = rot
        spin = np.concatenate([np.broadcast_to(u, (n, 3)), cross(u, c - foot)], axis=1)
        for i in range(1, n):
            jac[i, :, 9 + i] = spin[i]
        jw = (w @ jac).reshape(6 * n, n + 9)
        ew = np.einsum("nab,nb->na", w, e).reshape(-1)
        scale = np.linalg.norm(jw, axis=0)
        q, r = np.linalg.qr(jw / scale)
        delta = np.linalg.solve(r, q.T @ ew) / scale
        if converged:
            break
        left = foot + half_widths[0] * u + delta[0] * toward + delta[1] * above
        right = foot - half_widths[1] * u + delta[2] * toward + delta[3] * above
        u = (left - right) / np.linalg.norm(left - right)
        point = left + (half_widths[0] / wide) * (right - left)
        turn_ref = Rotation.from_rotvec(delta[4:7]).as_matrix() @ turn_ref
        shift_ref = centre_ref + delta[7:10] - turn_ref @ centre
        angles = angles + np.append(0.0, delta[10:])
        converged = bool(np.abs(delta[:4]).max() < STEP_LIMIT_MM)
    inverse = np.linalg.inv(r)
    cofactor = (inverse @ inverse.T)[:4, :4] / np.outer(scale[:4], scale[:4])
    return LineFit(
        left=foot + half_widths[0] * u,
        right=foot - half_widths[1] * u,
        toward=toward,
        above=above,
        reach=float(np.linalg.norm(centre_ref - foot)),
        angles=angles,
        residuals=e,
        sum_squares=float(ew @ ew),
        dof=5 * n - 9,
        cofactor=cofactor,
        jacobian=jw,
        whitened=ew,
        converged=converged,
    )


def line_columns(
    jac: FloatArray,
    rot: FloatArray,
    u: FloatArray,
    foot: FloatArray,
    c: FloatArray,
    centre_ref: FloatArray,
    toward: FloatArray,
    above: FloatArray,
    half_widths: tuple[float, float],
) -> None:
    """Fill the first four columns: left and right point moved 1 mm toward and above."""
    a, b = half_widths
    for k in range(4):
        d = toward if k % 2 == 0 else above
        d_left, d_right = (d, 0.0 * d) if k < 2 else (0.0 * d, d)
        omega = cross(u, d_left - d_right) / (a + b)
        middle = (b * d_left + a * d_right) / (a + b)
        here = middle + cross(omega, c - foot)
        before = middle + cross(omega, centre_ref - foot)
        jac[:, :3, k] = omega - rot @ omega
        jac[:, 3:, k] = here - rot @ before
