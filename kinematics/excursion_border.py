"""The sagittal border figure: its hinge part and its upper, protrusive contact part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.articulator import Articulator
from kinematics.excursion import DEFAULT_TRAVEL_MM, excursion
from kinematics.excursion_path import ExcursionPath, Front, ToothStop


@dataclass(frozen=True, eq=False)
class SagittalBorder:
    """Paths of one lower point from the same start, frame ``articulator``.

    Attributes
    ----------
    hinge_mm : ndarray, shape (n, 3), mm
        Pure opening about the hinge axis; an arc.
    protrusive_mm : ndarray, shape (m, 3), mm
        Protrusion with the front stopped.
    hinge, protrusion : ExcursionPath
    """

    hinge_mm: NDArray[np.float64]
    protrusive_mm: NDArray[np.float64]
    hinge: ExcursionPath
    protrusion: ExcursionPath


def sagittal_border(
    articulator: Articulator,
    point_mm: ArrayLike,
    *,
    opening_deg: float = 12.0,
    travel_mm: float = DEFAULT_TRAVEL_MM,
    steps: int = 24,
    front: Front = "pin",
    teeth: ToothStop | None = None,
) -> SagittalBorder:
    """Trace the parts of the border figure that an articulator can make.

    Parameters
    ----------
    articulator : Articulator
    point_mm : array_like, shape (3,), mm
        A lower point at the start, usually the incisal point.
    opening_deg : float
        Extent of the hinge part. How far a patient opens in pure rotation differs; the articulator
        does not know it.
    travel_mm, steps, front, teeth
        As in :func:`kinematics.excursion.excursion`.

    Notes
    -----
    The posterior opening beyond pure rotation and the anterior opening path are not guided by an
    articulator, so they are not drawn.
    """
    hinge = excursion(articulator, "hinge", steps, opening_deg=opening_deg)
    protrusion = excursion(
        articulator, "protrusion", steps, travel_mm=travel_mm, front=front, teeth=teeth
    )
    return SagittalBorder(
        hinge.points_path(point_mm)[:, 0],
        protrusion.points_path(point_mm)[:, 0],
        hinge,
        protrusion,
    )
