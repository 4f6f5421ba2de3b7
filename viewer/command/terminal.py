"""What a person reads in the terminal: the answer, a summary table, an inspection."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from kinematics.base.errors import Finding
from kinematics.base.words import CAUTION
from kinematics.uncertainty.ways import AS_PLANNED, LOCATED
from viewer.look.text import chance, plain, signed, um
from viewer.report.plan import ways_out_table
from viewer.report.tables import STOP_LABEL, worst_first

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.inspection import Inspection

LEVEL_STYLE = {"error": "bold red", "warning": "yellow", "note": "dim"}
MICROMETRES = 1000.0
LEFT_OUT = ("at", "interval, %")
"""Ends of the heads of columns that the report has and the terminal leaves out."""


def print_findings(console: Console, findings: Iterable[Finding]) -> None:
    """Print findings, worst first."""
    for finding in worst_first(findings):
        style = LEVEL_STYLE[finding.level]
        text = escape(f"{finding.where}: {finding.message}. {finding.fix}")
        console.print(f"[{style}]{finding.level}[/] {text}")


def print_assessment(console: Console, a: Assessment, written: Sequence[Path]) -> None:
    """Print the answer, the landmark table, the contacts and the ways out."""
    if a.decision is not None:
        console.print(f"\n[bold]{escape(a.decision.sentence)}[/]")
        for sentence in (a.decision.reason, *a.decision.how_sure):
            console.print(escape(sentence))
    if a.excursions is not None:
        from viewer.report.excursions import excursion_sentences

        for sentence in excursion_sentences(a.excursions):
            console.print(escape(sentence))
    console.print(chance_table(a) if not a.closures.measured else error_table(a))
    closing = f"about the true axis {signed(a.true_closing_deg, 3)}"
    if a.closures.measured:
        named = (f"{STOP_LABEL[s]} {signed(r.closing_deg, 3)}" for s, r in a.stops.items())
        closing += f"; about the arbitrary axis: {', '.join(named)}"
    console.print(f"Closing from the record, degrees: {closing}")
    for stop, reason in a.closures.unavailable.items():
        console.print(escape(f"Stop {stop} is not available: {reason}"))
    reports = [a.contact_true, *([a.contact_arbitrary] if a.closures.measured else [])]
    for report in reports:
        if report.status != "no_meshes":
            console.print(escape(report.message))
    if a.mouth is not None:
        console.print(escape(a.mouth.contact.message))
    ways = ways_out_table(a)
    table = Table(title=ways.title)
    for head, numeric in zip(ways.head, ways.numeric, strict=True):
        if not head.endswith(LEFT_OUT):
            table.add_column(head, justify="right" if numeric else "left")
    for row in ways.rows:
        shown = (c for c, head in zip(row, ways.head, strict=True) if not head.endswith(LEFT_OUT))
        table.add_row(*(escape(c) for c in shown))
    console.print(table)
    print_findings(console, a.findings)
    for path in written:
        console.print(f"wrote {escape(str(path))}", soft_wrap=True)
    console.print(f"[dim]{CAUTION}[/]")


def error_table(a: Assessment) -> Table:
    """Closure error of each tooth's worst landmark."""
    table = Table(title="Closure error at the lower's landmarks, µm")
    table.add_column("landmark")
    for name in ("anterior", "left", "superior", "size", "high (+) / open (−)"):
        table.add_column(name, justify="right")
    result = a.stops[a.closures.stop]
    size = result.magnitude_mm
    for i in worst_by_tooth(a):
        table.add_row(
            escape(a.landmarks.names[i]),
            *(um(mm) for mm in result.error_mm[i]),
            plain(size[i] * MICROMETRES),
            um(result.high_mm[i]),
        )
    return table


def chance_table(a: Assessment) -> Table:
    """Chance of an error beyond tolerance at each tooth's worst landmark, by axis."""
    table = Table(title="Chance beyond tolerance at the lower's landmarks")
    table.add_column("landmark")
    if a.uncertainty is None:
        return table
    options = [a.uncertainty.way(name) for name in (AS_PLANNED, LOCATED)]
    for option in options:
        table.add_column(option.name, justify="right")
    for i in worst_by_tooth(a):
        chances = (chance(float(o.beyond[i]), a.uncertainty.trials) for o in options)
        table.add_row(escape(a.landmarks.names[i]), *chances)
    return table


def worst_by_tooth(a: Assessment) -> list[int]:
    """One landmark a tooth (its largest error or chance), and every landmark without a tooth."""
    size = a.stops[a.closures.stop].magnitude_mm
    if not a.closures.measured and a.uncertainty is not None:
        size = a.uncertainty.way(AS_PLANNED).beyond
    best: dict[int, int] = {}
    loose: list[int] = []
    for i, tooth in enumerate(a.landmarks.teeth):
        if not tooth:
            loose.append(i)
        elif tooth not in best or size[i] > size[best[tooth]]:
            best[tooth] = i
    y = a.landmarks.points_mm[:, 1]
    return sorted([*best.values(), *loose], key=lambda i: float(y[i]))


def print_inspection(console: Console, inspection: Inspection) -> None:
    """Print mesh health, mounting and findings."""
    if inspection.health:
        table = Table(title=f"Meshes of {escape(inspection.label)}")
        table.add_column("")
        for arch in inspection.health:
            table.add_column(arch, justify="right")
        rows = (
            ("triangles", "n_faces"),
            ("vertices", "n_vertices"),
            ("pieces", "pieces"),
            ("holes", "holes"),
            ("non-manifold edges", "nonmanifold_edges"),
            ("inverted faces", "inverted_faces"),
            ("degenerate faces", "degenerate_faces"),
            ("duplicate faces", "duplicate_faces"),
            ("watertight", "watertight"),
        )
        for title, name in rows:
            values = [getattr(h, name) for h in inspection.health.values()]
            table.add_row(
                title,
                *[
                    {True: "yes", False: "no"}.get(v, str(v)) if isinstance(v, bool) else str(v)
                    for v in values
                ],
            )
        sizes = [np.subtract(h.high_mm, h.low_mm) for h in inspection.health.values()]
        table.add_row("size, mm", *[" x ".join(f"{s:.1f}" for s in size) for size in sizes])
        means = [f"{h.mean_edge_mm:.2f}" for h in inspection.health.values()]
        table.add_row("mean edge, mm", *means)
        console.print(table)
    if inspection.mounting is not None:
        console.print(f"Mounting: {inspection.mounting.method}")
        for name, mm in inspection.mounting.residuals:
            console.print(escape(f"  residual {name}: {mm:.3f} mm"))
    if inspection.overlap_mm is not None:
        console.print(
            f"As scanned, the casts overlap by {inspection.overlap_mm:.3f} mm"
            if inspection.overlap_mm
            else "As scanned, the casts do not touch."
        )
    if inspection.landmarks:
        console.print(f"{len(inspection.landmarks)} landmarks on the lower.")
    if inspection.guidance is not None:
        from viewer.report.guidance import guide_sentences

        for sentence in guide_sentences(inspection.guidance):
            console.print(escape(sentence))
    print_findings(console, inspection.findings)
    errors = sum(f.level == "error" for f in inspection.findings)
    console.print("Ready to assess." if not errors else "Not ready: mend the errors above first.")
    console.print(f"[dim]{CAUTION}[/]")
