"""Words and limits that every output shares: sizes, closures, chances, cautions."""

from __future__ import annotations

import math

HINGE_RANGE_MM = 20.0
"""Largest departure considered, at the incisors: pure hinge opening reaches about 20 mm
(Posselt 1957, read; published_values.md section 3)."""
MICROMETRES = 1000.0
ROUNDING = 1e-6
"""Of a last digit: a limit that is that digit but for rounding is said as it is (ours)."""


def rounded_room_mm(closure_mm: float) -> float:
    """A closure that keeps something within bounds, rounded down so that what is said keeps it.

    Whole tenths from 1 mm on, hundredths below; what is not finite stays.
    """
    if not math.isfinite(closure_mm):
        return closure_mm
    digits = 1 if closure_mm >= 1.0 else 2
    return math.floor(closure_mm * 10.0**digits + ROUNDING) / 10.0**digits


def room_words(closure_mm: float) -> str:
    """The same in words."""
    return f"{rounded_room_mm(closure_mm):.{1 if closure_mm >= 1.0 else 2}f} mm"


def departure_words(departure_mm: float) -> str:
    """Say the departure as a clinician would."""
    if abs(departure_mm) < 5e-4:
        return "an interocclusal record taken at the planned OVD"
    verb = "opening" if departure_mm > 0 else "closing"
    return (
        f"{verb} {abs(departure_mm):.1f} mm at the incisors from the interocclusal record to the "
        "planned OVD"
    )


def percent(probability: float, high: float = 0.0) -> str:
    """A probability in words of the precision that it deserves.

    ``high`` is the upper end of its interval from the number of trials: none in a thousand is not
    "under 0.1 %".
    """
    if probability < 0.001 and high > 0.001:
        return f"under {math.ceil(1000.0 * high) / 10.0:.1f} %"
    if probability < 0.001:
        return "under 0.1 %"
    if probability > 0.999:
        return "over 99.9 %"
    return f"{100.0 * probability:.1f} %" if probability < 0.1 else f"{100.0 * probability:.0f} %"


CAUTIONS = (
    "A planning, teaching and research aid; not a medical device.",
    "Verify every number on the patient and on the instrument before acting on it.",
    "The licensed clinician and the local rules decide.",
)
"""Said in the report, the viewer, the README and the command line."""

CAUTION = " ".join(CAUTIONS)
"""The same in one line."""
