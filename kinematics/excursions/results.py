"""Records of excursion errors, and their JSON-ready form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.articulator.path import ExcursionPath, Front, Kind
from kinematics.base.words import CAUTION

if TYPE_CHECKING:
    from kinematics.excursions.details import ExcursionDetails
    from kinematics.excursions.settings import CaseGuidance

SCHEMA = "hingewise-excursions/1"
"""Name and version of the layout of the result's ``excursions``."""

Who = Literal["patient", "articulator"]
WHO: tuple[Who, Who] = ("patient", "articulator")
FrontGuide = Literal["with_casts", "own"]
SettingsFrom = Literal["same_angles", "records"]


@dataclass(frozen=True, eq=False)
class KindError:
    """One excursion of patient and articulator; n common steps, k landmarks.

    Attributes
    ----------
    kind : str
    patient, articulator : ExcursionPath
        Each in its own frame ``articulator``.
    patient_mm, articulator_mm : ndarray, shape (n, k, 3), mm, ``axis_orbital``
    error_mm : ndarray, shape (n, k, 3), mm
        Articulator minus patient at the same advance of the condylar elements; its first entry
        is the error the excursion starts with.
    high_mm : ndarray, shape (n, k), mm
        ``-error . normal``: positive, what is built on the articulator arrives too early in this
        excursion ("high"); negative, it stays apart.
    """

    kind: Kind
    patient: ExcursionPath
    articulator: ExcursionPath
    patient_mm: NDArray[np.float64]
    articulator_mm: NDArray[np.float64]
    error_mm: NDArray[np.float64]
    high_mm: NDArray[np.float64]

    @property
    def complete(self) -> bool:
        """Whether both went to the end."""
        return self.patient.complete and self.articulator.complete


@dataclass(frozen=True, eq=False)
class ExcursionErrors:
    """Errors of the excursions.

    Attributes
    ----------
    names : tuple of str
    settings, articulator_settings : ArticulatorSettings
        Of the patient's guidance, and as set on the articulator.
    kinds : mapping of str to KindError
    front_guide, settings_from, front : str
    not_started : mapping of str to str
        Excursions that patient or articulator cannot even start, and why: their teeth do not
        meet, or lock at once.
    patient_frame, articulator_frame : RigidTransform
        Frame ``articulator`` of each from ``axis_orbital``.
    start_error : RigidTransform
        Where the articulator's lower starts, from its place in the mouth, ``axis_orbital``.
    details : ExcursionDetails or None
        Teeth along the way, traces, border figure and arcon comparison, where they were asked
        for (:func:`kinematics.excursions.details.assessed_excursions`).
    guidance : CaseGuidance or None
        What the case's records told, where it has any.
    """

    names: tuple[str, ...]
    settings: ArticulatorSettings
    articulator_settings: ArticulatorSettings
    kinds: Mapping[Kind, KindError]
    front_guide: FrontGuide
    settings_from: SettingsFrom
    front: Front
    not_started: Mapping[Kind, str] = field(default_factory=dict)
    patient_frame: RigidTransform = field(default_factory=RigidTransform.identity)
    articulator_frame: RigidTransform = field(default_factory=RigidTransform.identity)
    start_error: RigidTransform = field(default_factory=RigidTransform.identity)
    details: ExcursionDetails | None = None
    guidance: CaseGuidance | None = None

    def motions(self, kind: Kind, who: Who) -> NDArray[np.float64]:
        """Motions of a lower from its place in the mouth at the target, shape (n, 4, 4).

        In ``axis_orbital``, one for every step that patient or articulator reached.
        """
        error = self.kinds[kind]
        path, frame, first = (
            (error.patient, self.patient_frame, RigidTransform.identity())
            if who == "patient"
            else (error.articulator, self.articulator_frame, self.start_error)
        )
        steps = np.stack([step.motion.as_matrix() for step in path.reached])
        to, start = frame.as_matrix(), first.as_matrix()
        return np.asarray(frame.inv().as_matrix() @ steps @ to @ start)

    def worst(self) -> tuple[Kind, str, float]:
        """Excursion, landmark and size (mm) of the largest error."""
        return max(
            (
                (kind, self.names[int(j)], float(size))
                for kind, error in self.kinds.items()
                for length in [np.linalg.norm(error.error_mm, axis=2).max(axis=0)]
                for j, size in [(length.argmax(), length.max())]
            ),
            key=lambda item: item[2],
        )

    def as_dict(self) -> dict[str, Any]:
        """JSON-ready: ``excursions`` of result.json."""
        worst = None
        if self.kinds:
            kind, name, size = self.worst()
            worst = {"excursion": kind, "landmark": name, "error_mm": size}
        return {
            "schema": SCHEMA,
            "settings": vars(self.settings).copy(),
            "articulator_settings": vars(self.articulator_settings).copy(),
            "settings_from": self.settings_from,
            **({} if self.guidance is None else {"records": self.guidance.as_dict()}),
            "front": self.front,
            "front_guide": self.front_guide,
            "worst": worst,
            "not_started": dict(self.not_started),
            "kinds": {k: _kind_dict(e, self.names) for k, e in self.kinds.items()},
            **({} if self.details is None else self.details.as_dict()),
            "caution": CAUTION,
        }


def path_angles_deg(path_mm: NDArray[np.float64]) -> tuple[float, float]:
    """Descent and heading of a path's chord, shape (n, 3): degrees.

    Descent is to the horizontal plane, downwards positive; heading is in the horizontal plane,
    0 straight forwards, leftwards positive.
    """
    chord = path_mm[-1] - path_mm[0]
    descent = np.arctan2(-chord[2], np.hypot(chord[0], chord[1]))
    return float(np.degrees(descent)), float(np.degrees(np.arctan2(chord[1], chord[0])))


def _kind_dict(error: KindError, names: Sequence[str]) -> dict[str, Any]:
    """JSON-ready record of one excursion's error."""
    length = np.linalg.norm(error.error_mm, axis=2)
    rows = []
    for j, name in enumerate(names):
        patient, machine = (
            path_angles_deg(p[:, j]) for p in (error.patient_mm, error.articulator_mm)
        )
        rows.append(
            {
                "name": name,
                "start_error_mm": error.error_mm[0, j].tolist(),
                "end_error_mm": error.error_mm[-1, j].tolist(),
                "worst_error_mm": float(length[:, j].max()),
                "end_high_mm": float(error.high_mm[-1, j]),
                "descent_deg": {"patient": patient[0], "articulator": machine[0]},
                "heading_deg": {"patient": patient[1], "articulator": machine[1]},
            }
        )
    return {
        "complete": error.complete,
        "steps": len(error.patient_mm) - 1,
        "patient": _path_summary(error.patient),
        "articulator": _path_summary(error.articulator),
        "landmarks": rows,
    }


def _path_summary(path: ExcursionPath) -> dict[str, Any]:
    """Statuses, shift and contacts of a path."""
    return {
        "status": [step.status for step in path.steps],
        "message": path.message,
        "side_shift_mm": float(path.side_shift_mm[-1]),
        "worst_residual_mm": max(step.residual_mm for step in path.reached),
        "contacts": [
            {
                "step": i,
                "upper_tooth": step.contact.upper_tooth,
                "lower_tooth": step.contact.lower_tooth,
                "where": step.contact.where,
            }
            for i, step in enumerate(path.steps)
            if step.contact is not None
        ],
    }
