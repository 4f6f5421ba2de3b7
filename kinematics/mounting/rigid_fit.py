"""Least-squares rigid fit of paired points, with residuals, leverage and the point at fault."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.spatial.transform import RigidTransform, Rotation
from scipy.stats import f as f_distribution

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError

MIN_WIDTH_MM = 5.0
"""Smallest accepted r.m.s. distance of the points from their best line (ours)."""
FAULT_LEVEL = 0.01
"""Familywise error of naming a good reading as the one at fault (ours)."""
UNITS = {"m": 1000.0, "inch": 25.4, "cm": 10.0}
"""Millimetres in the units that readings come in by mistake."""


@dataclass(frozen=True, eq=False)
class RigidFit:
    """A fitted motion ``b_from_a`` and how well each point obeys it.

    Attributes
    ----------
    b_from_a : RigidTransform
    residual_mm : ndarray, shape (n, 3)
        ``b_from_a(a) - b``.
    leverage : ndarray, shape (n,)
        Share (0 to 1) of each point's own error that the fit hides; sums to 2.
    variance_mm2 : float
        Residual variance per coordinate, ``3 n - 6`` degrees of freedom.
    covariance : ndarray, shape (6, 6)
        Of (rotation vector, rad; translation, mm) about b's origin, as in ``Mounting``.
    gain : ndarray, shape (n, 6, 3)
        Motion that one standard deviation of each point's coordinates makes.
    fault : int or None
        Index of the point whose studentised residual stands out, if one does.
    """

    b_from_a: RigidTransform
    residual_mm: FloatArray
    leverage: FloatArray
    variance_mm2: float
    covariance: FloatArray
    gain: FloatArray
    fault: int | None


def motion_jacobian(points: FloatArray) -> FloatArray:
    """Change of each point by a small (rotation, translation), shape (n, 3, 6)."""
    out = np.zeros((len(points), 3, 6))
    x, y, z = points.T
    out[:, 0, 1], out[:, 0, 2] = z, -y
    out[:, 1, 0], out[:, 1, 2] = -z, x
    out[:, 2, 0], out[:, 2, 1] = y, -x
    out[:, :, 3:] = np.eye(3)
    return out


def fit_rigid(a_mm: ArrayLike, b_mm: ArrayLike, where: str, sd_mm: float | None = None) -> RigidFit:
    """Fit the rigid motion that carries points ``a`` onto points ``b``.

    Parameters
    ----------
    a_mm, b_mm : array_like, shape (n, 3), mm, n >= 3
        The same points in two frames.
    where : str
        Name used in errors.
    sd_mm : float, optional
        Known standard deviation per coordinate; otherwise it comes from the residuals.

    Raises
    ------
    InputError
        Fewer than 3 points, points on a line, a change of unit, or a mirrored set.

    Notes
    -----
    *Guarantee*: the proper rotation of least squares; never a reflection.
    *Source*: Kabsch 1976 and Wahba 1965, by ``scipy.spatial.transform.Rotation.align_vectors``;
    leverage and studentised residuals: linear regression on the motion's six parameters, the
    point's three coordinates taken out together (derived here).
    """
    a, b = np.asarray(a_mm, dtype=np.float64), np.asarray(b_mm, dtype=np.float64)
    n = len(a)
    if n < 3:
        raise InputError(where, f"{n} points", "at least 3", "Add points known in both frames.")
    ca, cb = a.mean(axis=0), b.mean(axis=0)
    qa, qb = a - ca, b - cb
    refuse_scale(qa, qb, where)
    for q, frame in ((qa, "first"), (qb, "second")):
        width = np.linalg.svd(q, compute_uv=False)[1] / np.sqrt(n)
        if width < MIN_WIDTH_MM:
            got = f"points within {width:.3g} mm of one line (in their {frame} frame)"
            need = f"points spread at least {MIN_WIDTH_MM:g} mm off any line"
            fix = "Add a point well off that line; the turn about it is free."
            raise InputError(where, got, need, fix)
    turn, _ = Rotation.align_vectors(qb, qa)
    refuse_mirror(qa, qb, turn, where)
    b_from_a = RigidTransform.from_components(cb - turn.apply(ca), turn)
    fitted = b_from_a.apply(a)
    residual = fitted - b
    jacobian = motion_jacobian(fitted)
    inverse = np.linalg.inv(np.einsum("nij,nik->jk", jacobian, jacobian))
    hat = np.einsum("nij,jk,nlk->nil", jacobian, inverse, jacobian)
    dof = 3 * n - 6
    variance = float(np.sum(residual**2) / dof)
    sd = float(np.sqrt(variance)) if sd_mm is None else sd_mm
    return RigidFit(
        b_from_a=b_from_a,
        residual_mm=residual,
        leverage=np.trace(hat, axis1=1, axis2=2) / 3.0,
        variance_mm2=variance,
        covariance=sd**2 * inverse,
        gain=sd * np.einsum("jk,nik->nji", inverse, jacobian),
        fault=point_at_fault(residual, hat, dof),
    )


def point_at_fault(residual: FloatArray, hat: FloatArray, dof: int) -> int | None:
    """Index of the point that stands out when left out, or None (4 points or more)."""
    total = float(np.sum(residual**2))
    if dof <= 3 or total < 1e-18:
        return None
    own = np.einsum("ni,nij,nj->n", residual, np.linalg.pinv(np.eye(3) - hat), residual)
    rest = np.maximum(total - own, 1e-12 * total) / (dof - 3)
    chance = f_distribution.sf(own / 3.0 / rest, 3, dof - 3) * len(residual)
    worst = int(np.argmin(chance))
    return worst if chance[worst] < FAULT_LEVEL else None


def unit_hint(ratio: float) -> str | None:
    """Unit that explains values ``ratio`` times too large (or too small), or None."""
    for name, factor in UNITS.items():
        for r, text in ((factor, f"in {name}"), (1.0 / factor, f"in mm taken for {name}")):
            if abs(np.log(ratio * r)) < np.log(1.15):
                return text
    return None


def refuse_scale(qa: FloatArray, qb: FloatArray, where: str) -> None:
    """Refuse two sets of different size; a unit that would explain it is named."""
    sizes = float(np.sum(qa**2)), float(np.sum(qb**2))
    if min(sizes) == 0.0:
        return  # all points in one place: the check for a line refuses them
    ratio = float(np.sqrt(sizes[1] / sizes[0]))
    if 2 / 3 < ratio < 3 / 2:
        return
    name = unit_hint(ratio)
    fix = f"The second set looks as if {name}." if name else "The two sets do not belong together."
    got = f"points {ratio:.3g} times as far apart in the second frame as in the first"
    raise InputError(where, got, "the same distances in both frames (mm)", fix)


def refuse_mirror(qa: FloatArray, qb: FloatArray, turn: Rotation, where: str) -> None:
    """Refuse sets that fit well only after a reflection."""
    flipped = qa * np.array([1.0, -1.0, 1.0])
    other, _ = Rotation.align_vectors(qb, flipped)
    misses = turn.apply(qa) - qb, other.apply(flipped) - qb
    plain, mirrored = (float(np.sqrt(np.mean(np.sum(m**2, axis=1)))) for m in misses)
    if plain > 1.0 and mirrored < plain / 3.0:
        got = f"sets that fit to {plain:.3g} mm, but mirrored to {mirrored:.3g} mm"
        fix = "Left and right are swapped in one set, or one axis of a frame is flipped."
        raise InputError(where, got, "the same points in two right-handed frames", fix)
