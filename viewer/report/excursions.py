"""Words and tables of the excursions, for the report and the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from kinematics.base.words import CAUTION
from kinematics.casts.clearance import NEAR_CONTACT_MM
from kinematics.excursions.results import path_angles_deg
from kinematics.excursions.teeth import ALONG_LIMIT_MM
from viewer.figures.excursions import KIND_LABEL, ended_early
from viewer.look.text import plain, signed, um
from viewer.report.captions import TEXTS
from viewer.report.guidance import record_sentence
from viewer.report.tables import Table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from kinematics.articulator.path import ExcursionPath, Kind
    from kinematics.excursions.results import ExcursionErrors

WORST_TEETH = 5
"""Teeth in the table of an excursion, those of largest error at its end (ours)."""
MOST_IN_THE_WAY = 3
"""Teeth in the way that the terminal names (ours)."""
DEEP_SHARE = 0.9
"""Depths beyond this share of what was looked for are only a lower bound (ours)."""
START_ERROR_MM = 0.0005
"""A smaller error at the start is none (ours): half of the last digit shown."""


def worst_sentence(e: ExcursionErrors) -> str:
    """The largest error of all excursions in one sentence."""
    kind, name, size = e.worst()
    return (
        f"In excursions the articulator is off by up to {plain(1e3 * size)} µm: in the "
        f"{KIND_LABEL[kind]} movement, at {name}."
    )


def stop_sentences(e: ExcursionErrors) -> tuple[str, ...]:
    """One sentence for every excursion that ends early or cannot start."""
    early = [
        f"The {KIND_LABEL[kind]} movement of the {who} {fate(path)}"
        for kind, who, path in ended_early(e)
    ]
    none = [
        f"The {KIND_LABEL[kind]} movement cannot start ({reason})."
        for kind, reason in e.not_started.items()
    ]
    return tuple(s if s.endswith(".") else f"{s}." for s in (*early, *none))


def excursion_sentences(e: ExcursionErrors) -> tuple[str, ...]:
    """What the terminal says of the excursions: the worst error, the teeth, what ends early."""
    if not e.kinds:
        return stop_sentences(e)
    teeth = " ".join(s for s in (contact_sentence(e), way_sentence(e, MOST_IN_THE_WAY)) if s)
    told = "" if e.guidance is None else record_sentence(e.guidance)
    return (worst_sentence(e), *(s for s in (told, teeth) if s), *stop_sentences(e))


def contact_sentence(e: ExcursionErrors) -> str:
    """One sentence: which teeth touch on the articulator and not in the mouth; or empty."""
    if e.details is None or not e.details.teeth:
        return ""
    said = []
    for words, name in (
        ("on the articulator only", "only_articulator"),
        ("in the mouth only", "only_patient"),
    ):
        parts = [
            f"{', '.join(places)} ({KIND_LABEL[kind]})"
            for kind, c in e.details.teeth.items()
            if (places := getattr(c, name))
        ]
        if parts:
            said.append(f"{words} {', '.join(parts)}")
    if said:
        what = touching_words(e)
        return f"{what[0].upper()}{what[1:]} in the excursions: {'; '.join(said)}."
    if any((c.patient.touched | c.articulator.touched).any() for c in e.details.teeth.values()):
        return (
            f"In the excursions the {touching_words(e)} are the same on the articulator as in the "
            "mouth."
        )
    return "In the excursions no tooth touches, on the articulator as in the mouth."


def touching_words(e: ExcursionErrors) -> str:
    """What touches: teeth, or parts of a lower without tooth labels."""
    labelled = e.details is not None and any(any(c.patient.teeth) for c in e.details.teeth.values())
    return "lower teeth that touch" if labelled else "parts of the lower that touch"


def way_sentence(e: ExcursionErrors, most: int | None = None) -> str:
    """One sentence: which teeth would reach into the upper, and how deep; or empty.

    Parameters
    ----------
    e : ExcursionErrors
    most : int, optional
        Name only so many, the deepest.
    """
    found = []
    for kind, c in {} if e.details is None else e.details.teeth.items():
        least = np.minimum(c.patient.least_mm, c.articulator.least_mm)
        for i in np.flatnonzero(least < -NEAR_CONTACT_MM):
            along = min((c.patient, c.articulator), key=lambda a: float(a.least_mm[i]))
            upper = int(along.against[1:, i][along.clearance_mm[1:, i].argmin()])
            into = f" into {upper}" if upper else ""
            words = f"{along.places[i]}{into} ({depth_words(-float(least[i]))})"
            found.append((float(least[i]), kind, words))
    if not found:
        return ""
    named = sorted(found)[:most]
    parts = [
        f"{KIND_LABEL[kind]}: {', '.join(deep)}"
        for kind in dict.fromkeys(kind for _, kind, _ in found)
        if (deep := [text for _, k, text in named if k == kind])
    ]
    rest = len(found) - len(named)
    parts += [f"and {rest} more"] if rest else []
    return f"In the way of the guided front, with the greatest depth: {'; '.join(parts)}."


def depth_words(depth_mm: float) -> str:
    """How deep a tooth would reach into the upper; only a lower bound near the search's limit."""
    sure_mm = DEEP_SHARE * ALONG_LIMIT_MM
    return f"over {plain(sure_mm, 1)} mm" if depth_mm > sure_mm else f"{plain(depth_mm, 2)} mm"


