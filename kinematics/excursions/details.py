"""A closer look at compared excursions: teeth, traces, border figure, arcon comparison."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.path import ExcursionPath, Kind
from kinematics.base.arrays import Progress
from kinematics.closure.close import Closures
from kinematics.excursions.arcon import arcon_comparison
from kinematics.excursions.border import border_pair
from kinematics.excursions.results import ExcursionDetails, ExcursionErrors, Trace, Who
from kinematics.excursions.teeth import TeethAlong, TeethCompared, teeth_along, tooth_pair
from kinematics.excursions.traces import traces

SAME_VERTICAL_DEG = 1e-6
"""A smaller change of the vertical dimension is none (rounding only)."""


def look_closer(
    closures: Closures, errors: ExcursionErrors, *, progress: Progress | None = None
) -> ExcursionDetails:
    """Look closer at excursions that were compared already.

    Parameters
    ----------
    closures : Closures
    errors : ExcursionErrors
        Of the same case.
    progress : callable, optional
        Called before each piece of work with words and the share done; what it raises ends it.
    """
    tell = progress or (lambda words, share: None)
    marks, surface = closures.landmarks, closures.placed.lower_occlusal
    upper, lower = closures.placed.upper, closures.lower_target
    pair = None
    compared: dict[Kind, TeethCompared] = {}
    found: tuple[Trace, ...] = ()
    if upper is not None and lower is not None and surface is not None:
        pair = tooth_pair(upper, lower, surface.index, marks.names, marks.points_mm)
        for i, (kind, error) in enumerate(errors.kinds.items()):
            sides: tuple[tuple[ExcursionPath, RigidTransform, Who], ...] = (
                (error.patient, errors.patient_frame, "patient"),
                (error.articulator, errors.articulator_frame, "articulator"),
            )
            along: list[TeethAlong] = []
            for path, frame, who in sides:
                tell("Teeth along the excursions", (i + 0.5 * len(along)) / 4.0)
                along.append(teeth_along(pair, path, errors.motions(kind, who), frame))
            compared[kind] = TeethCompared(*along)
        tell("Traces of the cusps", 0.75)
        found = traces(errors, pair, marks.teeth, marks.points_mm)
    border = None
    if "protrusion" in errors.kinds:
        border = border_pair(errors, marks.incisal_index)
    arcon = None
    if abs(closures.departure_deg) > SAME_VERTICAL_DEG:
        tell("Arcon and opening guidance", 0.9)
        frame = errors.patient_frame
        arcon = arcon_comparison(
            errors.settings,
            frame.apply(closures.geometry.pin_tip_record_mm),
            np.asarray(frame.apply(marks.points_mm)).reshape(-1, 3),
            closures.departure_deg,
        )
    return ExcursionDetails(pair, compared, found, border, arcon)
