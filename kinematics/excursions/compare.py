"""What a wrong axis or third reference point does to excursions: patient against articulator.

The patient moves on guidance at the true axis. The articulator has the same guidance angles (or
settings from the patient's records), but the casts stand in it by the arbitrary axis and the
third reference point that was used. Both paths are compared in ``axis_orbital``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.excursion import DEFAULT_TRAVEL_MM, excursion
from kinematics.articulator.guides import incisal_table
from kinematics.articulator.instrument import Articulator, ArticulatorSettings, build_articulator
from kinematics.articulator.path import Front, Kind, cast_stop
from kinematics.articulator.records import Motions, held_by_record, settings_from_records
from kinematics.base.arrays import Progress
from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.casts.cast import Cast
from kinematics.closure.close import Closures
from kinematics.closure.geometry import Geometry
from kinematics.closure.place import PlacedCase
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


@dataclass(frozen=True, eq=False)
class ExcursionGeometry:
    """What the comparison needs, frame ``axis_orbital``, at the target pose (teeth together).

    Attributes
    ----------
    true_axis, arbitrary_axis : HingeAxis
    names : tuple of str
        Landmarks on the lower.
    points_mm, normals : ndarray, shape (k, 3)
        Landmarks (mm) and unit outward occlusal normals.
    pin_tip_mm : ndarray, shape (3,), mm
    third_point_mm : ndarray, shape (3,), mm
        The third reference point that was used with the arbitrary axis; the true one lies in the
        plane z = 0.
    upper, lower : Cast or None
    start_error : RigidTransform or None
        Closure error E of a stop: the articulator's lower starts there. None: both start with
        the casts put together by hand.
    recorded : mapping of record kind to RigidTransform
        Motion of the patient's lower from the target pose to each guidance record.
    """

    true_axis: HingeAxis
    arbitrary_axis: HingeAxis
    names: tuple[str, ...]
    points_mm: NDArray[np.float64]
    normals: NDArray[np.float64]
    pin_tip_mm: NDArray[np.float64]
    third_point_mm: NDArray[np.float64]
    upper: Cast | None = None
    lower: Cast | None = None
    start_error: RigidTransform | None = None
    recorded: Motions = field(default_factory=dict)

    @property
    def patient_from_axis_orbital(self) -> RigidTransform:
        """Where the mouth stands in a frame ``articulator`` of the patient's own."""
        return patient_frame(self.true_axis)

    @property
    def articulator_from_axis_orbital(self) -> RigidTransform:
        """Where the casts stand in the articulator."""
        return axis_orbital_from_points(self.arbitrary_axis, self.third_point_mm)


def excursion_errors(
    geometry: ExcursionGeometry,
    settings: ArticulatorSettings,
    *,
    kinds: Sequence[Kind] = EXCURSIONS,
    steps: int = 20,
    travel_mm: float = DEFAULT_TRAVEL_MM,
    front: Front = "pin",
    front_guide: FrontGuide = "with_casts",
    settings_from: SettingsFrom = "same_angles",
    articulator_settings: ArticulatorSettings | None = None,
    progress: Progress | None = None,
) -> ExcursionErrors:
    """Compare the patient's excursions with the articulator's.

    Parameters
    ----------
    geometry : ExcursionGeometry
    settings : ArticulatorSettings
        The patient's guidance, angles to the true axis-orbital plane.
    kinds : sequence of str
    steps, travel_mm
        As in :func:`kinematics.articulator.excursion.excursion`; both make the same advance.
    front : {"pin", "teeth", "first"}
        What stops the front of both; the last two need both casts.
    front_guide : {"with_casts", "own"}
        The front guidance of the articulator: the patient's own, fixed to the casts (as teeth
        are), or a table set to the same angles in the articulator's frame.
    settings_from : {"same_angles", "records"}
        The articulator's angles: the patient's, or solved from the patient's own protrusive and
        lateral positions at the end of the travel, as records would give them.
    articulator_settings : ArticulatorSettings, optional
        Settings that real records gave the articulator, with ``settings_from="records"``.
    progress : callable, optional
        Called before each excursion with words and the share done; what it raises ends the work.

    Raises
    ------
    InputError
        Impossible settings or geometry.

    Notes
    -----
    *Guarantee*: with the true axis and a third point in the axis-orbital plane every error is 0.
    *Source*: derived here.
    """
    ao_from_true = geometry.patient_from_axis_orbital
    patient = _set_up(geometry, settings, ao_from_true, "own", geometry.points_mm)
    to_art = geometry.articulator_from_axis_orbital
    start = geometry.start_error
    if start is None:
        start = RigidTransform.identity()
    art_settings = settings
    if settings_from == "records":
        art_settings = articulator_settings or _recorded(
            patient[0], settings, ao_from_true, to_art, start, travel_mm
        )
    own = front_guide == "own"
    machine = _set_up(geometry, art_settings, to_art, "own" if own else "with_casts",
                      start.apply(geometry.points_mm), ao_from_true)  # fmt: skip
    casts = geometry.upper, geometry.lower
    stops = [
        None
        if front == "pin" or casts[0] is None or casts[1] is None
        else cast_stop(casts[0].moved(frame), casts[1].moved(frame * placed))
        for frame, placed in ((ao_from_true, RigidTransform.identity()), (to_art, start))
    ]
    out: dict[Kind, KindError] = {}
    not_started: dict[Kind, str] = {}
    for i, kind in enumerate(kinds):
        if progress is not None:
            progress("Excursions", i / len(kinds))
        paths = [
            excursion(unit[0], kind, steps, travel_mm=travel_mm, front=front, teeth=stop)
            for unit, stop in zip((patient, machine), stops)
        ]
        stuck = [f"{who}: {path.message}" for who, path in zip(WHO, paths) if not path.reached]
        if stuck:
            not_started[kind] = "; ".join(stuck)
            continue
        common = min(len(path.reached) for path in paths)
        places = [
            frame.inv().apply(path.points_path(unit[1])[:common].reshape(-1, 3))
            .reshape(common, -1, 3)
            for path, unit, frame in zip(paths, (patient, machine), (ao_from_true, to_art))
        ]  # fmt: skip
        error = places[1] - places[0]
        turned = np.stack(
            [
                geometry.normals
                @ (ao_from_true.inv() * s.motion * ao_from_true).rotation.as_matrix().T
                for s in paths[0].reached[:common]
            ]
        ).reshape(common, -1, 3)
        high = -np.einsum("nkj,nkj->nk", error, turned)
        out[kind] = KindError(kind, paths[0], paths[1], places[0], places[1], error, high)
    return ExcursionErrors(
        geometry.names, settings, art_settings, out, front_guide, settings_from, front,
        not_started, ao_from_true, to_art, start,
    )  # fmt: skip


