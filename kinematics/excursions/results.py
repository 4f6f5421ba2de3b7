"""Records of excursion errors, and their JSON-ready form."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.instrument import ArticulatorSettings
from kinematics.articulator.path import ExcursionPath, Front, Kind
from kinematics.articulator.records import Motions, RecordedSettings
from kinematics.base.arrays import FloatArray
from kinematics.base.to_json import form
from kinematics.base.words import CAUTION
from kinematics.excursions.teeth import TeethCompared, ToothPair

SCHEMA = "hingewise-excursions/1"
"""Name and version of the layout of the result's ``excursions``."""

EXCURSIONS: tuple[Kind, ...] = ("protrusion", "left_lateral", "right_lateral")

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
class Trace:
    """One cusp's path on the opposing teeth in one excursion; frame ``axis_orbital``.

    Attributes
    ----------
    name : str
    tooth : int
        ISO 3950, 0 where unknown.
    traced_on : {"lower", "upper"}
        The opposing arch, drawn where it stands at the start in the mouth.
    kind : str
    path_mm : mapping of "patient" and "articulator" to ndarray, shape (n, 3), mm
    gap_mm : mapping of the same to ndarray, shape (n,), mm
        Clearance of the cusp to the opposing arch; negative inside it, infinite beyond 3 mm.
    """

    name: str
    tooth: int
    traced_on: Literal["lower", "upper"]
    kind: Kind
    path_mm: dict[Who, FloatArray]
    gap_mm: dict[Who, FloatArray]

    def json_form(self) -> dict[str, Any]:
        """In result.json: every second step, to 0.1 µm."""
        return {
            "name": self.name,
            "tooth": self.tooth or None,
            "traced_on": self.traced_on,
            "excursion": self.kind,
            "path_mm": {who: np.round(p[::2], 4) for who, p in self.path_mm.items()},
            "gap_mm": {who: np.round(gap[::2], 4) for who, gap in self.gap_mm.items()},
        }


@dataclass(frozen=True, eq=False)
class BorderPair:
    """The border figure of one lower point in the mouth and on the articulator.

    Attributes
    ----------
    name : str
    opening_deg : float
        From the start of the protrusion to the end of the hinge part.
    hinge_mm, protrusive_mm : mapping of "patient" and "articulator" to ndarray, shape (n, 3), mm
        Frame ``axis_orbital``; both parts begin where the protrusion starts.
    """

    name: str
    opening_deg: float
    hinge_mm: dict[Who, NDArray[np.float64]]
    protrusive_mm: dict[Who, NDArray[np.float64]]

    def json_form(self) -> dict[str, Any]:
        """In result.json; to 0.1 µm."""
        return {
            "landmark": self.name,
            "hinge_opening_deg": self.opening_deg,
            "hinge_mm": {who: np.round(p, 4) for who, p in self.hinge_mm.items()},
            "protrusive_mm": {who: np.round(p, 4) for who, p in self.protrusive_mm.items()},
        }


