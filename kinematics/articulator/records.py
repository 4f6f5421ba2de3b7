"""Condylar settings from interocclusal records of a protruded or lateral position."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.guides import (
    BENNETT_RANGE_DEG,
    INCLINATION_RANGE_DEG,
    CondylarGuide,
    Side,
    check_range,
)
from kinematics.articulator.instrument import INTERCONDYLAR_RANGE_MM, ArticulatorSettings
from kinematics.base.errors import Finding, InputError

RecordKind = Literal["protrusive", "left_lateral", "right_lateral"]
RECORD_LABEL: dict[str, str] = {
    "protrusive": "protrusive",
    "left_lateral": "left lateral",
    "right_lateral": "right lateral",
}
Motions = Mapping[RecordKind, RigidTransform]
"""Motion of the lower to each recorded position."""

SIDES: tuple[Side, ...] = ("left", "right")
MIN_FORWARD_MM = 2.0
"""Least advance of a condylar element from which a setting is solved (ours)."""
LOOSE_WORKING_MM = 0.5
"""A lateral record whose working element leaves its stop by more gets a remark (ours)."""
OFF_ROOF_MM = 0.2
"""An element farther from a guide that something else set gets a remark (ours)."""
RECORD_ERROR_MM = 0.1
"""Error of a record at the element for which the effect on the setting is told (ours)."""


@dataclass(frozen=True)
class RecordedGuide:
    """What one record says about one side's guide.

    Attributes
    ----------
    side : {"left", "right"}
    record : {"protrusive", "left_lateral", "right_lateral"}
    forward_mm, down_mm, medial_mm : float, mm
        Displacement of the condylar element.
    inclination_deg : float
        The setting that puts the element on the guide (of a curved guide: at its start).
    bennett_deg : float or None
        From a lateral record, after the side's immediate side shift is taken off.
    inclination_error_deg : float
        Change of the inclination for 0.1 mm of error at the element.
    """

    side: Side
    record: str
    forward_mm: float
    down_mm: float
    medial_mm: float
    inclination_deg: float
    bennett_deg: float | None
    inclination_error_deg: float


@dataclass(frozen=True)
class RecordedSettings:
    """Settings from records, with what each record said.

    Attributes
    ----------
    settings : ArticulatorSettings
    guides : tuple of RecordedGuide
    findings : tuple of Finding
    told : tuple of str
        Fields of the settings that come from records.
    """

    settings: ArticulatorSettings
    guides: tuple[RecordedGuide, ...]
    findings: tuple[Finding, ...]
    told: tuple[str, ...] = ()


def settings_from_records(
    settings: ArticulatorSettings,
    *,
    protrusive: RigidTransform | None = None,
    left_lateral: RigidTransform | None = None,
    right_lateral: RigidTransform | None = None,
    keep: Collection[str] = (),
) -> RecordedSettings:
    """Solve inclination and Bennett angle from the poses that records hold.

    Parameters
    ----------
    settings : ArticulatorSettings
        Gives intercondylar distance, immediate side shift and guide radius; angles that no
        record tells are kept.
    protrusive, left_lateral, right_lateral : RigidTransform, optional
        Motion of the lower cast from intercuspation to the recorded position, in the frame
        ``articulator``. A left lateral record tells the right (orbiting) guide.
    keep : collection of str
        Settings that are known otherwise and stay as they are, whatever a record says.

    Returns
    -------
    RecordedSettings

    Raises
    ------
    InputError
        No record; an element that hardly advances; a setting outside what an articulator has.

    Notes
    -----
    *Guarantee*: with the settings returned, the recorded elements lie on their guides: the
    protrusive record's on both roofs, a lateral record's orbiting one at its medial wall (and on
    its roof where nothing else sets the inclination; else a finding says how far off it lies).
    A record holds one position: it cannot tell a curved guide from a flat one, nor immediate
    from progressive side shift. *Source*: derived here.
    """
    width = check_range(
        "articulator.intercondylar_mm", settings.intercondylar_mm, INTERCONDYLAR_RANGE_MM, "mm"
    )
    records: dict[str, tuple[RigidTransform | None, tuple[Side, ...]]] = {
        "protrusive": (protrusive, SIDES),
        "left_lateral": (left_lateral, ("right",)),
        "right_lateral": (right_lateral, ("left",)),
    }
    guides = tuple(
        _one_guide(settings, side, name, motion, width)
        for name, (motion, sides) in records.items()
        if motion is not None
        for side in sides
    )
    if not guides:
        need = "a protrusive or a lateral record"
        raise InputError("articulator.records", "none", need, "Give at least one record.")
    changes: dict[str, float] = {}
    for guide in guides:
        if guide.bennett_deg is not None:
            changes[f"bennett_{guide.side}_deg"] = guide.bennett_deg
        changes.setdefault(f"sagittal_inclination_{guide.side}_deg", guide.inclination_deg)
    told = {name: value for name, value in changes.items() if name not in keep}
    solved = replace(settings, **told)
    findings: list[Finding] = []
    for guide in guides:
        motion = records[guide.record][0]
        assert motion is not None
        if guide.record != "protrusive":
            findings += _loose_working_element(guide, motion, width)
        findings += _off_the_roof(guide, solved)
    return RecordedSettings(solved, guides, tuple(findings), tuple(told))


def held_by_record(
    motion: RigidTransform, frame: RigidTransform, start: RigidTransform
) -> RigidTransform:
    """Motion of an articulator's lower member when a record is put between its casts.

    Parameters
    ----------
    motion : RigidTransform
        Of the patient's lower from the target pose to the record, ``axis_orbital``.
    frame : RigidTransform
        ``articulator_from_axis_orbital``.
    start : RigidTransform
        Closure error E: where the articulator's lower starts, from the target pose.

    Returns
    -------
    RigidTransform
        In the frame ``articulator``, for :func:`settings_from_records`.

    Notes
    -----
    A record holds the lower cast against the upper as in the mouth, wherever the articulator
    would have let it close: from ``E P`` to ``motion P``. *Source*: derived here.
    """
    return frame * motion * start.inv() * frame.inv()


def _loose_working_element(
    guide: RecordedGuide, motion: RigidTransform, width: float
) -> list[Finding]:
    """Remark on a lateral record whose working element leaves its stop."""
    working: Side = "left" if guide.side == "right" else "right"
    off = _element_shift(working, motion, width)
    loose = float(np.hypot(off[0], off[2]))
    if loose <= LOOSE_WORKING_MM:
        return []
    got = f"the {working} (working) element leaves its stop by {loose:.2g} mm"
    fix = "Check the record and the axis; the Bennett angle is less certain."
    return [Finding("warning", f"articulator.records.{guide.record}", got, fix)]


def _off_the_roof(guide: RecordedGuide, settings: ArticulatorSettings) -> list[Finding]:
    """Remark on an element that does not lie on its roof, where something else set the roof."""
    side = guide.side
    roof = CondylarGuide(
        side,
        np.zeros(3),
        getattr(settings, f"sagittal_inclination_{side}_deg"),
        radius_mm=getattr(settings, f"guide_radius_{side}_mm"),
    )
    gap = roof.roof(np.array([guide.forward_mm, 0.0, -guide.down_mm]))[0]
    if abs(gap) <= OFF_ROOF_MM:
        return []
    got = f"the {side} element lies {abs(gap):.2g} mm {'below' if gap > 0.0 else 'above'} the "
    got += f"guide of {roof.inclination_deg:.3g} deg; alone, this record tells "
    got += f"{guide.inclination_deg:.3g} deg"
    fix = "Paths of a protrusion and of a lateral excursion differ in many patients; one guide "
    fix += "fits one of them."
    return [Finding("note", f"articulator.records.{guide.record}", got, fix)]


def _element_shift(side: Side, motion: RigidTransform, width: float) -> NDArray[np.float64]:
    """Displacement of one condylar element by a motion, shape (3,), mm."""
    start = np.array([0.0, 0.5 * width if side == "left" else -0.5 * width, 0.0])
    return motion.apply(start) - start


def _one_guide(
    settings: ArticulatorSettings, side: Side, name: str, motion: RigidTransform, width: float
) -> RecordedGuide:
    """Read one side's guide from one record."""
    shift = _element_shift(side, motion, width)
    forward, down = float(shift[0]), float(-shift[2])
    medial = float(shift[1]) * (-1.0 if side == "left" else 1.0)
    where = f"articulator.records.{name}"
    if not forward >= MIN_FORWARD_MM:
        got = f"a {side} condylar element {forward:.3g} mm forwards"
        fix = "Take the record farther from intercuspation (about 5 mm), or check its side."
        raise InputError(where, got, f"at least {MIN_FORWARD_MM:g} mm", fix)
    chord = float(np.hypot(forward, down))
    inclination = float(np.degrees(np.arctan2(down, forward)))
    radius = getattr(settings, f"guide_radius_{side}_mm")
    if radius is not None:
        if chord > 2.0 * radius:
            where = f"articulator.guide_radius_{side}_mm"
            got = f"{radius:g} mm with an element {chord:.3g} mm away"
            need = "a radius that reaches the recorded position"
            raise InputError(where, got, need, "Increase the radius or leave it out.")
        inclination += float(np.degrees(np.arcsin(0.5 * chord / radius)))
    low, high = INCLINATION_RANGE_DEG
    if not low <= inclination <= high:
        got = f"a {side} condylar inclination of {inclination:.4g} deg"
        fix = "Check the record, the axis and the third reference point."
        raise InputError(where, got, f"{low:g} to {high:g} deg", fix)
    bennett: float | None = None
    if name != "protrusive":
        slack = getattr(settings, f"immediate_side_shift_{side}_mm")
        bennett = float(np.degrees(np.arctan2(medial - slack, forward)))
        if not BENNETT_RANGE_DEG[0] <= bennett <= BENNETT_RANGE_DEG[1]:
            got = f"a {side} Bennett angle of {bennett:.4g} deg (element {medial:.3g} mm medially, "
            got += f"articulator.immediate_side_shift_{side}_mm = {slack:g})"
            need = f"{BENNETT_RANGE_DEG[0]:g} to {BENNETT_RANGE_DEG[1]:g} deg"
            fix = "Reduce the immediate side shift, or check the record."
            raise InputError(where, got, need, fix)
    return RecordedGuide(
        side,
        name,
        forward,
        down,
        medial,
        inclination,
        bennett,
        float(np.degrees(RECORD_ERROR_MM / chord)),
    )
