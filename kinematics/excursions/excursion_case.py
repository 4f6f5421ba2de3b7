"""Excursions of a case: its guidance settings and geometry, and the comparison made from them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.path import Front
from kinematics.articulator.records import RecordedSettings, held_by_record
from kinematics.base.errors import InputError
from kinematics.case.model import Case
from kinematics.casts.cast import Cast
from kinematics.excursions.compare import DEFAULT_THIRD_MM, ExcursionGeometry, excursion_errors
from kinematics.excursions.results import ExcursionErrors, SettingsFrom
from kinematics.excursions.settings import CaseGuidance, guidance_settings

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.closure.geometry import Geometry


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


def case_guidance(case: Case, geometry: ExcursionGeometry) -> CaseGuidance:
    """Guidance settings of a case: the patient's, and those of the articulator set by records.

    Parameters
    ----------
    case : Case
    geometry : ExcursionGeometry
        Its true axis' width stands for a distance of the elements that is not given.

    Raises
    ------
    InputError
        A record that tells no setting that an articulator has, about the true axis or (the error
        then says so) about the arbitrary one.
    """
    table, width = case.articulator, geometry.true_axis.width_mm
    start = geometry.start_error or RigidTransform.identity()

    def told(frame: RigidTransform, first: RigidTransform) -> RecordedSettings:
        held = {k: held_by_record(m, frame, first) for k, m in geometry.recorded.items()}
        return guidance_settings(table, width, held)

    patient = told(geometry.patient_from_axis_orbital, RigidTransform.identity())
    if not geometry.recorded or settings_from_of(case) != "records":
        return CaseGuidance(patient, None, geometry.recorded)
    try:
        machine = told(geometry.articulator_from_axis_orbital, start)
    except InputError as error:
        raise InputError(
            error.where,
            f"{error.got}, about the arbitrary axis",
            error.allowed,
            f"{error.fix} Or set [articulator] settings_from = 'same_angles'.",
        ) from None
    return CaseGuidance(patient, machine, geometry.recorded)


def settings_from_of(case: Case) -> SettingsFrom:
    """How a case's articulator is set: by records where it has any and does not say."""
    table = case.articulator
    if table is None:
        return "same_angles"
    return table.settings_from or ("records" if table.records else "same_angles")


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
        recorded=geometry.recorded,
        upper=upper,
        lower=lower,
    )


def case_excursions(case: Case, geometry: ExcursionGeometry, **options: Any) -> ExcursionErrors:
    """Compare the excursions of a case, with its ``[articulator]`` settings and records.

    Parameters
    ----------
    case : Case
        Settings that it does not give are averages.
    geometry : ExcursionGeometry
    **options
        As in :func:`kinematics.excursions.compare.excursion_errors`; ``front`` and
        ``settings_from`` are the case's where they are not given.

    Raises
    ------
    InputError
        As :func:`case_guidance` and :func:`kinematics.excursions.compare.excursion_errors`.
    """
    guidance = case_guidance(case, geometry)
    options.setdefault("front", front_of(case))
    options.setdefault("settings_from", settings_from_of(case))
    machine = guidance.articulator
    errors = excursion_errors(
        geometry,
        guidance.patient.settings,
        articulator_settings=None if machine is None else machine.settings,
        **options,
    )
    return replace(errors, guidance=guidance if geometry.recorded else None)


def errors_from_assessment(assessment: Assessment, **options: Any) -> ExcursionErrors:
    """Compare the excursions of an assessed case (see :func:`case_excursions`).

    Parameters
    ----------
    assessment : Assessment
    **options
        As in :func:`case_excursions`.
    """
    a = assessment
    geometry = case_geometry(a.case, a.geometry, a.upper, a.lower_true)
    return case_excursions(a.case, geometry, **options)
