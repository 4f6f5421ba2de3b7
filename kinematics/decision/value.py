"""What locating the axis is worth: the break-even in minutes, and the expected excess."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtr


def break_even_minutes(
    *,
    locating_minutes: float,
    locating_chance: float,
    other_minutes: float,
    other_chance: float,
) -> float | None:
    """Minutes that one misfit must cost for locating the axis to pay.

    Parameters
    ----------
    locating_minutes, locating_chance : float
        Minutes for locating and transferring the axis, and the chance of a misfit with it.
    other_minutes, other_chance : float
        The same of the best other way out: a record at the planned OVD, or the arbitrary axis as
        it is.

    Returns
    -------
    float or None
        ``(locating_minutes - other_minutes) / (other_chance - locating_chance)``; 0 where locating
        takes no longer, since it then pays whatever a misfit costs; None where it does not lower
        the chance, for no cost of a misfit makes it pay then.

    Notes
    -----
    Expected minutes of a way are its own minutes and its chance times the minutes of a misfit; the
    break-even makes those of both ways equal. With expected losses
    (:func:`expected_loss`, mm) in place of the chances the answer is in minutes a millimetre.
    *Source*: derived here (design of this project).

    Examples
    --------
    20 minutes more that lower the chance from 30 % to 5 %:

    >>> from kinematics.decision.value import break_even_minutes
    >>> round(break_even_minutes(
    ...     locating_minutes=25.0, locating_chance=0.05, other_minutes=5.0, other_chance=0.30
    ... ), 6)
    80.0
    """
    gain = other_chance - locating_chance
    if gain <= 0.0:
        return None
    return max(0.0, locating_minutes - other_minutes) / gain


def unit_normal_loss(z: float) -> float:
    """Expected excess of a standard normal variable over ``z``: ``E max(Z - z, 0)``.

    Notes
    -----
    *Guarantee*: relative error below 1e-12 for z up to 30. *Source*: ``pdf(z) - z cdf(-z)``, the
    unit normal linear loss integral (Raiffa H, Schlaifer R. Applied Statistical Decision Theory.
    1961: from memory).

    Examples
    --------
    >>> from kinematics.decision.value import unit_normal_loss
    >>> round(unit_normal_loss(0.5), 5)
    0.1978
    """
    density = math.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    return density - z * float(ndtr(-z))


def expected_loss(size_mm: ArrayLike, tolerance_mm: float) -> float:
    """Expected displacement beyond the tolerance, mm: a misfit counted by how large it is.

    Parameters
    ----------
    size_mm : array_like, shape (n,)
        The largest displacement of each draw.
    tolerance_mm : float

    Returns
    -------
    float
        Mean of what lies beyond the tolerance; a draw within it counts as 0.

    Notes
    -----
    For a normal displacement of mean m and SD s it tends to
    ``s unit_normal_loss((tolerance - m) / s)``. *Source*: derived here.

    Examples
    --------
    >>> from kinematics.decision.value import expected_loss
    >>> round(expected_loss([0.05, 0.15, 0.25], 0.1), 6)
    0.066667
    """
    return float(np.maximum(np.asarray(size_mm, dtype=np.float64) - tolerance_mm, 0.0).mean())
