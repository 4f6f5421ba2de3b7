"""Excursions of one reading as the texts, rows and motions that the page shows (JSON-ready)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.errors import HingewiseError
from kinematics.excursions.compare import excursion_errors
from kinematics.excursions.details import look_closer
from kinematics.excursions.results import ExcursionErrors, Who
from viewer.figures.excursions import KIND_LABEL, ended_early
from viewer.look.text import plain, um
from viewer.report.excursions import setup_sentences, stop_sentences, worst_sentence
from viewer.report.guidance import (
    AVERAGE,
    NOT_GIVEN,
    record_sentence,
    setting_sources,
    settings_table,
)

if TYPE_CHECKING:
    from kinematics.closure.close import Closures

FRONT_CHOICES = {
    "pin": "the pin on its table",
    "teeth": "the teeth",
    "first": "whichever meets first",
}
"""What may stop the front, in the page's words."""
LOOKING = "Looking at the teeth along the way…"
TEETH_HEAD = (
    ("lower", ""),
    ("upper", ""),
    ("excursion", ""),
    ("side", ""),
    ("mouth", "touches, mm"),
    ("articulator", "touches, mm"),
    ("mouth", "least, mm"),
    ("articulator", "least, mm"),
    ("where", ""),
)
"""Heads of the report's table of tooth contacts, in the page's words and in two lines."""
NO_CASTS = "Without casts there are no teeth to look at."
NO_TABLE = (
    "The case has no [articulator]: the condylar guidance below is averages, the incisal table "
    "flat, so that the errors are not those of this patient. Enter the patient's settings in the "
    "case file."
)
HALF_TABLE = "What the case's [articulator] does not give is an average, marked below."
NOTHING_TO_COMPARE = (
    "No arbitrary axis was measured, so there is nothing to compare: move the axis to look at one."
)
BLANK: dict[str, Any] = {
    "sentence": "", "notes": [], "rows": [], "settings": [], "moves": {}, "ghosts": {},
    "teeth": {"sentences": [], "head": [], "rows": [], "note": ""}, "rev": 0,
}  # fmt: skip
"""What the page holds before the first excursions are there."""


def reading_excursions(
    reading: Closures, check: Callable[[], None] = lambda: None
) -> ExcursionErrors:
    """Compare the excursions of a reading, casts put together at the target.

    Parameters
    ----------
    reading : Closures
    check : callable
        Called between the excursions; raises :class:`viewer.app.session.Superseded` to give up.

    Raises
    ------
    InputError
        Impossible settings.

    Notes
    -----
    *Guarantee*: the errors of the assessment's own excursions at every step (tested), so that page
    and report name the same teeth.
    """
    return excursion_errors(reading.geometry, progress=lambda words, share: check())


def teeth_state(
    reading: Closures, e: ExcursionErrors, check: Callable[[], None] = lambda: None
) -> dict[str, Any]:
    """Teeth along the way, in the mouth and on the articulator, as sentences and one table.

    Raises
    ------
    Superseded
        ``check`` said so.
    """
    from viewer.report.excursions import MOST_IN_THE_WAY, contact_sentence, way_sentence
    from viewer.report.teeth import contact_tables

    none: dict[str, Any] = {"sentences": [NO_CASTS], "head": [], "rows": [], "note": ""}
    if reading.placed.upper is None or reading.placed.lower is None:
        return none
    details = look_closer(reading, e, progress=lambda words, share: check())
    detailed = replace(e, details=details)
    out = none | {
        "sentences": [
            s for s in (contact_sentence(detailed), way_sentence(detailed, MOST_IN_THE_WAY)) if s
        ]
    }
    for table in contact_tables(details):
        head = [
            {"text": text, "unit": unit, "whole": whole, "n": n}
            for (text, unit), whole, n in zip(TEETH_HEAD, table.head, table.numeric, strict=True)
        ]
        out |= {"head": head, "rows": [list(row) for row in table.rows], "note": table.note}
    return out


