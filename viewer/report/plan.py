"""The plan as the case states it, and what would reduce its error: the report's first tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from viewer.look.text import NONE, NOTHING_MM, chance, plain, signed, yes_no
from viewer.report.tables import STOP_LABEL, Table

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.case.read import Case
    from kinematics.decision.verdict import Verdict, WayOut
    from kinematics.uncertainty.summary import UncertaintySummary

SCANNED_AT = {"intercuspation": "intercuspation, as scanned", "record": "the record, as scanned"}
"""The pose that openings are counted from, by the case's ``casts.scanned_at``."""


def plan_table(a: Assessment) -> Table:
    """What the case says of record, target and arbitrary axis: to be compared with the chart."""
    case = a.case
    scanned = "the landmarks' own pose" if case.casts is None else SCANNED_AT[case.casts.scanned_at]
    return Table(
        "What was planned",
        ("", "as the case states it"),
        (False, False),
        (
            ("counted from", scanned),
            ("record", record_words(case)),
            ("target", target_words(case)),
            ("so the departure is", departure_of(a)),
            ("arbitrary axis", arbitrary_words(a)),
            ("stop of the articulator", STOP_LABEL[a.verdict.stop]),
            ("tolerance", f"{1e3 * a.verdict.tolerance_mm:g} µm"),
        ),
    )


def record_words(case: Case) -> str:
    """The record as the case states it."""
    record = case.record
    if record.as_scanned:
        return "the pose as scanned"
    if record.thickness_mm is not None:
        return f"{record.thickness_mm:g} mm thick at the {_site(record.site)}"
    return f"{_degrees(record.opening_deg)} open"


def target_words(case: Case) -> str:
    """The target as the case states it."""
    target = case.target
    if target.as_scanned:
        return "the pose as scanned"
    if target.first_contact:
        return "the first contact of the teeth about the true axis"
    if target.vdo_change_mm is not None:
        change = target.vdo_change_mm
        way = "raised" if change > 0 else "lowered" if change < 0 else "changed"
        return f"vertical dimension {way} by {abs(change):g} mm at the {_site(target.site)}"
    return f"{_degrees(target.opening_deg)} open"


def _degrees(opening_deg: float | None) -> str:
    return f"{plain(opening_deg or 0.0, 2)}°"


def _site(site: str | None) -> str:
    return "incisal pin" if site == "pin" else str(site)


def departure_of(a: Assessment) -> str:
    """The departure in words."""
    size = abs(a.departure_mm)
    if size < NOTHING_MM:
        return "none: the record stands at the target"
    way = "opening" if a.departure_mm > 0 else "closing"
    return f"{way} {plain(size, 2)} mm at the incisors ({plain(abs(a.closures.departure_deg), 2)}°)"


def arbitrary_words(a: Assessment) -> str:
    """Where the arbitrary axis lies, or that it was not measured."""
    if a.verdict.basis == "chance":
        known = "" if a.uncertainty is None else f": {a.uncertainty.population}"
        return f"not measured on this patient{known}"
    points = (
        (a.arbitrary_axis.left_point_mm, a.true_axis.left_point_mm),
        (a.arbitrary_axis.right_point_mm, a.true_axis.right_point_mm),
    )
    sides = [
        f"{side} {signed(float(at[0] - true[0]), 1)} anterior, "
        f"{signed(float(at[2] - true[2]), 1)} superior"
        for side, (at, true) in zip(("left", "right"), points, strict=True)
    ]
    return f"from the true one, mm: {'; '.join(sides)}"


def verdict_mark(verdict: Verdict, risk_limit: float) -> str:
    """The verdict as a mark: on which side of the tolerance, or of the chance allowed."""
    if verdict.basis == "chance":
        limit = f"{100.0 * risk_limit:g} %"
        return f"✓ chance at most {limit}" if verdict.within else f"✗ chance above {limit}"
    return "✓ within your tolerance" if verdict.within else "✗ beyond your tolerance"


def ways_out_table(a: Assessment) -> Table:
    """The ways out, each computed; with their chances where something is uncertain."""
    spread = a.uncertainty
    note = "Each line was computed for this case at the verdict's stop."
    size, within = "largest error, µm", "within tolerance"
    chances: tuple[str, ...] = ()
    if spread is not None:
        coverage, limit = f"{100.0 * spread.coverage:g} %", f"{100.0 * spread.risk_limit:g} %"
        chances = ("chance beyond tolerance", "its 95 % interval, %", "error: half below, µm",
                   f"error: {coverage} below, µm")  # fmt: skip
        if a.verdict.basis == "chance":
            size, within = f"{coverage} stay within, µm", f"chance at most {limit}"
        else:
            note += (
                " Errors and their place within the tolerance count no uncertainty; the chance "
                "does, and it includes how exactly the axis was located."
            )
        note += " Interval of the chance: for the number of trials alone."
    return Table(
        "What would reduce the error",
        ("way", "what it means", "departure at the incisors, mm", size, "at", within, *chances),
        (False, False, True, True, False, False, *(True for _ in chances)),
        tuple(
            (
                way.name,
                way.what,
                signed(way.departure_mm, 2),
                plain(1e3 * way.error_mm),
                way.landmark if way.error_mm > NOTHING_MM else NONE,
                yes_no(way.within),
                *(() if spread is None else chance_cells(way, spread)),
            )
            for way in a.verdict.ways_out
        ),
        note,
    )


def chance_cells(way: WayOut, spread: UncertaintySummary) -> tuple[str, ...]:
    """Chance of one way out, its interval, and the middle and the upper end of its errors."""
    told = NONE if way.chance is None else chance(way.chance, spread.trials)
    found = next((w for w in spread.ways if w.name == way.name), None)
    if found is None:
        return told, NONE, NONE, NONE
    return (
        told,
        " to ".join(plain(100.0 * end, 2) for end in found.beyond_any_interval),
        plain(1e3 * found.worst_median_mm),
        plain(1e3 * found.worst_high_mm),
    )