def start_sentence(e: ExcursionErrors) -> str:
    """Where patient and articulator start, and with what error."""
    begun = max(
        (float(np.linalg.norm(k.error_mm[0], axis=1).max()) for k in e.kinds.values()), default=0.0
    )
    if e.front == "pin" or begun < START_ERROR_MM:
        return (
            "Patient and articulator both start with the casts put together at the target, so "
            "that this error comes on top of the closure's."
        )
    return (
        "Patient and articulator both start from the target closed onto the teeth, each about "
        f"its own axis; the up to {plain(1e3 * begun)} µm between them there are part of the error."
    )


def setup_sentences(e: ExcursionErrors, third_error_mm: float = 0.0) -> str:
    """Where both start, what the error is of, how the articulator is set and guided.

    Parameters
    ----------
    e : ExcursionErrors
    third_error_mm : float
        Height error of the third reference point that the comparison holds, superior positive.
    """
    cause = "The casts stand in the articulator by the arbitrary axis"
    cause += (
        f" and by a third reference point {signed(third_error_mm, 1)} mm off (+ superior); the "
        "error is that of both."
        if third_error_mm
        else "; the error is that of the axis alone."
    )
    return " ".join(
        (start_sentence(e), cause, TEXTS["settings"][e.settings_from], TEXTS["front"][e.front])
    )


def excursion_paragraphs(
    e: ExcursionErrors, tolerance_mm: float, third_error_mm: float = 0.0
) -> tuple[str, ...]:
    """What stands above the figures of the excursions.

    Parameters
    ----------
    e : ExcursionErrors
    tolerance_mm : float
    third_error_mm : float
        As in :func:`setup_sentences`.
    """
    over = [
        KIND_LABEL[k]
        for k, error in e.kinds.items()
        if np.linalg.norm(error.error_mm, axis=2).max() > tolerance_mm
    ]
    limit = f"your tolerance of {plain(1e3 * tolerance_mm)} µm"
    said = (
        f"Beyond {limit} somewhere on the way: {', '.join(over)}."
        if over
        else f"No excursion leaves {limit}."
    )
    told = "" if e.guidance is None else record_sentence(e.guidance)
    return (
        f"{worst_sentence(e)} {said}",
        setup_sentences(e, third_error_mm),
        *filter(None, (told,)),
        *stop_sentences(e),
        CAUTION,
    )


def fate(path: ExcursionPath) -> str:
    """How a path ends, in words."""
    if path.complete:
        return "goes to the end"
    return f"stops early, after {plain(float(path.way_mm[-1]), 2)} mm: {path.message}"


def excursion_table(e: ExcursionErrors, kind: Kind, teeth: Sequence[int]) -> Table:
    """Error at the end of one excursion, at the worst landmark of the worst teeth.

    Parameters
    ----------
    e : ExcursionErrors
    kind : str
    teeth : sequence of int
        ISO 3950 number of each landmark, 0 where it has none.
    """
    error = e.kinds[kind]
    end = np.linalg.norm(error.error_mm[-1], axis=1)
    best: dict[str, int] = {}
    for j in np.argsort(-end, kind="stable"):
        best.setdefault(str(teeth[j] or e.names[j]), int(j))
    rows = []
    for j in list(best.values())[:WORST_TEETH]:
        descent, heading = zip(
            *(path_angles_deg(p[:, j]) for p in (error.patient_mm, error.articulator_mm))
        )
        rows.append(
            (
                e.names[j],
                plain(1e3 * float(end[j])),
                *(um(float(c)) for c in error.error_mm[-1, j]),
                um(float(error.high_mm[-1, j])),
                plain(descent[0], 1),
                plain(descent[1], 1),
                signed(heading[0], 1),
                signed(heading[1], 1),
            )
        )
    shift = max(abs(float(p.side_shift_mm[-1])) for p in (error.patient, error.articulator))
    both = error.patient.complete and error.articulator.complete
    note = (
        "Both go to the end. "
        if both
        else f"The patient {fate(error.patient)}; the articulator {fate(error.articulator)}. "
    )
    note += (
        "Descent: how steeply the tooth's path falls from the horizontal; heading: its way in the "
        "horizontal, 0 straight forwards, + to the patient's left."
    )
    if shift > 0.0:
        note += (
            f" Side shift of the mandible {signed(float(error.patient.side_shift_mm[-1]), 2)} mm, "
            f"on the articulator {signed(float(error.articulator.side_shift_mm[-1]), 2)} mm "
            "(+ to the left)."
        )
    words = KIND_LABEL[kind]
    return Table(
        f"{words[0].upper()}{words[1:]}: error at the end, worst teeth",
        ("landmark", "size, µm", "anteroposterior, µm", "transverse, µm", "vertical, µm",
         "high (+) open (−), µm", "descent, patient, °", "descent, articulator, °",
         "heading, patient, °", "heading, articulator, °"),
        (False, *[True] * 9),
        tuple(rows),
        note,
    )  # fmt: skip
