"""The sagittal border figure: its hinge part and its upper, protrusive contact part."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import opening_motion
from kinematics.excursions.results import WHO, BorderPair, ExcursionErrors, Who

BORDER_OPENING_DEG = 12.0
"""Extent of the hinge part (ours; 10 to 13 deg are said of people, from memory)."""
BORDER_STEPS = 24
"""Steps of the hinge part (ours)."""


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
