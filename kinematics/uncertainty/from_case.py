"""The uncertain inputs of a case: from its ``[uncertainty]`` table and its mounting."""

from __future__ import annotations

import numpy as np

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import InputError
from kinematics.case.read import Case
from kinematics.case.tables import Uncertainty
from kinematics.closure.batch import ANGLE, DROP, OpeningRule
from kinematics.closure.place import PlacedCase
from kinematics.closure.poses import site_point
from kinematics.closure.stops import Stop
from kinematics.uncertainty.inputs import UncertaintyInputs
from kinematics.uncertainty.populations import (
    DiscPopulation,
    MeasuredPopulation,
    NormalPopulation,
    Population,
    read_offsets,
    study_population,
)

APART = (
    "The articulator stops at tooth contact, which is not the target here: the error holds the "
    "whole way between the two."
)
"""Said of the stop ``contact`` where the target is not the first contact."""

SAME_POINT_MM = 1e-6
"""Axes closer than this are one: no offset was given (ours)."""

APART_FROM_GIVEN = (
    "The single error is that of the arbitrary axis as the case gives it; the chance counts axes "
    "scattered as stated, wherever this one lies."
)
"""Said where a case has both an arbitrary axis and a scatter."""


def inputs_from_case(
    placed: PlacedCase,
    *,
    stop: Stop | None = None,
    threads: int | None = None,
    table: Uncertainty | None = None,
) -> UncertaintyInputs:
    """Collect the uncertain inputs of a placed case.

    Parameters
    ----------
    placed : PlacedCase
        From :func:`kinematics.closure.place.place`.
    stop : optional
        The case's decision stop by default.
    threads : int, optional
        As :attr:`UncertaintyInputs.threads`.
    table : Uncertainty, optional
        The case's own by default, which it must have then.

    Raises
    ------
    InputError
        No ``[uncertainty]``, an unknown study, an offsets file that cannot be used, or ``contact``
        without casts.
    """
    case, marks = placed.case, placed.landmarks
    table = table or case.uncertainty
    if table is None:
        raise InputError(
            "uncertainty",
            "no [uncertainty]",
            "a table that says what is uncertain",
            "Add [uncertainty] arbitrary_axis = 'measured', or name a study.",
        )
    poses = placed.poses()
    axes = placed.mounting
    record, target, assumed = opening_rules(
        placed, poses.target_opening_deg, poses.pin_tip_scanned_mm
    )
    located = np.array([axes.true_axis.left_point_mm, axes.true_axis.right_point_mm])
    arbitrary = np.array([axes.arbitrary_axis.left_point_mm, axes.arbitrary_axis.right_point_mm])
    chosen = stop or case.decision.stop
    pair = None
    if chosen == "contact" and not case.target.first_contact:
        assumed.append(APART)
    if chosen == "contact":
        pair = placed.contacts.pair
        if pair is None:
            raise InputError("decision.stop", "'contact'", "[casts]", "Give the casts.")
    offsets = (arbitrary - located)[:, ::2].reshape(4)
    apart = np.abs(offsets).max() > SAME_POINT_MM
    return UncertaintyInputs(
        names=marks.names,
        teeth=marks.teeth,
        landmarks_mm=marks.points_mm,
        normals=marks.normals,
        incisal_mm=marks.incisal_point_mm,
        pin_tip_mm=poses.pin_tip_scanned_mm,
        located_points_mm=located,
        arbitrary_points_mm=arbitrary,
        record=record,
        target=target,
        population=population_of(case, table, offsets),
        true_axis_covariance_mm2=table.true_axis_sd_mm**2 * np.eye(4)
        if axes.true_axis_covariance_mm2 is None
        else np.array(axes.true_axis_covariance_mm2),
        record_sd_mm=0.0 if case.record.as_scanned else table.record_thickness_sd_mm,
        target_sd_mm=table.target_sd_mm,
        mounting_covariance=axes.covariance,
        tolerance_mm=case.decision.tolerance_mm,
        stop=chosen,
        coverage=table.coverage,
        seed=table.seed,
        pair=pair,
        target_by_contact=case.target.first_contact,
        assumptions=(
            *assumed,
            *_assumptions(case, table, axes.true_axis_covariance_mm2 is not None),
            *((APART_FROM_GIVEN,) if table.arbitrary_axis != "measured" and apart else ()),
        ),
        threads=threads,
    )


def population_of(case: Case, table: Uncertainty, offsets_mm: FloatArray) -> Population:
    """The population that ``[uncertainty]`` names; ``offsets_mm``, (4,), are the measured ones."""
    if table.arbitrary_axis == "study":
        return study_population(
            str(table.study), left_right_correlation=table.left_right_correlation
        )
    if table.arbitrary_axis == "normal":
        return NormalPopulation(
            float(table.sd_anterior_mm or 0.0),
            float(table.sd_superior_mm or 0.0),
            table.bias_anterior_mm,
            table.bias_superior_mm,
            table.left_right_correlation,
            label=f"normal scatter given by the user, SD {table.sd_anterior_mm:g} mm anterior and "
            f"{table.sd_superior_mm:g} mm superior",
        )
    if table.arbitrary_axis == "disc":
        radius = float(table.radius_mm or 0.0)
        label = f"uniform within a disc given by the user, radius {radius:g} mm"
        return DiscPopulation(radius, label=label)
    if table.arbitrary_axis == "empirical":
        return read_offsets(case.path(str(table.file), "uncertainty.file"))
    return MeasuredPopulation(offsets_mm)


def opening_rules(
    placed: PlacedCase, target_opening_deg: float, pin_tip_mm: FloatArray
) -> tuple[OpeningRule, OpeningRule, list[str]]:
    """How a placed case gives its record and its target, and what is assumed of the target."""
    marks, case = placed.landmarks, placed.case
    nowhere = marks.incisal_point_mm
    assumed: list[str] = []

    def drop(amount: float, site: str | None) -> OpeningRule:
        name = site or "incisors"
        return OpeningRule(DROP, amount, site_point(name, marks, pin_tip_mm), name == "pin")

    if case.record.thickness_mm is not None:
        record = drop(case.record.thickness_mm, case.record.site)
    else:
        record = OpeningRule(ANGLE, case.record.opening_deg or 0.0, nowhere)
    if case.target.vdo_change_mm is not None:
        target = drop(case.target.vdo_change_mm, case.target.site)
    elif case.target.first_contact:
        target = OpeningRule(ANGLE, target_opening_deg, nowhere)
        assumed.append(
            "The target is the first contact about the true axis: with the stop 'contact' it is "
            "found for each draw, otherwise held at the opening found about the located axis."
        )
    else:
        target = OpeningRule(ANGLE, case.target.opening_deg or 0.0, nowhere)
    return record, target, assumed


def _assumptions(case: Case, table: Uncertainty, located: bool) -> list[str]:
    out = [
        "The located axis is as uncertain as its recordings made it (its covariance; "
        "true_axis_sd_mm is not used)."
        if located
        else f"The located axis is uncertain by {table.true_axis_sd_mm:g} mm (standard deviation) "
        "per coordinate and side, normal, the two sides independent."
    ]
    if table.arbitrary_axis == "study":
        out.append(
            "The study's scatter is taken about the actual true axis, for it already holds the "
            "study's own error of location; the width of the axis is the case's."
        )
    if table.arbitrary_axis == "measured":
        out.append("The offset of the arbitrary axis is this patient's, measured from the located.")
    if case.record.as_scanned:
        out.append("The record's thickness is not uncertain: the casts were scanned in it.")
    return out
