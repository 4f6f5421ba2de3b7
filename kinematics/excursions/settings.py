"""Guidance settings of a case: what it gives, what its records tell, rule and averages."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator import records
from kinematics.articulator.instrument import settings_from_case
from kinematics.articulator.path import Front
from kinematics.base.axis import HingeAxis, axis_orbital_from_points
from kinematics.base.errors import InputError
from kinematics.case.model import Case
from kinematics.case.tables import ArticulatorTable
from kinematics.closure.geometry import Geometry
from kinematics.excursions.results import CaseGuidance, SettingsFrom
from kinematics.mounting.frames import THIRD_POINT_REACH_MM

DEFAULT_THIRD_MM = (THIRD_POINT_REACH_MM, 0.0, 0.0)
"""A third reference point in the axis-orbital plane (any point of it in front gives the frame)."""


def guidance_settings(
    table: ArticulatorTable | None, width_mm: float, motions: records.Motions
) -> records.RecordedSettings:
    """The settings of one unit: the case's values, then its records, then rule and averages.

    Parameters
    ----------
    table : ArticulatorTable or None
    width_mm : float
        Between the true-axis points: the elements' distance where none is given.
    motions : mapping of record kind to RigidTransform
        Motion of the lower from where its condylar elements stand at the start to each recorded
        position, frame ``articulator`` of the unit that is set.

    Returns
    -------
    RecordedSettings
        Without ``motions`` the settings alone.

    Raises
    ------
    InputError
        As :func:`kinematics.articulator.records.settings_from_records`.

    Notes
    -----
    *Guarantee*: a value that the case gives is never changed by a record; a Bennett angle by the
    rule follows the inclination that the unit gets.
    """
    given = {} if table is None else table.given()
    rule = table is not None and bool(table.bennett_rule)
    base = settings_from_case(given, width_mm=width_mm)
    told = records.RecordedSettings(base, (), ())
    if motions:
        told = records.settings_from_records(
            base,
            protrusive=motions.get("protrusive"),
            left_lateral=motions.get("left_lateral"),
            right_lateral=motions.get("right_lateral"),
            keep=given.keys(),
        )
    known = {**given, **{name: getattr(told.settings, name) for name in told.told}}
    settings = settings_from_case(known, width_mm=width_mm, bennett_rule=rule)
    return records.RecordedSettings(settings, told.guides, told.findings, told.told)


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


def patient_frame(true_axis: HingeAxis) -> RigidTransform:
    """Where the mouth stands in a frame ``articulator`` of the patient's own."""
    return axis_orbital_from_points(true_axis, np.array(DEFAULT_THIRD_MM))


def case_guidance(geometry: Geometry) -> CaseGuidance:
    """Guidance settings of a case: the patient's, and those of the articulator set by records.

    Parameters
    ----------
    geometry : Geometry
        Of the placed case; its true axis' width stands for a distance of the elements that is not
        given.

    Raises
    ------
    InputError
        A record that tells no setting that an articulator has, about the true axis or (the error
        then says so) about the arbitrary one.
    """
    case, recorded = geometry.placed.case, geometry.recorded

    def told(frame: RigidTransform) -> records.RecordedSettings:
        start = RigidTransform.identity()
        held = {kind: records.held_by_record(m, frame, start) for kind, m in recorded.items()}
        return guidance_settings(case.articulator, geometry.true_axis.width_mm, held)

    patient = told(patient_frame(geometry.true_axis))
    if not recorded or settings_from_of(case) != "records":
        return CaseGuidance(patient, None, recorded)
    try:
        third = third_point_used(case)
        machine = told(axis_orbital_from_points(geometry.arbitrary_axis, third))
    except InputError as error:
        got = f"{error.got}, about the arbitrary axis"
        fix = f"{error.fix} Or set [articulator] settings_from = 'same_angles'."
        raise InputError(error.where, got, error.allowed, fix) from None
    return CaseGuidance(patient, machine, recorded)


def settings_from_of(case: Case) -> SettingsFrom:
    """How a case's articulator is set: by records where it has any and does not say."""
    table = case.articulator
    if table is None:
        return "same_angles"
    return table.settings_from or ("records" if table.records else "same_angles")