def excursions_state(
    reading: Closures,
    rev: int,
    check: Callable[[], None] = lambda: None,
    first: Callable[[dict[str, Any]], None] = lambda state: None,
) -> dict[str, Any]:
    """What the tab "Excursions" shows of one reading.

    Parameters
    ----------
    reading : Closures
    rev : int
        Of the numbers it belongs to; the page shows another one's as stale.
    check : callable
        As in :func:`reading_excursions`.
    first : callable
        Takes the state as it is before the teeth along the way have been looked at.

    Returns
    -------
    dict
        ``sentence``, ``notes`` (sentences), ``rows`` (one an excursion, errors in µm),
        ``settings`` (what, value, where from), ``moves`` and ``ghosts`` (excursion to the motions
        of the patient's lower and of the articulator's from the patient's at the target,
        ``axis_orbital``, 4x4 by columns; entry 0 the identity), ``teeth``
        (:func:`teeth_state`). Where the excursions cannot be had, ``sentence`` is the reason and
        the rest is empty.

    Raises
    ------
    Superseded
        ``check`` said so.
    """
    if not reading.measured:
        return BLANK | {"sentence": NOTHING_TO_COMPARE, "rev": rev}
    try:
        e = reading_excursions(reading, check)
    except HingewiseError as error:
        return BLANK | {"sentence": f"The excursions cannot be computed. {error}", "rev": rev}
    notes = list(stop_sentences(e))
    if not e.kinds:
        return BLANK | {"sentence": "No excursion can start.", "notes": notes, "rev": rev}
    tolerance = reading.case.decision.tolerance_mm
    table = reading.case.articulator
    settings = [
        {"what": what, "value": value, "from": source}
        for what, value, _, source in settings_table(e, setting_sources(table, e.guidance)).rows
    ]
    if not any(row["from"] not in {AVERAGE, *NOT_GIVEN.values()} for row in settings):
        notes.append(NO_TABLE)
    elif any(AVERAGE in row["from"] for row in settings):
        notes.append(HALF_TABLE)
    if e.guidance is not None and (said := record_sentence(e.guidance)):
        notes.append(said)
    third = reading.case.third_point
    notes.append(setup_sentences(e, 0.0 if third is None else third.error_superior_mm))
    worst = max(float(np.linalg.norm(k.error_mm[-1], axis=1).max()) for k in e.kinds.values())
    state = {
        "sentence": worst_sentence(e),
        "notes": notes,
        "rows": [kind_row(e, kind, tolerance, worst) for kind in e.kinds],
        "settings": settings,
        "moves": kind_moves(e, "patient"),
        "ghosts": kind_moves(e, "articulator"),
        "teeth": BLANK["teeth"] | {"sentences": [LOOKING]},
        "rev": rev,
    }
    first(state)
    return state | {"teeth": teeth_state(reading, e, check)}


def kind_row(e: ExcursionErrors, kind: Any, tolerance_mm: float, worst_mm: float) -> dict[str, Any]:
    """One excursion as a row of the page."""
    error = e.kinds[kind]
    size = np.linalg.norm(error.error_mm[-1], axis=1)
    j = int(np.argmax(size))
    early = [who for ended, who, _ in ended_early(e) if ended == kind]
    return {
        "kind": kind,
        "name": KIND_LABEL[kind],
        "at": e.names[j],
        "ap": um(float(error.error_mm[-1, j, 0])),
        "tr": um(float(error.error_mm[-1, j, 1])),
        "ve": um(float(error.error_mm[-1, j, 2])),
        "size": plain(1e3 * float(size[j])),
        "high": um(float(error.high_mm[-1, j])),
        "beyond": bool(size[j] > tolerance_mm),
        "worst": bool(size[j] == worst_mm),
        "end": f"no: {' and '.join(early)} stopped early" if early else "yes",
    }


def kind_moves(e: ExcursionErrors, who: Who) -> dict[str, list[list[float]]]:
    """Motions of one lower along each excursion, 4x4 by columns."""
    return {k: [m.T.reshape(16).tolist() for m in e.motions(k, who)] for k in e.kinds}
