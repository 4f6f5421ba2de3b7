"""The plan as the case states it, and what would reduce its error: the report's first tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

from viewer.look.text import NONE, NOTHING_MM, plain, signed, um, yes_no
from viewer.report.tables import STOP_LABEL, Table

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.case.read import Case
    from kinematics.decision.answer import WayOut

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
            ("stop of the articulator", STOP_LABEL[a.closures.stop]),
            ("tolerance", f"{1e3 * a.case.decision.tolerance_mm:g} µm"),
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
    if not a.closures.measured:
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


OUTCOME_MARK = {
    "not_needed": "✓ locating the true axis: not needed",
    "worth_it": "→ locating the true axis is worth it",
    "helps_not_enough": "✗ locating the true axis is not enough",
    "cannot_tell": "? the draws cannot tell",
}
"""The outcome as a mark."""


def ways_out_table(a: Assessment) -> Table:
    """The ways out with their errors and chances; without rows before the chances are known."""
    if a.decision is None:
        return Table("Ways out", ("way",), (False,), ())
    answer, spread = a.decision, a.uncertainty
    size = "displacement, µm"
    if spread is not None and not spread.measured:
        size = f"displacement, {100.0 * spread.coverage:g} % stay within, µm"
    limit = f"chance at most {100.0 * answer.risk_limit:g} %"
    parts = answer.worst.chances.excursions is not None
    return Table(
        "Ways out",
        ("way", "closing at the incisors, mm", size, "high, µm", "at",
         "chance beyond tolerance", "its 95 % interval, %",
         *(("in closure", "in excursions") if parts else ()), limit),
        (False, True, True, True, False, True, True, *[True] * (2 * parts), False),
        tuple(way_row(way, parts) for way in answer.ways_out),
        "Each line was counted for this case with the answer's end of closure. Displacement and "
        "high count no uncertainty where the axis was measured; the chance does. Closing: opening "
        "negative; high: out of contact negative. The interval is for the number of draws alone. "
        + " ".join(f"{way.name[0].upper()}{way.name[1:]}: {way.what}" for way in answer.ways_out),
    )  # fmt: skip


def way_row(way: WayOut, parts: bool) -> tuple[str, ...]:
    """One way out; ``parts``: with the chances in closure and in excursions."""
    closure, excursions, either = way.chances.closure, way.chances.excursions, way.chances.either
    told = (closure.words(), NONE if excursions is None else excursions.words())
    return (
        way.name,
        signed(way.closure_mm, 2),
        plain(1e3 * way.displacement_mm),
        um(way.high_mm),
        way.landmark if way.displacement_mm > NOTHING_MM else NONE,
        either.words(),
        f"{plain(100.0 * either.low, 2)} to {plain(100.0 * either.high, 2)}",
        *(told if parts else ()),
        yes_no(way.holds),
    )