@dataclass(frozen=True, eq=False)
class ArconComparison:
    """Guides and paths of both constructions after a change of the vertical dimension.

    Attributes
    ----------
    opening_deg : float
        The change, opening positive.
    to_upper_deg, to_lower_deg : mapping of str to (float, float)
        For "arcon" and "opening": left and right guide's inclination (at its start) to the
        horizontal plane of the upper, and of the lower member. Their changes are those of the
        angles to the occlusal planes, which are fixed in the members.
    difference_mm : mapping of str to ndarray, shape (n, k, 3), mm
        By excursion: path of the landmarks with opening guidance minus that with arcon guidance.
    unchanged_mm : mapping of str to ndarray, shape (m, k, 3), mm
        The same before any change. Not 0 in lateral excursions: guides on the mandible turn with
        it sideways too.
    way_mm : mapping of str to ndarray, shape (n,), mm
        By excursion: way of the condyles at each step.
    """

    opening_deg: float
    to_upper_deg: Mapping[str, tuple[float, float]]
    to_lower_deg: Mapping[str, tuple[float, float]]
    difference_mm: Mapping[Kind, FloatArray]
    unchanged_mm: Mapping[Kind, FloatArray]
    way_mm: Mapping[Kind, FloatArray]

    def json_form(self) -> dict[str, Any]:
        """In result.json."""
        return {
            "opening_deg": self.opening_deg,
            "guide_to_upper_deg": self.to_upper_deg,
            "guide_to_lower_deg": self.to_lower_deg,
            "counted": "opening positive; opening guidance minus arcon guidance",
            "end_difference_mm": {k: v[-1] for k, v in self.difference_mm.items()},
            "end_difference_unchanged_mm": {k: v[-1] for k, v in self.unchanged_mm.items()},
        }


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

    def json_form(self) -> dict[str, Any]:
        """In result.json."""
        return form(self, "pair", arcon_comparison="arcon")


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
        for (:func:`kinematics.excursions.details.look_closer`).
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

    def json_form(self) -> dict[str, Any]:
        """``excursions`` of result.json."""
        worst = None
        if self.kinds:
            kind, name, size = self.worst()
            worst = {"excursion": kind, "landmark": name, "error_mm": size}
        return {
            "schema": SCHEMA,
            "settings": self.settings,
            "articulator_settings": self.articulator_settings,
            "settings_from": self.settings_from,
            **({} if self.guidance is None else {"records": self.guidance}),
            "front": self.front,
            "front_guide": self.front_guide,
            "worst": worst,
            "not_started": self.not_started,
            "kinds": {k: kind_form(e, self.names) for k, e in self.kinds.items()},
            **({} if self.details is None else self.details.json_form()),
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


def kind_form(error: KindError, names: Sequence[str]) -> dict[str, Any]:
    """One excursion's error in result.json."""
    length = np.linalg.norm(error.error_mm, axis=2)
    rows = []
    for j, name in enumerate(names):
        patient, machine = (
            path_angles_deg(p[:, j]) for p in (error.patient_mm, error.articulator_mm)
        )
        rows.append(
            {
                "name": name,
                "start_error_mm": error.error_mm[0, j],
                "end_error_mm": error.error_mm[-1, j],
                "worst_error_mm": length[:, j].max(),
                "end_high_mm": error.high_mm[-1, j],
                "descent_deg": {"patient": patient[0], "articulator": machine[0]},
                "heading_deg": {"patient": patient[1], "articulator": machine[1]},
            }
        )
    return {
        "complete": error.complete,
        "steps": len(error.patient_mm) - 1,
        "patient": path_form(error.patient),
        "articulator": path_form(error.articulator),
        "landmarks": rows,
    }


def path_form(path: ExcursionPath) -> dict[str, Any]:
    """Statuses, shift and contacts of a path in result.json."""
    return {
        "status": [step.status for step in path.steps],
        "message": path.message,
        "side_shift_mm": path.side_shift_mm[-1],
        "worst_residual_mm": max(step.residual_mm for step in path.reached),
        "contacts": [
            {"step": i, **form(step.contact, "status", "closing_deg", "point_mm")}
            for i, step in enumerate(path.steps)
            if step.contact is not None
        ],
    }


@dataclass(frozen=True, eq=False)
class CaseGuidance:
    """Guidance settings of a case.

    Attributes
    ----------
    patient : RecordedSettings
        About the true axis.
    articulator : RecordedSettings or None
        As the case's records set the articulator on the arbitrary axis; None where they do not.
    recorded : mapping of record kind to RigidTransform
        Motion of the lower from the target pose to each record, ``axis_orbital``.
    """

    patient: RecordedSettings
    articulator: RecordedSettings | None
    recorded: Motions

    def json_form(self) -> dict[str, Any]:
        """In result.json: what each record tells about either axis."""
        units = {"true_axis": self.patient, "arbitrary_axis": self.articulator}
        return {"record_from_target": self.recorded} | {
            name: {"settings": tuple(unit.told), "guides": unit.guides, "findings": unit.findings}
            for name, unit in units.items()
            if unit is not None
        }
