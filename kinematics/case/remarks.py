"""Warnings about a case whose values are possible but unusual, each with the reason."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from kinematics.base.errors import Finding

if TYPE_CHECKING:
    from kinematics.case.model import Case
    from kinematics.case.tables import Target

HINGE_OPENING_MM = 20.0  # pure hinge opening at the incisors: Posselt 1957, page 1 (READ)
HINGE_OPENING_DEG = 13.0  # the same as an angle: textbooks (from memory)
VDO_RAISE_MM = 5.0  # largest justified raise: Abduo & Lyons 2012 (READ)
THIN_RECORD_MM = 0.5  # teeth bite through a thinner record (common practice, no source)
WIDTH_MM = (85.2, 124.7)  # CBCT condyles, n = 120, to mean of skin bows in men, n = 140 (READ)
OFFSET_MM = 15.0  # beyond every published study of arbitrary points (ours)
TOLERANCE_MM = (0.1, 0.5)  # range of tolerances in use; no consensus exists (ours)


def findings(case: Case) -> list[Finding]:
    """List what is unusual in a case; nothing here stops the work."""
    return [*_label(case), *_poses(case), *_axes(case), *_decision(case)]


def _label(case: Case) -> list[Finding]:
    name = re.fullmatch(r"(?:[^\W\d_]{2,}[-'.]? ?,? ?){2,4}", case.label)
    words = case.label.replace(",", " ").split()
    named = name is not None and all(w[0].isupper() for w in words)
    date = re.search(r"\b\d{1,4}[-./]\d{1,2}[-./]\d{1,4}\b", case.label)
    if not (named or date):
        return []
    what = "a date" if date else "a person's name"
    return [
        Finding(
            "warning", "label", f"looks like {what}", "Use a pseudonym, such as 'case 17', only."
        )
    ]


def _poses(case: Case) -> list[Finding]:
    out = []
    record, target = case.record, case.target
    mm, site = record.thickness_mm, record.site
    if mm is not None and mm > HINGE_OPENING_MM:
        where = "the incisors" if site == "incisors" else f"{site} (more at the incisors)"
        out.append(
            Finding(
                "warning",
                "record.thickness_mm",
                f"{mm:g} mm at {where} is beyond pure hinge opening (up to about "
                f"{HINGE_OPENING_MM:g} mm at the incisors, Posselt 1957)",
                "The jaw then no longer turns about one axis; check the reading.",
            )
        )
    if mm is not None and mm < THIN_RECORD_MM:
        out.append(
            Finding(
                "note",
                "record.thickness_mm",
                f"{mm:g} mm is thin for a record: under {THIN_RECORD_MM:g} mm teeth bite through "
                "it (common practice, no source)",
                "Check that the thickness is in mm, and that no tooth touched through it.",
            )
        )
    for table, deg in (("record", record.opening_deg), ("target", target.opening_deg)):
        if deg is not None and deg > HINGE_OPENING_DEG:
            out.append(
                Finding(
                    "warning",
                    f"{table}.opening_deg",
                    f"{deg:g} deg is beyond pure hinge opening (about {HINGE_OPENING_DEG:g} deg)",
                    "The jaw then no longer turns about one axis; check the value.",
                )
            )
    if record.opening_deg is not None and record.opening_deg < 0:
        out.append(
            Finding(
                "warning",
                "record.opening_deg",
                "the record lies closed beyond the scanned pose",
                "Openings are counted from the scanned pose, opening positive: check the sign.",
            )
        )
    if target.vdo_change_mm is not None and target.vdo_change_mm > VDO_RAISE_MM:
        out.append(
            Finding(
                "warning",
                "target.vdo_change_mm",
                f"a raise of {target.vdo_change_mm:g} mm; more than {VDO_RAISE_MM:g} mm is rarely "
                "justified (Abduo & Lyons 2012)",
                "Check the plan and the unit.",
            )
        )
    closed = case.casts is None or case.casts.scanned_at == "intercuspation"
    out += _lowering(target) if closed else _from_record(target)
    if record.as_scanned and closed and case.casts is not None:
        out.append(
            Finding(
                "warning",
                "record.as_scanned",
                "the record is the intercuspation in which the casts were scanned",
                "If the lower was scanned in the record, set casts.scanned_at = 'record'.",
            )
        )
    same = (record.as_scanned and target.as_scanned) or (
        record.opening_deg is not None and record.opening_deg == target.opening_deg
    )
    if same:
        out.append(
            Finding(
                "note",
                "target",
                "the record was taken at the target: departure 0, so no hinge axis matters",
                "Nothing to do.",
            )
        )
    return out


def _lowering(target: Target) -> list[Finding]:
    mm = target.vdo_change_mm
    if mm is None or mm >= 0.0:
        return []
    return [
        Finding(
            "note",
            "target.vdo_change_mm",
            f"a lowering of {-mm:g} mm, closed beyond the intercuspation: the vertical dimension "
            "is usually kept or raised (common practice, no source)",
            "Check the sign (a raise is positive); teeth in the way would have to be reduced.",
        )
    ]


def _from_record(target: Target) -> list[Finding]:
    """Say what a change that is counted from the record pose means; raised, it may be a slip."""
    mm = target.vdo_change_mm
    if mm is None or mm == 0.0:
        return []
    return [
        Finding(
            "warning" if mm > 0.0 else "note",
            "target.vdo_change_mm",
            f"the target is {abs(mm):.1f} mm more {'open' if mm > 0.0 else 'closed'} than the "
            "record pose, since the casts were scanned in it",
            "For a raise counted from the intercuspation, give the raise less the record's "
            "thickness: planned 1 mm under a 3 mm record, vdo_change_mm = -2.0.",
        )
    ]


def _axes(case: Case) -> list[Finding]:
    out = []
    if case.true_axis is not None:
        width = case.true_axis.width_mm
        if not WIDTH_MM[0] <= width <= WIDTH_MM[1]:
            out.append(
                Finding(
                    "warning",
                    "true_axis.width_mm",
                    f"{width:g} mm is unusual (published {WIDTH_MM[0]:g} to {WIDTH_MM[1]:g} mm)",
                    "Check the distance of the two axis points.",
                )
            )
    axis = case.arbitrary_axis
    if axis is not None and axis.by_offsets:
        values = axis.model_dump(exclude_none=True)
        for name, value in values.items():
            if abs(value) > OFFSET_MM:
                out.append(
                    Finding(
                        "warning",
                        f"arbitrary_axis.{name}",
                        f"{value:g} mm is farther off than in any published study",
                        "Check the reading and its unit (mm).",
                    )
                )
        if not any(values.values()) and case.uncertainty is None:
            fix = "Give the offsets, or [uncertainty] with the spread of the arbitrary axis."
            out.append(Finding("warning", "arbitrary_axis", "lies on the true axis", fix))
    return out


def _decision(case: Case) -> list[Finding]:
    mm = case.decision.tolerance_mm
    low, high = TOLERANCE_MM
    if low <= mm <= high:
        return []
    return [
        Finding(
            "warning",
            "decision.tolerance_mm",
            f"{mm:g} mm is outside the tolerances in use ({low:g} to {high:g} mm)",
            "No tolerance has consensus; check that it is in mm and meant.",
        )
    ]
