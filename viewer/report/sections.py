"""The report's further sections: how sure, when it matters, what from, the transfer, excursions.

Each comes only where the case has what it needs; :func:`viewer.report.tables.what_would_add`
names the tables of the case file that would bring the others.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.figures.draw import draw_figure
from viewer.figures.risk import tooth_chances
from viewer.figures.style import wrapped
from viewer.look.text import NONE, chance, plain, signed, yes_no
from viewer.report.excursions import excursion_paragraphs, excursion_table, stop_sentences
from viewer.report.guidance import (
    record_table,
    rule_sentence,
    setting_sources,
    settings_table,
)
from viewer.report.page import Section, captioned
from viewer.report.tables import Table
from viewer.report.teeth import tooth_figures, tooth_sections

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.decision.transfer import Transfer
    from kinematics.excursions.results import ExcursionErrors
    from kinematics.uncertainty.risk import Risk
    from kinematics.uncertainty.summary import UncertaintySummary

WORST_ROWS = 6
"""Landmarks in the table of coverage intervals, those of largest mean error (ours)."""
RISK_NAMES = ("probability", "worst", "decision", "ranking")


def extra_figures(a: Assessment) -> dict[str, Any]:
    """Draw the figures that the case has material for, by name."""
    drawn = {}
    if a.risk is not None:
        names = RISK_NAMES if a.risk.ranking else RISK_NAMES[:-1]
        drawn.update({name: draw_figure(name, a) for name in names})
    if a.excursions is not None and a.excursions.kinds:
        landmark = a.excursions.names.index(a.excursions.worst()[1])
        drawn["paths"] = draw_figure("paths", a.excursions, landmark)
        short = tuple(wrapped(name, 15, 2) for name in a.excursions.names)
        drawn["error"] = draw_figure("error", replace(a.excursions, names=short))
        drawn |= tooth_figures(a.excursions)
    return drawn


def extra_sections(
    assessment: Assessment, figures: Mapping[str, Any] | None = None
) -> tuple[Section, ...]:
    """The sections that the case has material for, in the order of the report.

    Parameters
    ----------
    assessment : Assessment
    figures : mapping, optional
        From :func:`extra_figures`; drawn where not given.

    Notes
    -----
    *Guarantee*: no section without content; every number is the record's own.
    """
    a = assessment
    drawn = extra_figures(a) if figures is None else figures

    found = []
    if a.risk is not None:
        found += [
            how_sure(a, a.risk.spread, captioned(drawn, "probability", "worst")),
            when(a.risk.spread, captioned(drawn, "decision")),
        ]
        if a.risk.ranking:
            found.append(ranking(a.risk, captioned(drawn, "ranking")))
    if a.transfer.sentences or a.transfer.mounting_sd_mm is not None:
        found.append(transfer(a, a.transfer))
    if a.excursions is not None and a.excursions.kinds:
        found.append(excursion_section(a, a.excursions, drawn))
        found += tooth_sections(a.excursions, drawn)
    elif a.excursions is not None:
        found.append(Section("Excursions", stop_sentences(a.excursions)))
    return tuple(found)


def excursion_section(a: Assessment, e: ExcursionErrors, drawn: Mapping[str, Any]) -> Section:
    """What the articulator does in excursions, with the settings it was computed with."""
    third = 0.0 if a.case.third_point is None else a.case.third_point.error_superior_mm
    paragraphs = excursion_paragraphs(e, a.case.decision.tolerance_mm, third)
    rule = rule_sentence(a.case)
    tables = [excursion_table(e, k, a.landmarks.teeth) for k in e.kinds]
    tables.append(settings_table(e, setting_sources(a.case.articulator, e.guidance)))
    if e.guidance is not None:
        tables.append(record_table(e.guidance))
    return Section(
        "Excursions",
        (*paragraphs, rule) if rule else paragraphs,
        captioned(drawn, "paths", "error"),
        tuple(tables),
    )


def count(n: int) -> str:
    """A whole number with thin groups of thousands."""
    return f"{n:,}".replace(",", " ")


def how_sure(
    a: Assessment, spread: UncertaintySummary, svgs: tuple[tuple[str, str], ...]
) -> Section:
    """How often the tolerance is left, how the error spreads, and what that rests on."""
    q = spread.quantities["magnitude"]
    i = int(np.argmax(q.mean))
    low, high = (1e3 * end for end in spread.worst_interval_mm)
    worst = (
        f"The error is largest on average at {spread.names[i]}: {plain(1e3 * q.mean[i])} µm, with "
        f"a standard uncertainty of {fine(q.uncertainty[i])} µm. The largest displacement of any "
        f"tooth lies, in {100 * spread.coverage:g} % of the draws, between {plain(low)} and "
        f"{plain(high)} µm."
    )
    settled = (
        "the numbers had settled by then"
        if spread.status == "stabilised"
        else "the numbers had NOT settled by then, so that their last digits may still change"
    )
    run = (
        f"Found by letting chance draw every uncertain input {count(spread.trials)} times and "
        f"closing the casts each time (seed {spread.seed}); {settled}."
    )
    if spread.failed_trials:
        run += f" {count(spread.failed_trials)} draws could not be closed and are left out."
    assumed = (
        f"Arbitrary axis: {spread.population}.",
        *spread.assumptions,
        "Method: Monte Carlo propagation with its stabilisation test, and the first-order result "
        "beside it, after JCGM 101:2008. Where the two disagree, the Monte Carlo result stands.",
    )
    return Section(
        "How sure is it",
        (*(() if a.decision is None else a.decision.how_sure), worst, run),
        svgs,
        (chance_table(a, spread), coverage_table(spread)),
        (("What this takes for granted, and from where", assumed),),
    )


def fine(value_mm: float) -> str:
    """Micrometres of an uncertainty: one decimal where it is small."""
    um = 1e3 * float(value_mm)
    return plain(um, 1 if um < 9.95 else 0)


def chance_table(a: Assessment, spread: UncertaintySummary) -> Table:
    """Chance of leaving the tolerance by tooth, one column a way to proceed."""
    named = [(o, tooth_chances(a, o.name)) for o in spread.ways]
    labels, _, at = named[0][1]
    rows = [
        (label, at[i], *(chance(float(c[i]), spread.trials) for _, (_, c, _) in named))
        for i, label in enumerate(labels)
    ]
    anywhere = (o.chances.closure.words() for o in spread.ways)
    rows.append(("anywhere", NONE, *anywhere))
    return Table(
        f"Chance of an error beyond {plain(1e3 * spread.tolerance_mm)} µm, by tooth",
        ("tooth", "where it is likeliest", *(o.name for o in spread.ways)),
        (False, False, *[True] * len(spread.ways)),
        tuple(rows),
        "Each tooth at the landmark of it where the chance is largest (named for the plan).",
    )


def coverage_table(spread: UncertaintySummary) -> Table:
    """Coverage intervals of the landmarks of largest mean error, by draws and to first order."""
    q = spread.quantities["magnitude"]
    order = np.argsort(-q.mean, kind="stable")[:WORST_ROWS]

    def pair(ends: Any) -> str:
        return f"{plain(1e3 * float(ends[0]))} to {plain(1e3 * float(ends[1]))}"

    return Table(
        f"Size of the error where it is largest, {100 * spread.coverage:g} % coverage",
        ("landmark", "mean, µm", "standard uncertainty, µm", "symmetric interval, µm",
         "shortest interval, µm", "first order: estimate, µm", "its uncertainty, µm",
         "its interval, µm", "first order agrees"),
        (False, True, True, True, True, True, True, True, False),
        tuple(
            (
                spread.names[i],
                plain(1e3 * float(q.mean[i])),
                fine(q.uncertainty[i]),
                pair(q.symmetric[i]),
                pair(q.shortest[i]),
                plain(1e3 * float(q.gum_estimate[i])),
                fine(q.gum_uncertainty[i]),
                pair(q.gum_interval[i]),
                yes_no(bool(q.gum_validated[i])),
            )
            for i in order
        ),
        "Arbitrary axis as planned. Symmetric: as many trials lie below it as above it.",
    )  # fmt: skip


def when(spread: UncertaintySummary, svgs: tuple[tuple[str, str], ...]) -> Section:
    """What the decision chart says."""
    said = (
        f"At a tolerance of {plain(1e3 * spread.tolerance_mm)} µm the chart says how much "
        "departure an axis error allows, and how near the true axis a planned departure needs the "
        "points to be, for this patient's arch and this stop. It holds for an error of the axis "
        "alone; the chances above add what else is uncertain."
    )
    return Section("When does it matter", (said,), svgs)


def ranking(risk: Risk, svgs: tuple[tuple[str, str], ...]) -> Section:
    """What the spread of the largest error comes from."""

    def interval(ends: tuple[float, float]) -> str:
        return " to ".join(plain(100.0 * min(max(e, 0.0), 1.0)) for e in ends)

    rows = tuple(
        (str(r.rank), r.name, plain(100.0 * r.first), interval(r.first_interval),
         plain(100.0 * r.total), interval(r.total_interval))
        for r in risk.ranking
    )  # fmt: skip
    table = Table(
        "Inputs by their part in the variance of the largest error",
        ("rank", "input", "by itself, %", "95 % interval, %", "with others, %",
         "95 % interval, %"),
        (True, False, True, True, True, True),
        rows,
        "Sobol' indices, first order and total; the intervals come from resampling. A small "
        "estimate may fall below 0 by chance.",
    )  # fmt: skip
    said = tuple(r.sentence for r in risk.ranking[:3])
    return Section("What the spread comes from", said, svgs, (table,))


def transfer(a: Assessment, t: Transfer) -> Section:
    """What the transfer costs: the third point, the mounting."""
    found = []
    if t.third_point is not None:
        p = t.third_point
        found.append(
            Table(
                "Third reference point",
                ("what", "without its error", "with its error", "change"),
                (False, True, True, True),
                (
                    ("sagittal condylar inclination, °", *change(*p.sagittal_deg, 1)),
                    ("Bennett angle, °", *change(*p.bennett_deg, 1)),
                    ("tilt of the casts, °", *change(0.0, p.tilt_deg, 2)),
                    ("closure error at equal angles or tooth contact, µm", NONE, NONE,
                     plain(1e3 * p.equal_angle_change_mm, 1)),
                    ("closure error with the incisal pin, µm", NONE, NONE,
                     plain(1e3 * p.pin_change_mm, 1)),
                ),
                f"The point was used {signed(p.error_superior_mm, 1)} mm from where it belongs "
                f"(+ superior), {plain(p.reach_mm)} mm from the axis.",
            )
        )  # fmt: skip
    if a.mounting.influences:
        average = a.mounting.method == "average"
        unit, shown = fitting_unit(a.mounting.influences[0][1])
        what = "average" if average else "reading"
        found.append(
            Table(
                f"What each {what} of the mounting moves",
                (what, f"its standard deviation moves the teeth by, {unit}"),
                (False, True),
                tuple((n, shown(mm)) for n, mm in a.mounting.influences),
                "Against the axis; published standard deviations: measure this patient instead."
                if average
                else "Against the axis; repeat the first reading first.",
            )
        )
    if t.mounting_sd_mm is not None:
        size = np.linalg.norm(t.mounting_sd_mm, axis=1)
        order = np.argsort(-size, kind="stable")[:WORST_ROWS]
        unit, shown = fitting_unit(float(size.max()))
        found.append(
            Table(
                "Where the mounting leaves the casts uncertain",
                (
                    "landmark",
                    *(f"{w}, {unit}" for w in ("anteroposterior", "transverse", "vertical", "all")),
                ),
                (False, True, True, True, True),
                tuple(
                    (a.landmarks.names[i], *map(shown, (*t.mounting_sd_mm[i], size[i])))
                    for i in order
                ),
                "Standard uncertainty against the axis from the mounting alone, at the landmarks "
                "where it is largest.",
            )
        )
    return Section("The transfer", t.sentences, (), tuple(found))


def fitting_unit(largest_mm: float) -> tuple[str, Callable[[float], str]]:
    """The unit of a column of uncertainties, and how it shows one: mm from one millimetre on."""
    if largest_mm >= 1.0:
        return "mm", lambda mm: plain(float(mm), 1)
    return "µm", lambda mm: plain(1e3 * float(mm))


def change(before: float, after: float, digits: int) -> tuple[str, str, str]:
    """A number before and after, and their difference."""
    return plain(before, digits), plain(after, digits), signed(after - before, digits)
