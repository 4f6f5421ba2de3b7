"""The sagittal border figure: its hinge part and its upper, protrusive contact part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.excursion import DEFAULT_TRAVEL_MM, excursion
from kinematics.articulator.instrument import Articulator
from kinematics.articulator.path import ExcursionPath, Front, ToothStop
from kinematics.base.axis import opening_motion
from kinematics.excursions.results import WHO, BorderPair, ExcursionErrors, Who

BORDER_OPENING_DEG = 12.0
"""Extent of the hinge part (ours; 10 to 13 deg are said of people, from memory)."""
BORDER_STEPS = 24
"""Steps of the hinge part (ours)."""


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
    opening_deg: float = BORDER_OPENING_DEG,
    travel_mm: float = DEFAULT_TRAVEL_MM,
    steps: int = BORDER_STEPS,
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
        As in :func:`kinematics.articulator.excursion.excursion`.

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
        hinge.points_path(point_mm)[:, 0], protrusion.points_path(point_mm)[:, 0], hinge, protrusion
    )


def border_pair(errors: ExcursionErrors, landmark: int) -> BorderPair:
    """Border figure of a landmark from a protrusion that was compared already.

    Parameters
    ----------
    errors : ExcursionErrors
        With a protrusion.
    landmark : int
        Index into ``errors.names``.

    Notes
    -----
    The hinge part opens about the line through the condylar elements as they stand at the start:
    the true axis in the mouth, the arbitrary axis on the articulator.
    """
    error = errors.kinds["protrusion"]
    hinge: dict[Who, NDArray[np.float64]] = {}
    protrusive: dict[Who, NDArray[np.float64]] = {}
    for who, path, places, frame in zip(
        WHO,
        (error.patient, error.articulator),
        (error.patient_mm, error.articulator_mm),
        (errors.patient_frame, errors.articulator_frame),
    ):
        first = frame.apply(places[0, landmark])
        motions = [
            opening_motion(path.articulator.axis, float(angle))
            for angle in np.linspace(0.0, BORDER_OPENING_DEG, BORDER_STEPS + 1)
        ]
        turned = RigidTransform.from_matrix(np.stack([m.as_matrix() for m in motions]))
        hinge[who] = np.asarray(frame.inv().apply(turned.apply(first)))
        protrusive[who] = places[:, landmark]
    return BorderPair(errors.names[landmark], BORDER_OPENING_DEG, hinge, protrusive)
