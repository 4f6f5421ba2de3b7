"""The report's sections on the teeth in excursions, on the border figure and on arcon guidance."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.teeth import arch_order
from kinematics.casts.clearance import CLEARANCE_LIMIT_MM, NEAR_CONTACT_MM
from kinematics.excursions.teeth import ALONG_LIMIT_MM, CLEARLY_APART_MM
from viewer.figures.draw import draw_figure
from viewer.figures.excursions import KIND_LABEL
from viewer.figures.teeth import SIDE_WORDS, TOOTH_FIGURES, touching_places
from viewer.look.text import NONE, plain
from viewer.report.excursions import (
    DEEP_SHARE,
    contact_sentence,
    touching_words,
    way_sentence,
)
from viewer.report.guidance import both_sides
from viewer.report.page import Section, captioned
from viewer.report.tables import Table

if TYPE_CHECKING:
    from kinematics.articulator.path import Kind
    from kinematics.excursions.results import ArconComparison, ExcursionDetails, ExcursionErrors
    from kinematics.excursions.teeth import TeethAlong, TeethCompared

APART_WORDS = f"{plain(CLEARLY_APART_MM, 1)} mm"


def tooth_figures(e: ExcursionErrors) -> dict[str, Any]:
    """Draw the figures that there is material for, by their names in the captions."""
    d = e.details
    if d is None:
        return {}
    drawn: dict[str, Any] = {}
    if d.teeth:
        drawn |= {name: draw_figure(name, d) for name in TOOTH_FIGURES}
    if d.border is not None:
        drawn["borders"] = draw_figure("borders", d.border)
    if d.arcon is not None:
        drawn["arcon"] = draw_figure("arcon", d.arcon)
    return drawn


def tooth_sections(e: ExcursionErrors, drawn: Mapping[str, Any]) -> tuple[Section, ...]:
    """The sections that there is material for."""
    d = e.details
    if d is None:
        return ()

    found = []
    if d.teeth:
        tables = [*contact_tables(d), clearance_table(d)]
        svgs = captioned(drawn, *TOOTH_FIGURES)
        found.append(Section("Teeth in the excursions", tooth_paragraphs(e), svgs, tuple(tables)))
    if d.border is not None or d.arcon is not None:
        words = [border_sentence(d)] if d.border is not None else []
        words += [] if d.arcon is None else arcon_sentences(d.arcon)
        found.append(
            Section(
                "Border figure and guidance",
                tuple(words),
                captioned(drawn, "borders", "arcon"),
                () if d.arcon is None else (arcon_table(d.arcon),),
            )
        )
    return tuple(found)


def tooth_paragraphs(e: ExcursionErrors) -> tuple[str, ...]:
    """What stands above the figures of the teeth."""
    assert e.details is not None
    teeth = e.details.teeth
    lines = [
        contact_sentence(e),
        *(kind_sentence(kind, c, touching_words(e)) for kind, c in teeth.items()),
    ]
    deep = way_sentence(e)
    if deep:
        lines.append(
            f"{deep} Casts do not yield: either the planned restoration leaves room there, or the "
            'teeth take over the guidance (front = "first" or "teeth" in [articulator]).'
        )
    lines.append(
        f"A tooth counts as touching within {plain(1e3 * NEAR_CONTACT_MM)} µm of the upper, and as "
        f"touching on one of the two only where it stays more than {APART_WORDS} clear on the "
        "other. "
        "Working: on the side that the mandible moves to. Looked at where the condyles stand at "
        "each step, not between the steps."
    )
    return tuple(lines)


def kind_sentence(kind: Kind, c: TeethCompared, what: str) -> str:
    """Which teeth touch in one excursion, in the mouth and on the articulator."""

    def of(along: TeethAlong) -> str:
        places = [
            along.places[i] + (f" ({side})" if (side := SIDE_WORDS[along.where[i]]) else "")
            for i in touching_places(c.patient, c.articulator)
            if not along.apart[i]
        ]
        return ", ".join(places) or "none"

    name = KIND_LABEL[kind]
    here, there = of(c.patient), of(c.articulator)
    if here == there:
        return f"{name[0].upper()}{name[1:]}: {what}, in both: {here}."
    return f"{name[0].upper()}{name[1:]}: {what} in the mouth: {here}; on the articulator: {there}."


def span_words(along: TeethAlong, i: int) -> str:
    """The parts of the way on which a tooth touches."""
    parts = along.spans_mm(i)
    if not parts:
        return NONE
    return ", ".join(plain(a, 2) if a == b else f"{plain(a, 2)} to {plain(b, 2)}" for a, b in parts)


def gap_words(value_mm: float, limit_mm: float) -> str:
    """A clearance in mm, or the bound beyond which it was not looked for."""
    if np.isfinite(value_mm) and value_mm < -DEEP_SHARE * limit_mm:
        return f"under {plain(-DEEP_SHARE * limit_mm, 1)}"  # beyond, depths are a lower bound
    return plain(value_mm, 2) if np.isfinite(value_mm) else f"over {plain(limit_mm)}"


def contact_tables(d: ExcursionDetails) -> list[Table]:
    """Where each tooth touches; none where no tooth does."""
    rows = []
    for kind, c in d.teeth.items():
        for i in touching_places(c.patient, c.articulator):
            here, there = c.patient, c.articulator
            uppers = [int(a.against[a.clearance_mm[:, i].argmin(), i]) for a in (here, there)]
            place = here.places[i]
            only = (
                "only on the articulator"
                if place in c.only_articulator
                else "only in the mouth"
                if place in c.only_patient
                else "both"
                if (here.touching[:, i].any() and there.touching[:, i].any())
                else f"both, within {APART_WORDS}"
            )
            rows.append(
                (
                    place,
                    str(uppers[0] or uppers[1] or NONE),
                    KIND_LABEL[kind],
                    SIDE_WORDS[here.where[i]] or "protrusive",
                    span_words(here, i),
                    span_words(there, i),
                    gap_words(float(here.least_mm[i]), ALONG_LIMIT_MM),
                    gap_words(float(there.least_mm[i]), ALONG_LIMIT_MM),
                    only,
                )
            )
    if not rows:
        return []
    return [
        Table(
            "Tooth contacts along the way",
            ("lower", "upper", "excursion", "side", "touches in the mouth, mm of way",
             "touches on the articulator, mm of way", "least clearance, mouth, mm",
             "least clearance, articulator, mm", "where"),
            (False, False, False, False, False, False, True, True, False),
            tuple(rows),
            "Way of the condyles, from where the tooth is first within reach to where it last is; "
            "contacts at the start count in the way, not in the least clearance. Negative: into "
            "the upper.",
        )
    ]  # fmt: skip


def clearance_table(d: ExcursionDetails) -> Table:
    """Least clearance of each lower tooth at the end of each excursion."""
    kinds = list(d.teeth)
    first = d.teeth[kinds[0]].patient
    order = sorted(range(len(first.places)), key=lambda i: arch_order(first.teeth[i], i))
    head = ["lower"]
    for kind in kinds:
        head += [f"{KIND_LABEL[kind]}, mouth", f"{KIND_LABEL[kind]}, articulator"]
    rows = tuple(
        (
            first.places[i],
            *(
                gap_words(float(along.end_mm[i]), CLEARANCE_LIMIT_MM)
                for kind in kinds
                for along in (d.teeth[kind].patient, d.teeth[kind].articulator)
            ),
        )
        for i in order
    )
    return Table(
        "Clearance of each tooth at the end of each excursion, mm",
        tuple(head),
        (False, *[True] * (2 * len(kinds))),
        rows,
        "Least distance to the upper cast, from vertices of both casts; negative: into the upper. "
        "Every vertex is in lower_clearance.ply.",
    )


def border_sentence(d: ExcursionDetails) -> str:
    """How far the border figures lie apart."""
    b = d.border
    assert b is not None
    hinge = float(np.linalg.norm(b.hinge_mm["articulator"][-1] - b.hinge_mm["patient"][-1]))
    ends = b.protrusive_mm["articulator"][-1] - b.protrusive_mm["patient"][-1]
    return (
        f"Opened by {plain(b.opening_deg)}° of pure hinge movement, the {b.name} lies "
        f"{plain(hinge, 2)} mm from where the articulator's hinge puts it; at the end of the "
        f"protrusion {plain(1e3 * float(np.linalg.norm(ends)))} µm."
    )


def arcon_sentences(c: ArconComparison) -> list[str]:
    """What a change of the vertical dimension does to guidance, by where the guides sit."""
    worst = {
        kind: (1e3 * float(np.linalg.norm(c.difference_mm[kind], axis=2).max()),
               1e3 * float(np.linalg.norm(c.unchanged_mm[kind], axis=2).max()))
        for kind in c.difference_mm
    }  # fmt: skip
    way = "opening" if c.opening_deg > 0 else "closing"
    parts = "; ".join(
        f"{KIND_LABEL[kind]} {plain(after)} µm ({plain(before)} µm without the change)"
        for kind, (after, before) in worst.items()
    )
    return [
        "Between record and target the vertical dimension changes by "
        f"{plain(abs(c.opening_deg), 2)}° ({way}). Guides on the upper member (arcon) keep their "
        "angle to the upper occlusal plane; guides on the lower member turn with the mandible and "
        "change it by as much.",
        f"Of the patient's own guidance, the two constructions part by up to: {parts}. In lateral "
        "excursions they differ without any change too, since guides on the mandible turn with it "
        "sideways.",
    ]


def arcon_table(c: ArconComparison) -> Table:
    """Inclination of the guides to both members after the change."""

    def pair(ends: tuple[float, float]) -> str:
        return both_sides([plain(v, 2) for v in ends])

    return Table(
        "Sagittal condylar inclination after the change of the vertical dimension, °",
        ("guides", "to the upper's horizontal plane", "to the lower's horizontal plane"),
        (False, True, True),
        tuple(
            (words, pair(c.to_upper_deg[name]), pair(c.to_lower_deg[name]))
            for words, name in (
                ("on the upper member (arcon)", "arcon"),
                ("on the lower member", "opening"),
            )
        ),
        "Both set alike at the record. The occlusal planes are fixed in the members, so their "
        "angles to the guides change by the same amounts.",
    )