def _set_up(
    geometry: ExcursionGeometry,
    settings: ArticulatorSettings,
    frame: RigidTransform,
    front_guide: FrontGuide,
    points_mm: NDArray[np.float64],
    true_frame: RigidTransform | None = None,
) -> tuple[Articulator, NDArray[np.float64]]:
    """Build patient or articulator in its own frame, with the landmarks there."""
    tip = frame.apply(geometry.pin_tip_mm)
    table = None
    if front_guide == "with_casts" and true_frame is not None:
        own = incisal_table(
            true_frame.apply(geometry.pin_tip_mm),
            settings.incisal_sagittal_deg,
            settings.incisal_lateral_deg,
        )
        table = own.moved(frame * true_frame.inv())
    unit = build_articulator(settings, tip, table=table)
    return unit, np.asarray(frame.apply(points_mm)).reshape(-1, 3)


def _recorded(
    patient: Articulator,
    settings: ArticulatorSettings,
    patient_frame: RigidTransform,
    articulator_frame: RigidTransform,
    start: RigidTransform,
    travel_mm: float,
) -> ArticulatorSettings:
    """Set an articulator by the patient's own positions, held by records between its casts."""
    poses = {
        kind: patient_frame.inv()
        * excursion(patient, kind, 10, travel_mm=travel_mm).reached[-1].motion
        * patient_frame
        for kind in EXCURSIONS
    }
    return settings_from_records(
        settings,
        protrusive=held_by_record(poses["protrusion"], articulator_frame, start),
        left_lateral=held_by_record(poses["left_lateral"], articulator_frame, start),
        right_lateral=held_by_record(poses["right_lateral"], articulator_frame, start),
    ).settings


def case_excursions(
    placed: PlacedCase, geometry: Geometry, *, progress: Progress | None = None, **options: Any
) -> ExcursionErrors:
    """Compare the excursions of a case, casts put together at the target.

    Parameters
    ----------
    placed : PlacedCase
        Settings that its case does not give are averages.
    geometry : Geometry
        Of the same case.
    progress : callable, optional
        Called before each excursion with words and the share done; what it raises ends the work.
    **options
        As in :func:`excursion_errors`; ``front`` and ``settings_from`` are the case's where they
        are not given.

    Raises
    ------
    InputError
        As :func:`kinematics.excursions.settings.case_guidance` and :func:`excursion_errors`.
    """
    case, marks = placed.case, geometry.landmarks
    guidance = case_guidance(case, geometry)
    options.setdefault("front", front_of(case))
    options.setdefault("settings_from", settings_from_of(case))
    machine, to_target = guidance.articulator, geometry.poses.target_from_scanned
    teeth = options["front"] != "pin" and placed.lower is not None
    told = ExcursionGeometry(
        true_axis=geometry.true_axis,
        arbitrary_axis=geometry.arbitrary_axis,
        names=marks.names,
        points_mm=marks.points_mm,
        normals=marks.normals,
        pin_tip_mm=geometry.pin_tip_target_mm,
        third_point_mm=third_point_used(case),
        recorded=geometry.recorded,
        upper=placed.upper if teeth else None,
        lower=placed.lower.moved(to_target) if teeth and placed.lower is not None else None,
    )
    errors = excursion_errors(
        told,
        guidance.patient.settings,
        articulator_settings=None if machine is None else machine.settings,
        progress=progress,
        **options,
    )
    return replace(errors, guidance=guidance if geometry.recorded else None)


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
        As in :func:`case_excursions`.

    Raises
    ------
    InputError
        Impossible settings.
    """
    tell = progress or (lambda words, share: None)
    errors = case_excursions(
        closures.placed,
        closures.geometry,
        progress=lambda words, share: tell(words, 0.4 * share),
        **options,
    )
    found = look_closer(
        closures, errors, progress=lambda words, share: tell(words, 0.4 + 0.6 * share)
    )
    return replace(errors, details=found)
