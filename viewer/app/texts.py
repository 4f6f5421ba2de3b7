"""One reading as the texts and numbers that the page shows (JSON-ready)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from kinematics.base.words import room_words
from kinematics.closure.stops import STOPS
from kinematics.decision.by_chance import not_measured
from kinematics.decision.words import chance_sentence, spread_sentences
from kinematics.uncertainty.inputs import APART
from kinematics.uncertainty.propagate import MAX_TRIALS_CONTACT
from viewer.app.controls import axis_note, control_values
from viewer.figures.page_charts import CURVE_BOX, curve_chart
from viewer.look.palette import STOP_LABEL
from viewer.look.text import NOTHING_MM, chance, plain, signed, um
from viewer.report.tables import CONTACT_WORDS, STOP_MEANING, worst_first

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.closure.close import Closures
    from kinematics.closure.tooth_contact import ContactReport
    from kinematics.decision.by_error import DepartureCurve
    from kinematics.decision.verdict import Verdict
    from kinematics.uncertainty.summary import UncertaintySummary


AGAINST = (
    "against the target",
    "The target is not tooth contact: the error of this stop holds the way from one to the other.",
)
"""Beside the contact stop where the verdict is about it."""
TOGETHER = (
    "teeth together, both",
    "Each bite is closed to its own first contact, {}° {} the target, so that an error is left at "
    "departure 0 too.",
)
"""Beside the contact stop where it is not: what is compared, and the reason in words."""

NOT_YET: dict[str, Any] = {
    "mouth": "", "findings": [], "mouth_point": None, "spread": [], "chance": None, "transfer": [],
}  # fmt: skip
"""What comes later, before it is there."""


def numbers_state(reading: Closures) -> dict[str, Any]:
    """Error table, stops and the headline number of a reading."""
    result = reading.stops[reading.decision]
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
        "not_measured": not_measured(reading),
        "decision": reading.decision,
        "decision_name": STOP_LABEL[reading.decision],
        "departure": signed(reading.departure_mm, 2),
        "departure_deg": signed(-reading.true_closing_deg, 2),
        "rows": rows,
        "pair": pair_text(reading),
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
    row = {"stop": stop, "name": STOP_LABEL[stop], "meaning": STOP_MEANING[stop], "note": ""}
    if stop not in reading.stops:
        why = reading.unavailable.get(stop, "")
        return row | {"ok": False, "why": why, "size": "–", "closing": "–", "within": False}
    result = reading.stops[stop]
    note = why = ""
    if stop == "contact" and not reading.together:
        note, why = AGAINST
        if reading.decision != "contact" and reading.pair is not None:
            # The way from the target to tooth contact is no error of the axis.
            result, note = reading.pair, TOGETHER[0]
            side = "past" if reading.beyond_deg > 0.0 else "short of"
            why = TOGETHER[1].format(plain(abs(reading.beyond_deg), 2), side)
    size = result.worst[1]
    return row | {
        "ok": True,
        "why": why,
        "note": note,
        "size": plain(1e3 * size),
        "closing": signed(result.closing_deg, 2),
        "within": size <= tolerance,
    }


def pair_text(reading: Closures) -> str:
    """Both bites with the teeth together, in a sentence; or empty."""
    pair = reading.pair
    if pair is None:
        return ""
    i, size = pair.worst
    return (
        "Teeth together on both sides (the articulator at its first contact, the patient at the "
        f"patient's own): up to {plain(1e3 * size)} µm at "
        f"{reading.landmarks.names[i]}."
    )


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


def answer_state(reading: Closures, verdict: Verdict | None) -> dict[str, Any]:
    """The answer in words; empty texts while it is being worked out."""
    if verdict is None:
        return {"sentence": "", "reason": "", "even": "", "ways_out": []}
    even = verdict.break_even_departure_mm
    return {
        "sentence": verdict.sentence,
        "reason": verdict.reason,
        "even": room_words(even) if np.isfinite(even) else "none within hinge range",
        "ways_out": [
            {
                "name": r.name,
                "size": plain(1e3 * r.error_mm),
                "departure": signed(r.departure_mm, 2),
                "within": r.within,
                "what": r.what,
            }
            for r in (verdict.ways_out if verdict.basis == "error" else ())
        ],
    }


def weighed_state(
    reading: Closures, verdict: Verdict | None, curve: DepartureCurve
) -> dict[str, Any]:
    """The answer and the curve, by their names on the page."""
    even = float("nan") if verdict is None else verdict.break_even_departure_mm
    return {
        "answer": answer_state(reading, verdict),
        "curve": curve_chart(reading, curve, even, CURVE_BOX),
    }


def spread_state(found: UncertaintySummary | None, verdict: Verdict) -> dict[str, Any]:
    """How sure the answer is: sentences, and the chance that stands beside (or is) the answer."""
    if found is None:
        return {"spread": [], "chance": None}
    said = list(spread_sentences(found))
    if found.stop == "contact":
        low, high = found.ways[0].beyond_any_interval
        said.append(
            f"From {found.trials:,} trials, each with its own first contacts; the limit with this "
            f"stop is {MAX_TRIALS_CONTACT:,}, fewer than the 10,000 of JCGM 101. From their number "
            f"alone, the probability on the arbitrary axis lies between {100.0 * low:.1f} % and "
            f"{100.0 * high:.1f} %."
        )
        said += [a for a in found.assumptions if a == APART]
    planned, even = found.ways[0], found.largest_departure_mm
    return {
        "spread": said,
        "chance": {
            "text": chance(planned.beyond_any, found.trials),
            "within": planned.beyond_any <= found.risk_limit,
            "limit": f"{100.0 * found.risk_limit:g} %",
            "even": room_words(even) if np.isfinite(even) else "none within hinge range",
            "sentence": chance_sentence(verdict.stop, found) if verdict.basis == "chance" else "",
        },
    }


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
