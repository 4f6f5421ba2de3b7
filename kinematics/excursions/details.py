"""What an assessment tells of its excursions: teeth, traces, border figure, arcon comparison."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.path import ExcursionPath, Kind
from kinematics.excursions.arcon import ArconComparison, arcon_comparison
from kinematics.excursions.border import BorderPair, border_pair
from kinematics.excursions.excursion_case import errors_from_assessment
from kinematics.excursions.results import ExcursionErrors, Who
from kinematics.excursions.teeth import TeethCompared, ToothPair, teeth_along, tooth_pair
from kinematics.excursions.traces import Trace, traces

if TYPE_CHECKING:
    from kinematics.assessment import Assessment

SAME_VERTICAL_DEG = 1e-6
"""A smaller change of the vertical dimension is none (rounding only)."""


@dataclass(frozen=True, eq=False)
class ExcursionDetails:
    """More about the excursions of one case.

    Attributes
    ----------
    pair : ToothPair or None
        Where the case has casts; ``teeth`` and ``traces`` are empty otherwise.
    teeth : mapping of str to TeethCompared
        By excursion.
    traces : tuple of Trace
    border : BorderPair or None
        Of the incisal point; None where the protrusion did not start.
    arcon : ArconComparison or None
        Of the patient's guidance, between record and target; None where they are one.
    """

    pair: ToothPair | None
    teeth: Mapping[Kind, TeethCompared]
    traces: tuple[Trace, ...]
    border: BorderPair | None
    arcon: ArconComparison | None

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return {
            "teeth": {kind: teeth.as_dict() for kind, teeth in self.teeth.items()},
            "traces": [trace.as_dict() for trace in self.traces],
            "border": None if self.border is None else self.border.as_dict(),
            "arcon_comparison": None if self.arcon is None else self.arcon.as_dict(),
        }


def assessed_excursions(assessment: Assessment) -> ExcursionErrors:
    """Compare the excursions of an assessed case, with everything that there is to tell of them.

    Raises
    ------
    InputError
        Impossible settings.
    """
    errors = errors_from_assessment(assessment)
    return replace(errors, details=details(assessment, errors))


def details(assessment: Assessment, errors: ExcursionErrors) -> ExcursionDetails:
    """Look closer at excursions that were compared already."""
    a, marks = assessment, assessment.landmarks
    pair = None
    compared: dict[Kind, TeethCompared] = {}
    found: tuple[Trace, ...] = ()
    if a.upper is not None and a.lower_true is not None:
        pair = tooth_pair(a.upper, a.lower_true, a.occlusal_index, marks.names, marks.points_mm)
        for kind, error in errors.kinds.items():
            sides: tuple[tuple[ExcursionPath, RigidTransform, Who], ...] = (
                (error.patient, errors.patient_frame, "patient"),
                (error.articulator, errors.articulator_frame, "articulator"),
            )
            compared[kind] = TeethCompared(
                *(teeth_along(pair, path, errors.motions(kind, who), frame)
                  for path, frame, who in sides)
            )  # fmt: skip
        found = traces(errors, pair, marks.teeth, marks.points_mm)
    border = None
    if "protrusion" in errors.kinds:
        border = border_pair(errors, marks.incisal_index)
    arcon = None
    if abs(a.departure_deg) > SAME_VERTICAL_DEG:
        frame = errors.patient_frame
        arcon = arcon_comparison(
            errors.settings,
            frame.apply(a.pin_tip_record_mm),
            np.asarray(frame.apply(marks.points_mm)).reshape(-1, 3),
            a.departure_deg,
        )
    return ExcursionDetails(pair, compared, found, border, arcon)
