"""Numbers and answers as text, the same in every output."""

from __future__ import annotations

import math
import os
import traceback

from kinematics.base.words import percent
from kinematics.uncertainty.chance import wilson_interval

NONE = "–"
"""Stands for a number that does not exist."""


def written(value: float, form: str) -> str:
    """A number in a format, with a true minus sign, and without a sign where it rounds to zero."""
    if not math.isfinite(value):
        return NONE
    text = f"{value:{form}}"
    return text.lstrip("+-") if float(text) == 0.0 else text.replace("-", "−")


def signed(value: float, digits: int = 0) -> str:
    """A number with its sign, without a sign where it rounds to zero."""
    return written(value, f"+.{digits}f")


def plain(value: float, digits: int = 0) -> str:
    """A number; only a negative one carries a sign."""
    return written(value, f".{digits}f")


def um(value_mm: float) -> str:
    """A length in mm as signed whole micrometres."""
    return signed(1e3 * value_mm)


def chance(share: float, trials: int) -> str:
    """A counted probability in words that its number of trials can carry."""
    return percent(share, wilson_interval(share, trials)[1])


def yes_no(value: bool) -> str:
    """Yes or no, also told by a mark."""
    return "✓ yes" if value else "✗ no"


NICE_FACTORS = (1, 2, 3, 5, 8, 10, 15, 20, 30, 50, 80, 100, 150, 200, 300, 500, 1000)
"""Exaggerations offered; the figure prints the one used."""


def nice_factor(size: float, wanted: float) -> int:
    """Largest offered factor that keeps ``size`` times factor within ``wanted``, at least 1."""
    if size <= 0.0:
        return 1
    return max((f for f in NICE_FACTORS if f * size <= wanted), default=1)


def minus(value: float) -> str:
    """A number as text with a true minus sign, as many digits as it has."""
    return f"{value + 0.0:g}".replace("-", "−")


def our_fault(error: Exception) -> str:
    """Words for what failed by a fault of ours; its traceback with ``HINGEWISE_DEBUG=1``."""
    if os.environ.get("HINGEWISE_DEBUG"):
        traceback.print_exception(error)
    return f"this is our fault: {type(error).__name__}: {str(error)[:200]}"


NOTHING_MM = 1e-6
"""An error below a nanometre is rounding: no tooth is named for it."""
