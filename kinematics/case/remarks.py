"""Remarks on a case that is possible but unusual, or still holds the form's example points."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from functools import cache
from typing import Any

from kinematics.base.errors import Finding
from kinematics.case.model import Case
from kinematics.case.read import case_to_dict
from kinematics.case.template import template

HINGE_OPENING_MM = 20.0  # pure hinge opening at the incisors: Posselt 1957, page 1 (READ)
HINGE_OPENING_DEG = 13.0  # the same as an angle: textbooks (from memory)
VDO_RAISE_MM = 5.0  # largest justified raise: Abduo & Lyons 2012 (READ)
THIN_RECORD_MM = 0.5  # teeth bite through a thinner record (common practice, no source)
WIDTH_MM = (85.2, 124.7)  # CBCT condyles, n = 120, to mean of skin bows in men, n = 140 (READ)
OFFSET_MM = 15.0  # beyond every published study of arbitrary points (ours)
TOLERANCE_MM = (0.1, 0.5)  # range of tolerances in use; no consensus exists (ours)
MAX_NAMED = 6
"""Most points that the remark names (ours)."""


def findings(case: Case) -> list[Finding]:
    """List what is unusual in a case; nothing here stops the work."""
    parts = (about_label, about_record, about_target, about_axes, about_tolerance)
    return [finding for part in parts for finding in part(case)]


def about_label(case: Case) -> Iterator[Finding]:
    """Remark on a label that looks like a person's name or holds a date."""
    name = re.fullmatch(r"(?:[^\W\d_]{2,}[-'.]? ?,? ?){2,4}", case.label)
    words = case.label.replace(",", " ").split()
    named = name is not None and all(w[0].isupper() for w in words)
    date = re.search(r"\b\d{1,4}[-./]\d{1,2}[-./]\d{1,4}\b", case.label)
    if named or date:
        what = "a date" if date else "a person's name"
        fix = "Use a pseudonym, such as 'case 17', only."
        yield Finding("warning", "label", f"looks like {what}", fix)


def about_record(case: Case) -> Iterator[Finding]:
    """Remark on a record that is very thick, very thin, or lies closed beyond the scanned pose."""
    mm, site = case.record.thickness_mm, case.record.site
    if mm is not None and mm > HINGE_OPENING_MM:
        where = "the incisors" if site == "incisors" else f"{site} (more at the incisors)"
        got = f"{mm:g} mm at {where} is beyond pure hinge opening (up to about "
        got += f"{HINGE_OPENING_MM:g} mm at the incisors, Posselt 1957)"
        fix = "The jaw then no longer turns about one axis; check the reading."
        yield Finding("warning", "record.thickness_mm", got, fix)
    if mm is not None and mm < THIN_RECORD_MM:
        got = f"{mm:g} mm is thin for a record: under {THIN_RECORD_MM:g} mm teeth bite through "
        got += "it (common practice, no source)"
        fix = "Check that the thickness is in mm, and that no tooth touched through it."
        yield Finding("note", "record.thickness_mm", got, fix)
    for table, deg in (("record", case.record.opening_deg), ("target", case.target.opening_deg)):
        if deg is not None and deg > HINGE_OPENING_DEG:
            got = f"{deg:g} deg is beyond pure hinge opening (about {HINGE_OPENING_DEG:g} deg)"
            fix = "The jaw then no longer turns about one axis; check the value."
            yield Finding("warning", f"{table}.opening_deg", got, fix)
    if case.record.opening_deg is not None and case.record.opening_deg < 0:
        got = "the record lies closed beyond the scanned pose"
        fix = "Openings are counted from the scanned pose, opening positive: check the sign."
        yield Finding("warning", "record.opening_deg", got, fix)


