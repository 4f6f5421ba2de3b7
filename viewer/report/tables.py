"""The report's tables and lists: the record's numbers as text, no HTML.

Errors in micrometres, positions in mm, angles in degrees; a true minus sign; a dash for a number
that does not exist.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from kinematics.closure.stops import STOPS
from viewer.look.palette import STOP_LABEL
from viewer.look.text import NONE, NOTHING_MM, plain, signed, um, yes_no
from viewer.report.captions import TEXTS

if TYPE_CHECKING:
    from collections.abc import Iterable

    from kinematics.assessment import Assessment
    from kinematics.base.errors import Finding
    from kinematics.closure.stops import Stop, StopResult
    from kinematics.closure.tooth_contact import ContactReport

CONTACT_WORDS: dict[str, str] = TEXTS["contact"]
METHOD_WORDS: dict[str, str] = TEXTS["mounting"]
STOP_MEANING: dict[str, str] = TEXTS["stop"]


@dataclass(frozen=True)
class Table:
    """One table: ``numeric`` says by column whether it is set flush right."""

    title: str
    head: tuple[str, ...]
    numeric: tuple[bool, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""


def angles_table(a: Assessment) -> Table:
    """Closing angle and largest error by stop."""

    def row(name: str, meaning: str, result: StopResult) -> tuple[str, ...]:
        i, size = result.worst
        return (
            name,
            meaning,
            signed(result.closing_deg, 3),
            signed(result.closing_deg - result.true_closing_deg, 3),
            plain(1e3 * size),
            a.landmarks.names[i] if size > NOTHING_MM else NONE,
            yes_no(size <= a.case.decision.tolerance_mm),
        )

    rows = [("patient, true axis", NONE, signed(a.true_closing_deg, 3), *[NONE] * 4)]
    for stop in STOPS:
        name = STOP_LABEL[stop]
        if stop in a.stops:
            name += " (answer)" if stop == a.closures.stop else ""
            rows.append(row(name, STOP_MEANING[stop], a.stops[stop]))
        else:
            why = a.closures.unavailable.get(stop, "not available")
            rows.append((name, f"not available: {why}", *[NONE] * 5))
    return Table(
        "Angles by stop",
        ("stop", "meaning", "closing, °", "more than patient, °", "largest error, µm", "at",
         "within tolerance"),
        (False, False, True, True, True, False, False),
        tuple(rows),
        "Closing counts positive from the record.",
    )  # fmt: skip


def landmark_table(a: Assessment, stop: Stop) -> Table:
    """Error of every landmark at one stop."""
    result, marks = a.stops[stop], a.landmarks
    size = result.magnitude_mm
    rows = []
    for i, name in enumerate(marks.names):
        p, e = result.true_mm[i], result.error_mm[i]
        rows.append(
            (
                name,
                str(marks.teeth[i] or NONE),
                *(plain(float(c), 1) for c in p),
                *(um(float(c)) for c in e),
                plain(1e3 * float(size[i])),
                um(float(result.high_mm[i])),
            )
        )
    return Table(
        f"Every landmark, stop: {STOP_LABEL[stop]}",
        ("landmark", "tooth", "x, mm", "y, mm", "z, mm", "anteroposterior, µm", "transverse, µm",
         "vertical, µm", "size, µm", "high (+) open (−), µm"),
        (False, *[True] * 9),
        tuple(rows),
    )  # fmt: skip


def contact_table(a: Assessment) -> Table:
    """First contact about both axes and back in the mouth."""

    def row(what: str, report: ContactReport) -> tuple[str, ...]:
        met = report.status == "contact"
        point = report.point_mm if met else np.full(3, np.nan)
        return (
            what,
            CONTACT_WORDS[report.status],
            signed(report.closing_deg, 3) if met else NONE,
            str(report.lower_tooth or NONE),
            str(report.upper_tooth or NONE),
            ", ".join(plain(float(c), 1) for c in point) if met else NONE,
            report.message,
        )

    rows = [
        row("closing about the true axis, from the record", a.contact_true),
        row("closing about the arbitrary axis, from the record", a.contact_arbitrary),
    ]
    if a.mouth is not None:
        rows.append(row("restoration back in the mouth, from the target", a.mouth.contact))
    return Table(
        "First contact of the teeth",
        ("movement", "what happens", "closing, °", "lower tooth", "upper tooth",
         "point x, y, z, mm", "in words"),
        (False, False, True, True, True, True, False),
        tuple(rows),
    )  # fmt: skip


def axes_table(a: Assessment) -> Table:
    """Where both axes are, and how far the arbitrary one is off."""
    rows = []
    for side in ("left", "right"):
        true = getattr(a.true_axis, f"{side}_point_mm")
        arbitrary = getattr(a.arbitrary_axis, f"{side}_point_mm")
        off = arbitrary - true
        rows.append(
            (
                side,
                ", ".join(plain(float(c), 1) for c in true),
                ", ".join(plain(float(c), 1) for c in arbitrary),
                signed(float(off[0]), 1),
                signed(float(off[2]), 1),
                plain(float(a.true_axis.distance_mm(arbitrary)), 1),
            )
        )
    return Table(
        "The two axes",
        ("side", "true point x, y, z, mm", "arbitrary point x, y, z, mm", "anterior, mm",
         "superior, mm", "distance from the true axis, mm"),
        (False, True, True, True, True, True),
        tuple(rows),
    )  # fmt: skip


def inputs_table(a: Assessment) -> Table:
    """Files, digests and mesh health."""
    rows = []
    for arch, cast in (("upper", a.upper), ("lower", a.closures.lower_target)):
        if cast is None:
            continue
        h = a.placed.scans.health[arch]
        unit = a.case.casts.unit if a.case.casts else "mm"
        rows.append(
            (
                arch,
                cast.source or "generated",
                unit,
                f"{h.n_faces:,}".replace(",", " "),
                str(h.pieces),
                f"{h.holes} ({h.boundary_edges} edges)",
                str(h.inverted_faces),
                f"{h.degenerate_faces} / {h.duplicate_faces}",
                plain(h.mean_edge_mm, 2),
                cast.sha256 or NONE,
            )
        )
    return Table(
        "Casts",
        ("cast", "file", "unit", "triangles", "pieces", "holes", "inverted",
         "degenerate / duplicate", "mean edge, mm", "SHA-256"),
        (False, False, False, True, True, True, True, True, True, False),
        tuple(rows),
        "" if rows else "No casts were given: the numbers come from the landmarks alone.",
    )  # fmt: skip


def mounting_table(a: Assessment) -> Table:
    """Residuals of the mounting."""
    m = a.mounting
    note = f"Mounted by {METHOD_WORDS.get(m.method, m.method)}. "
    note += (
        f"Root mean square of the residuals {plain(m.rms_mm, 3)} mm."
        if m.residuals
        else "Nothing is measured twice, so there is no residual to judge it by."
    )
    return Table(
        "Mounting of the upper cast",
        ("point or reading", "residual, mm"),
        (False, True),
        tuple((name, signed(float(mm), 3)) for name, mm in m.residuals),
        note,
    )


def worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """Errors, then warnings, then notes, each in their order."""
    order = {"error": 0, "warning": 1, "note": 2}
    return sorted(findings, key=lambda f: order[f.level])


def findings_table(a: Assessment) -> Table:
    """Findings, worst first."""
    found = worst_first(a.findings)
    return Table(
        "Findings and warnings",
        ("kind", "where", "what was found", "what to do"),
        (False, False, False, False),
        tuple((f.level, f.where, f.message, f.fix) for f in found),
        "" if found else "The checks found nothing to say.",
    )


def findings_line(a: Assessment) -> str:
    """One line at the top of the report that points at errors and warnings; or none."""
    parts = [
        f"{n} {level}{'' if n == 1 else 's'}"
        for level in ("error", "warning")
        if (n := sum(f.level == level for f in a.findings))
    ]
    return f"{' and '.join(parts)} about the inputs" if parts else ""


def what_would_add(a: Assessment) -> str:
    """One line that names the tables of the case file which would add to this report; or none."""
    case = a.case
    absent = [
        f"[{name}] ({what})"
        for name, what in (
            ("uncertainty", "what is uncertain on this patient, in place of the defaults"),
            ("third_point", "what the third reference point costs"),
            ("articulator", "excursions"),
        )
        if getattr(case, name) is None
    ]
    return f"The case file can add to this report: {'; '.join(absent)}." if absent else ""


def assumptions(a: Assessment) -> list[str]:
    """What the numbers take for granted, for this case."""
    pin = (
        "The incisal pin's tip stands where the case file says."
        if a.case.pin.tip_mm is not None
        else "The case gives no incisal pin: its tip is taken at the height of the incisal point, "
        "in front of it."
    )
    told = [
        "From the record to the target the mandible only turns, about the one true axis. Beyond "
        "some 20 mm of opening at the incisors this no longer holds.",
        "Casts, mounting and record are rigid and exact, apart from the residuals shown; the "
        "error shown is that of the axis alone."
        + ("" if a.risk is None else " How sure it is, with what may be off, has its own section."),
        "High and open amounts are taken along the outward normal of the lower tooth; this is "
        "exact to first order in the error.",
        pin,
        f"The tolerance of {plain(1e3 * a.case.decision.tolerance_mm)} µm is your choice: there is "
        "no agreed value.",
    ]
    if a.mounting.method == "average":
        told.append(
            "The mounting uses published averages: the casts do not stand where this patient's "
            "stand, and the angles and errors inherit that."
        )
    return told


def sources(a: Assessment) -> tuple[str, ...]:
    """The sources of what this report shows."""
    return (*TEXTS["sources"], *(() if a.risk is None else TEXTS["risk_sources"]))
