"""What a wrong axis or third reference point does to excursions: patient against articulator.

The patient moves on guidance at the true axis. The articulator has the same guidance angles (or
settings from the patient's records), but the casts stand in it by the arbitrary axis and the
third reference point that was used. Both paths are compared in ``axis_orbital``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator import (
    Articulator,
    ArticulatorSettings,
    build_articulator,
    settings_from_case,
)
from kinematics.axis import HingeAxis, axis_orbital_from_points
from kinematics.case_model import Case
from kinematics.condylar_records import settings_from_records
from kinematics.excursion import DEFAULT_TRAVEL_MM, excursion
from kinematics.excursion_contact import cast_stop
from kinematics.excursion_error_records import (
    WHO,
    ExcursionErrors,
    FrontGuide,
    KindError,
    SettingsFrom,
)
from kinematics.excursion_path import Front, Kind
from kinematics.guidance import incisal_table
from kinematics.mesh import Cast

if TYPE_CHECKING:
    from kinematics.geometry import Geometry

DEFAULT_THIRD_MM = (80.0, 0.0, 0.0)
"""A third reference point in the axis-orbital plane (any point of it in front gives the frame)."""
EXCURSIONS: tuple[Kind, ...] = ("protrusion", "left_lateral", "right_lateral")


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

    @property
    def articulator_from_axis_orbital(self) -> RigidTransform:
        """Where the casts stand in the articulator."""
        return axis_orbital_from_points(self.arbitrary_axis, self.third_point_mm)


def third_point_used(case: Case) -> NDArray[np.float64]:
    """The case's third reference point with its error, or a point of the true plane; mm, (3,)."""
    third = case.third_point
    if third is None:
        return np.array(DEFAULT_THIRD_MM)
    return np.array([third.reach_mm or DEFAULT_THIRD_MM[0], 0.0, third.error_superior_mm])


def front_of(case: Case) -> Front:
    """What stops the front in a case's excursions: the pin where it does not say."""
    table = case.articulator
    return "pin" if table is None or table.front is None else table.front


def case_settings(case: Case, width_mm: float) -> ArticulatorSettings:
    """The case's articulator settings, averages where it gives none.

    ``width_mm`` (between the true-axis points) stands for a distance of the elements that is not
    given.
    """
    table = case.articulator
    return settings_from_case(None if table is None else table.settings(), width_mm=width_mm)


def case_geometry(
    case: Case, geometry: Geometry, upper: Cast | None = None, lower: Cast | None = None
) -> ExcursionGeometry:
    """What the comparison needs, from a case's rigid geometry; casts at the target pose."""
    landmarks = geometry.landmarks
    return ExcursionGeometry(
        true_axis=geometry.true_axis,
        arbitrary_axis=geometry.arbitrary_axis,
        names=landmarks.names,
        points_mm=landmarks.points_mm,
        normals=landmarks.normals,
        pin_tip_mm=geometry.pin_tip_target_mm,
        third_point_mm=third_point_used(case),
        upper=upper,
        lower=lower,
    )


def geometry_from_assessment(
    assessment: Any,
    *,
    third_point_mm: ArrayLike | None = None,
    stop: str | None = None,
) -> ExcursionGeometry:
    """Take the geometry from an assessment.

    Parameters
    ----------
    assessment : kinematics.assess.Assessment
    third_point_mm : array_like, shape (3,), mm, ``axis_orbital``, optional
        The point that was used; by default the case's ``[third_point]`` with its error, else
        a point of the true plane.
    stop : {"equal_angle", "pin", "contact"}, optional
        Let the articulator's excursions start from this stop's closure error.
    """
    whole = case_geometry(
        assessment.case, assessment.geometry, assessment.upper, assessment.lower_true
    )
    changes: dict[str, Any] = {}
    if third_point_mm is not None:
        changes["third_point_mm"] = np.array(third_point_mm, dtype=np.float64)
    if stop is not None:
        changes["start_error"] = assessment.stops[stop].error_motion
    return replace(whole, **changes)


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
) -> ExcursionErrors:
    """Compare the patient's excursions with the articulator's.

    Parameters
    ----------
    geometry : ExcursionGeometry
    settings : ArticulatorSettings
        The patient's guidance, angles to the true axis-orbital plane.
    kinds : sequence of str
    steps, travel_mm
        As in :func:`kinematics.excursion.excursion`; both make the same advance.
    front : {"pin", "teeth", "first"}
        What stops the front of both; the last two need both casts.
    front_guide : {"with_casts", "own"}
        The front guidance of the articulator: the patient's own, fixed to the casts (as teeth
        are), or a table set to the same angles in the articulator's frame.
    settings_from : {"same_angles", "records"}
        The articulator's angles: the patient's, or solved from the patient's own protrusive and
        lateral positions at the end of the travel, as records would give them.

    Raises
    ------
    InputError
        Impossible settings or geometry.

    Notes
    -----
    *Guarantee*: with the true axis and a third point in the axis-orbital plane every error is 0.
    *Source*: derived here.
    """
    ao_from_true = axis_orbital_from_points(geometry.true_axis, np.array(DEFAULT_THIRD_MM))
    patient = _set_up(geometry, settings, ao_from_true, "own", geometry.points_mm)
    to_art = geometry.articulator_from_axis_orbital
    start = geometry.start_error
    if start is None:
        start = RigidTransform.identity()
    art_settings = settings
    if settings_from == "records":
        art_settings = _recorded(patient[0], settings, to_art * ao_from_true.inv(), travel_mm)
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
    for kind in kinds:
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


def errors_from_assessment(assessment: Any, **options: Any) -> ExcursionErrors:
    """Compare the excursions of an assessed case, with its ``[articulator]`` settings.

    Parameters
    ----------
    assessment : kinematics.assess.Assessment
        Settings that its case does not give are averages; the elements' distance is then that of
        the true-axis points.
    **options
        As in :func:`excursion_errors`; ``front`` is the case's where it is not given.

    Raises
    ------
    InputError
        As :func:`excursion_errors`.
    """
    settings = case_settings(assessment.case, assessment.true_axis.width_mm)
    options.setdefault("front", front_of(assessment.case))
    return excursion_errors(geometry_from_assessment(assessment), settings, **options)


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
    to_articulator: RigidTransform,
    travel_mm: float,
) -> ArticulatorSettings:
    """Set an articulator by the patient's own positions, carried into its frame."""
    poses = {
        kind: to_articulator
        * excursion(patient, kind, 10, travel_mm=travel_mm).reached[-1].motion
        * to_articulator.inv()
        for kind in EXCURSIONS
    }
    return settings_from_records(
        settings,
        protrusive=poses["protrusion"],
        left_lateral=poses["left_lateral"],
        right_lateral=poses["right_lateral"],
    ).settings