def about_target(case: Case) -> Iterator[Finding]:
    """Remark on the change of the vertical dimension, and on record and target that are one."""
    record, target, where = case.record, case.target, "target.vdo_change_mm"
    mm = target.vdo_change_mm or 0.0
    if mm > VDO_RAISE_MM:
        got = f"a raise of {mm:g} mm; more than {VDO_RAISE_MM:g} mm is rarely "
        got += "justified (Abduo & Lyons 2012)"
        yield Finding("warning", where, got, "Check the plan and the unit.")
    closed = case.casts is None or case.casts.scanned_at == "intercuspation"
    if closed and mm < 0.0:
        got = f"a lowering of {-mm:g} mm, closed beyond the intercuspation: the vertical dimension "
        got += "is usually kept or raised (common practice, no source)"
        fix = "Check the sign (a raise is positive); teeth in the way would have to be reduced."
        yield Finding("note", where, got, fix)
    elif not closed and mm != 0.0:  # raised, it may be a slip
        got = f"the target is {abs(mm):.1f} mm more {'open' if mm > 0.0 else 'closed'} than the "
        got += "record pose, since the casts were scanned in it"
        fix = "For a raise counted from the intercuspation, give the raise less the record's "
        fix += "thickness: planned 1 mm under a 3 mm record, vdo_change_mm = -2.0."
        yield Finding("warning" if mm > 0.0 else "note", where, got, fix)
    if record.as_scanned and closed and case.casts is not None:
        got = "the record is the intercuspation in which the casts were scanned"
        fix = "If the lower was scanned in the record, set casts.scanned_at = 'record'."
        yield Finding("warning", "record.as_scanned", got, fix)
    turned = record.opening_deg is not None and record.opening_deg == target.opening_deg
    if turned or (record.as_scanned and target.as_scanned):
        message = "the record was taken at the target: departure 0, so no hinge axis matters"
        yield Finding("note", "target", message, "Nothing to do.")


def about_axes(case: Case) -> Iterator[Finding]:
    """Remark on an unusual width of the true axis, and on offsets that are far or all zero."""
    if case.true_axis is not None and not WIDTH_MM[0] <= case.true_axis.width_mm <= WIDTH_MM[1]:
        where = "true_axis.width_mm"
        got = f"{case.true_axis.width_mm:g} mm is unusual "
        got += f"(published {WIDTH_MM[0]:g} to {WIDTH_MM[1]:g} mm)"
        yield Finding("warning", where, got, "Check the distance of the two axis points.")
    if case.arbitrary_axis is None or not case.arbitrary_axis.by_offsets:
        return
    offsets = case.arbitrary_axis.model_dump(exclude_none=True)
    for name, mm in offsets.items():
        if abs(mm) > OFFSET_MM:
            message = f"{mm:g} mm is farther off than in any published study"
            fix = "Check the reading and its unit (mm)."
            yield Finding("warning", f"arbitrary_axis.{name}", message, fix)
    if not any(offsets.values()) and case.uncertainty is None:
        fix = "Give the offsets, or [uncertainty] with the spread of the arbitrary axis."
        yield Finding("warning", "arbitrary_axis", "lies on the true axis", fix)


def about_tolerance(case: Case) -> Iterator[Finding]:
    """Remark on a tolerance that nobody uses."""
    mm = case.decision.tolerance_mm
    low, high = TOLERANCE_MM
    if not low <= mm <= high:
        got = f"{mm:g} mm is outside the tolerances in use ({low:g} to {high:g} mm)"
        fix = "No tolerance has consensus; check that it is in mm and meant."
        yield Finding("warning", "decision.tolerance_mm", got, fix)


def untouched(case: Case) -> list[Finding]:
    """Remark on the points that equal the form's examples in all three coordinates.

    Notes
    -----
    Points only: measured ones hardly ever equal three whole numbers, whereas a thickness of 3.0 mm
    or a tolerance of 0.3 mm may well be meant. A warning with casts; without, average teeth can
    serve, so a note.
    """
    kind = "none" if case.mounting is None else case.mounting.method
    examples = form_points(kind)
    same = [name for name, point in points(case_to_dict(case)) if examples.get(name) == point]
    if not same:
        return []
    more = f" and {len(same) - MAX_NAMED} more" if len(same) > MAX_NAMED else ""
    got = f"still the form's examples: {', '.join(same[:MAX_NAMED])}{more}"
    fix = "Replace them with your own readings; where they are meant, there is nothing to do."
    return [Finding("note" if case.casts is None else "warning", "case", got, fix)]


@cache
def form_points(kind: str) -> dict[str, tuple[float, ...]]:
    """The points of a mounting's form, by dotted name."""
    return dict(points(tomllib.loads(template(kind, ("pin",)))))


def points(value: Any, name: str = "") -> Iterator[tuple[str, tuple[float, ...]]]:
    """Points (three numbers, in mm) by dotted name; a table of a list goes by its own name."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from points(inner, f"{name}.{key}".lstrip("."))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for i, inner in enumerate(value):
            yield from points(inner, f"{name}.{inner.get('name', i)}")
    elif name.endswith("_mm") and isinstance(value, list):
        told = tuple(float(v) for v in value if isinstance(v, int | float))
        if len(told) == len(value) == 3:
            yield name, told
