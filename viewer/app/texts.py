"""One reading as the texts and numbers that the page shows (JSON-ready)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.words import room_words
from kinematics.closure.stops import STOPS
from kinematics.uncertainty.propagate import MAX_TRIALS_CONTACT
from kinematics.uncertainty.ways import AS_PLANNED
from viewer.app.controls import axis_note, control_values
from viewer.figures.page_charts import CURVE_BOX, curve_chart
from viewer.look.palette import STOP_LABEL
from viewer.look.text import NOTHING_MM, plain, signed, um
from viewer.report.plan import OUTCOME_MARK
from viewer.report.tables import CONTACT_WORDS, STOP_MEANING, worst_first

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.closure.close import Closures
    from kinematics.closure.tooth_contact import ContactReport
    from kinematics.decision.answer import Decision
    from kinematics.decision.curve import DepartureCurve
    from kinematics.uncertainty.summary import UncertaintySummary


NOT_YET: dict[str, Any] = {
    "mouth": "", "findings": [], "mouth_point": None, "spread": [], "transfer": [],
}  # fmt: skip
"""What comes later, before it is there."""


def numbers_state(reading: Closures) -> dict[str, Any]:
    """Error table, stops and the headline number of a reading."""
    result = reading.stops[reading.stop]
    size, (worst, largest) = result.magnitude_mm, result.worst
    tolerance = reading.case.decision.tolerance_mm
    marks = reading.landmarks
    rows = [
        {
            "name": marks.names[i],
            "tooth": str(marks.teeth[i] or "–"),
            "ap": um(float(result.error_mm[i, 0])),
            "tr": um(float(result.error_mm[i, 1])),
            "ve": um(float(result.error_mm[i, 2])),
            "size": plain(1e3 * float(size[i])),
            "high": um(float(result.high_mm[i])),
            "beyond": bool(size[i] > tolerance),
            "worst": i == worst,
        }
        for i in range(len(marks))
    ]
    return {
        "label": reading.case.label,
        "size": plain(1e3 * largest),
        "at": marks.names[worst] if largest > NOTHING_MM else "",
        "tolerance": plain(1e3 * tolerance),
        "within": largest <= tolerance,
        "not_measured": not reading.measured,
        "decision": reading.stop,
        "decision_name": STOP_LABEL[reading.stop],
        "departure": signed(reading.departure_mm, 2),
        "departure_deg": signed(-reading.true_closing_deg, 2),
        "rows": rows,
        "stops": [stop_row(reading, stop, tolerance) for stop in STOPS],
        "controls": control_values(reading),
        "axis_note": axis_note(reading.case),
        "contacts": [
            contact_row("about the true axis", reading.contact_true),
            contact_row("about the arbitrary axis", reading.contact_arbitrary),
        ],
    }


def stop_row(reading: Closures, stop: Any, tolerance: float) -> dict[str, Any]:
    """One stop as a row of the page."""
    row = {"stop": stop, "name": STOP_LABEL[stop], "meaning": STOP_MEANING[stop]}
    if stop not in reading.stops:
        why = reading.unavailable.get(stop, "")
        return row | {"ok": False, "why": why, "size": "–", "closing": "–", "within": False}
    result = reading.stops[stop]
    size = result.worst[1]
    return row | {
        "ok": True,
        "why": "",
        "size": plain(1e3 * size),
        "closing": signed(result.closing_deg, 2),
        "within": size <= tolerance,
    }


def contact_row(what: str, report: ContactReport) -> dict[str, str]:
    """A first contact as a row of the page."""
    met = report.status == "contact"
    teeth = f"{report.lower_tooth or '–'} against {report.upper_tooth or '–'}" if met else ""
    return {
        "what": what,
        "angle": signed(report.closing_deg, 2) + "°" if met else "",
        "teeth": teeth,
        "words": CONTACT_WORDS[report.status],
    }


NO_ANSWER: dict[str, Any] = {
    "sentence": "", "reason": "", "largest": "", "mark": "", "holds": False, "chance": "",
    "outcome": "", "ways_out": [],
}  # fmt: skip
"""What the page holds of the answer before the chances are there."""


def answer_state(found: Decision | None) -> dict[str, Any]:
    """The answer in words; empty texts while it is being worked out."""
    if found is None:
        return dict(NO_ANSWER)
    largest = found.largest_closure_mm
    return {
        "sentence": found.sentence,
        "reason": found.reason,
        "largest": room_words(largest) if np.isfinite(largest) else "any within hinge range",
        "mark": OUTCOME_MARK[found.outcome],
        "holds": found.holds,
        "chance": found.worst.chances.either.words(),
        "outcome": found.outcome,
        "ways_out": [
            {
                "name": way.name,
                "size": plain(1e3 * way.displacement_mm),
                "closure": signed(way.closure_mm, 2),
                "chance": way.chances.either.words(),
                "holds": way.holds,
                "what": way.what,
            }
            for way in found.ways_out
        ],
    }


def weighed_state(
    reading: Closures, found: Decision | None, curve: DepartureCurve
) -> dict[str, Any]:
    """The answer and the curve, by their names on the page."""
    largest = float("nan") if found is None else found.largest_closure_mm
    return {
        "answer": answer_state(found),
        "curve": curve_chart(reading, curve, largest, CURVE_BOX),
    }


def spread_state(spread: UncertaintySummary, found: Decision) -> list[str]:
    """How sure the answer is, in sentences."""
    said = list(found.how_sure)
    if spread.stop == "contact":
        closure = spread.way(AS_PLANNED).chances.closure
        said.append(
            f"From {spread.trials:,} trials, each with its own first contacts; the limit with this "
            f"stop is {MAX_TRIALS_CONTACT:,}, fewer than the 10,000 of JCGM 101. From their number "
            f"alone, the chance on the arbitrary axis lies between {100.0 * closure.low:.1f} % and "
            f"{100.0 * closure.high:.1f} %."
        )
    return said


def later_state(assessment: Assessment) -> dict[str, Any]:
    """What comes after a moment's rest: return to the mouth, and every finding."""
    return NOT_YET | {
        "transfer": list(assessment.transfer.sentences),
        "mouth": "" if assessment.mouth is None else assessment.mouth.contact.message,
        "findings": [
            {"level": f.level, "where": f.where, "message": f.message, "fix": f.fix}
            for f in worst_first(assessment.findings)
        ],
    }
