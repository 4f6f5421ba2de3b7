"""Border figure of one lower point by two excursions: an oracle of ``border_pair``."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from kinematics.articulator.excursion import excursion
from kinematics.articulator.instrument import Articulator
from kinematics.excursions.border import BORDER_OPENING_DEG, BORDER_STEPS


@dataclass(frozen=True, eq=False)
class SagittalBorder:
    """Hinge arc, shape (n, 3), and protrusion, (m, 3), of one point; mm, frame ``articulator``."""

    hinge_mm: NDArray[np.float64]
    protrusive_mm: NDArray[np.float64]


def sagittal_border(
    articulator: Articulator, point_mm: ArrayLike, *, steps: int = BORDER_STEPS
) -> SagittalBorder:
    """Trace the parts of the border figure that an articulator can make."""
    hinge = excursion(articulator, "hinge", steps, opening_deg=BORDER_OPENING_DEG)
    protrusion = excursion(articulator, "protrusion", steps)
    return SagittalBorder(hinge.points_path(point_mm)[:, 0], protrusion.points_path(point_mm)[:, 0])
