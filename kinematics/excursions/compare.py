"""What a wrong axis or third reference point does to excursions: patient against articulator.

The patient moves on guidance at the true axis. The articulator has the same guidance angles (or
settings from the patient's records), but the casts stand in it by the arbitrary axis and the
third reference point that was used. Both paths are compared in ``axis_orbital``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.excursion import DEFAULT_TRAVEL_MM, excursion
from kinematics.articulator.guides import IncisalTable, incisal_table
from kinematics.articulator.instrument import Articulator, ArticulatorSettings, build_articulator
from kinematics.articulator.path import ExcursionPath, Front, Kind, ToothStop, cast_stop
from kinematics.articulator.records import held_by_record, settings_from_records
from kinematics.base.arrays import Progress
from kinematics.base.axis import axis_orbital_from_points
from kinematics.closure.close import Closures
from kinematics.closure.geometry import Geometry
from kinematics.excursions.details import look_closer
from kinematics.excursions.results import (
    EXCURSIONS,
    WHO,
    ExcursionErrors,
    FrontGuide,
    KindError,
    SettingsFrom,
)
from kinematics.excursions.settings import (
    case_guidance,
    front_of,
    patient_frame,
    settings_from_of,
    third_point_used,
)


def compare_excursions(
    closures: Closures, *, progress: Progress | None = None, **options: Any
) -> ExcursionErrors:
    """Compare the excursions of a closed case, with everything that there is to tell of them.

    Parameters
    ----------
    closures : Closures
    progress : callable, optional
        Called before each piece of work with words and the share done; what it raises ends it.
    **options
        As in :func:`excursion_errors`.

    Raises
    ------
    InputError
        Impossible settings.
    """
    tell = progress or (lambda words, share: None)
    errors = excursion_errors(
        closures.geometry, progress=lambda words, share: tell(words, 0.4 * share), **options
    )
    found = look_closer(
        closures, errors, progress=lambda words, share: tell(words, 0.4 + 0.6 * share)
    )
    return replace(errors, details=found)


@dataclass(frozen=True, eq=False)
class Unit:
    """Patient or articulator: the guidance, and the lower in its frame ``articulator``.

    Attributes
    ----------
    guidance : Articulator
    frame : RigidTransform
        The frame from ``axis_orbital``.
    points_mm : ndarray, shape (k, 3), mm
        Landmarks at the start.
    teeth : ToothStop or None
    """

    guidance: Articulator
    frame: RigidTransform
    points_mm: NDArray[np.float64]
    teeth: ToothStop | None


def excursion_errors(
    geometry: Geometry,
    *,
    kinds: Sequence[Kind] = EXCURSIONS,
    steps: int = 20,
    travel_mm: float = DEFAULT_TRAVEL_MM,
    front: Front | None = None,
    front_guide: FrontGuide = "with_casts",
    settings: ArticulatorSettings | None = None,
    settings_from: SettingsFrom | None = None,
    third_point_mm: ArrayLike | None = None,
    start_error: RigidTransform | None = None,
    progress: Progress | None = None,
) -> ExcursionErrors:
    """Compare the patient's excursions with the articulator's, from the target (teeth together).

    Parameters
    ----------
    geometry : Geometry
        Of a placed case. What its ``[articulator]`` does not give is an average.
    kinds : sequence of str
    steps, travel_mm
        As in :func:`kinematics.articulator.excursion.excursion`; both make the same advance.
    front : {"pin", "teeth", "first"}, optional
        What stops the front of both, the case's by default; the last two need both casts.
    front_guide : {"with_casts", "own"}
        The front guidance of the articulator: the patient's own, fixed to the casts (as teeth
        are), or a table set to the same angles in the articulator's frame.
    settings : ArticulatorSettings, optional
        The patient's guidance, angles to the true axis-orbital plane; the case's by default.
    settings_from : {"same_angles", "records"}, optional
        The articulator's angles, the case's way by default: the patient's, or solved from
        records. Those are the case's, or else (with ``settings``) the patient's own protrusive and
        lateral positions at the end of the travel, as records would give them.
    third_point_mm : array_like, shape (3,), mm, optional
        The third reference point that was used with the arbitrary axis, the case's by default; the
        true one lies in the plane z = 0.
    start_error : RigidTransform, optional
        Closure error E of a stop: the articulator's lower starts there. Without it both start with
        the casts put together by hand.
    progress : callable, optional
        Called before each excursion with words and the share done; what it raises ends the work.

    Raises
    ------
    InputError
        Impossible settings, geometry or records.

    Notes
    -----
    *Guarantee*: with the true axis and a third point in the axis-orbital plane every error is 0.
    *Source*: derived here.
    """
    case, told, machine_settings = geometry.placed.case, None, None
    front, settings_from = front or front_of(case), settings_from or settings_from_of(case)
    if settings is None:
        told = case_guidance(geometry)
        settings = told.patient.settings
        machine_settings = None if told.articulator is None else told.articulator.settings
    third = third_point_used(case) if third_point_mm is None else np.asarray(third_point_mm)
    start = RigidTransform.identity() if start_error is None else start_error
    mouth = patient_frame(geometry.true_axis)
    machine_frame = axis_orbital_from_points(geometry.arbitrary_axis, third)
    table = incisal_table(
        mouth.apply(geometry.pin_tip_target_mm),
        settings.incisal_sagittal_deg,
        settings.incisal_lateral_deg,
    )
    patient = set_up(geometry, settings, mouth, RigidTransform.identity(), front)
    if settings_from == "same_angles":
        machine_settings = settings
    elif machine_settings is None:
        machine_settings = recorded_settings(patient, settings, machine_frame, start, travel_mm)
    carried = table.moved(machine_frame * mouth.inv()) if front_guide == "with_casts" else None
    machine = set_up(geometry, machine_settings, machine_frame, start, front, carried)
    out: dict[Kind, KindError] = {}
    not_started: dict[Kind, str] = {}
    for i, kind in enumerate(kinds):
        if progress is not None:
            progress("Excursions", i / len(kinds))
        paths = [
            excursion(u.guidance, kind, steps, travel_mm=travel_mm, front=front, teeth=u.teeth)
            for u in (patient, machine)
        ]
        stuck = [f"{who}: {path.message}" for who, path in zip(WHO, paths) if not path.reached]
        if stuck:
            not_started[kind] = "; ".join(stuck)
        else:
            out[kind] = kind_error(kind, geometry, (patient, machine), paths)
    return ExcursionErrors(
        geometry.landmarks.names, settings, machine_settings, out, front_guide, settings_from,
        front, not_started, mouth, machine_frame, start,
        guidance=told if told is not None and geometry.recorded else None,
    )  # fmt: skip


def set_up(
    geometry: Geometry,
    settings: ArticulatorSettings,
    frame: RigidTransform,
    start: RigidTransform,
    front: Front,
    table: IncisalTable | None = None,
) -> Unit:
    """Build patient or articulator in its own frame, with what its lower carries.

    ``start`` moves the lower from its place in the mouth, ``axis_orbital``.
    """
    upper, lower = geometry.placed.upper, geometry.placed.lower
    teeth = None
    if front != "pin" and upper is not None and lower is not None:
        to_start = frame * start * geometry.target_from_scanned
        teeth = cast_stop(upper.moved(frame), lower.moved(to_start))
    points = frame.apply(start.apply(geometry.landmarks.points_mm)).reshape(-1, 3)
    tip = frame.apply(geometry.pin_tip_target_mm)
    return Unit(build_articulator(settings, tip, table=table), frame, np.asarray(points), teeth)


def kind_error(
    kind: Kind, geometry: Geometry, units: tuple[Unit, Unit], paths: Sequence[ExcursionPath]
) -> KindError:
    """Compare one excursion's paths, of patient and articulator, at their common steps."""
    common = min(len(path.reached) for path in paths)
    places = [
        unit.frame.inv().apply(path.points_path(unit.points_mm)[:common].reshape(-1, 3))
        .reshape(common, -1, 3)
        for path, unit in zip(paths, units)
    ]  # fmt: skip
    frame, error = units[0].frame, places[1] - places[0]
    turned = np.stack(
        [
            geometry.landmarks.normals @ (frame.inv() * step.motion * frame).rotation.as_matrix().T
            for step in paths[0].reached[:common]
        ]
    ).reshape(common, -1, 3)
    high = -np.einsum("nkj,nkj->nk", error, turned)
    return KindError(kind, paths[0], paths[1], places[0], places[1], error, high)


def recorded_settings(
    patient: Unit,
    settings: ArticulatorSettings,
    articulator_frame: RigidTransform,
    start: RigidTransform,
    travel_mm: float,
) -> ArticulatorSettings:
    """Set an articulator by the patient's own positions, held by records between its casts."""
    held = {}
    for kind in EXCURSIONS:
        end = excursion(patient.guidance, kind, 10, travel_mm=travel_mm).reached[-1].motion
        pose = patient.frame.inv() * end * patient.frame
        held[kind] = held_by_record(pose, articulator_frame, start)
    return settings_from_records(
        settings,
        protrusive=held["protrusion"],
        left_lateral=held["left_lateral"],
        right_lateral=held["right_lateral"],
    ).settings
