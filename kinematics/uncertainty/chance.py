"""A chance that was counted in draws: its interval, and whether it settles a question."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from kinematics.base.errors import InputError
from kinematics.base.words import percent

NORMAL_95 = 1.959963984540054
"""97.5 % quantile of the normal distribution, for the interval of a counted fraction."""

Settled = Literal["below", "above", "cannot_tell"]
"""Whether a chance lies at or under a limit, above it, or is not known well enough."""

RARE_OTHERWISE = 0.999
"""Chances above this are said as a limit, as those under 0.1 % are (ours)."""


@dataclass(frozen=True)
class Chance:
    """A probability, and the 95 % interval that the number of draws leaves it.

    Attributes
    ----------
    value, low, high : float
        From 0 to 1.
    """

    value: float
    low: float
    high: float

    def settled(self, limit: float) -> Settled:
        """Whether the whole interval keeps a limit, leaves it, or straddles it.

        Examples
        --------
        >>> from kinematics.uncertainty.chance import Chance
        >>> Chance(0.041, 0.037, 0.045).settled(0.05)
        'below'
        >>> Chance(0.049, 0.044, 0.055).settled(0.05)
        'cannot_tell'
        """
        if self.high <= limit:
            return "below"
        return "above" if self.low > limit else "cannot_tell"

    def words(self) -> str:
        """The chance in per cent; where the draws resolve no finer, the limit that they give.

        Notes
        -----
        *Guarantee*: a limit is rounded away from the value, so that what is said holds.

        Examples
        --------
        >>> from kinematics.uncertainty.chance import counted
        >>> counted(0, 2_000).words(), counted(2_000, 2_000).words()
        ('under 0.2 %', 'over 99.8 %')
        >>> counted(1234, 10_000).words(), counted(412, 10_000).words()
        ('12 %', '4.1 %')
        """
        if self.value > RARE_OTHERWISE > self.low:
            return f"over {math.floor(1000.0 * self.low) / 10.0:.1f} %"
        return percent(self.value, self.high)


def counted(beyond: int, draws: int) -> Chance:
    """The chance of which ``beyond`` of ``draws`` draws were counted, with its Wilson interval.

    Raises
    ------
    InputError
        No draws, or more counted than drawn.

    Notes
    -----
    Where none was counted, ``high`` is what these draws can resolve: about 3.8 / ``draws``.
    *Source*: :func:`wilson_interval`.
    """
    if not 0 <= beyond <= draws or draws == 0:
        raise InputError(
            "draws", f"{beyond} of {draws}", "a part of at least one draw", "Draw at least one."
        )
    share = beyond / draws
    low, high = wilson_interval(share, draws)
    return Chance(share, 0.0 if beyond == 0 else low, 1.0 if beyond == draws else high)


@dataclass(frozen=True)
class Chances:
    """How often one way out leaves the tolerance, counted over the same draws.

    Attributes
    ----------
    closure : Chance
        Of any tooth beyond the tolerance when closed.
    excursions : Chance or None
        Of any tooth beyond the excursions' tolerance; None where no articulator is stated.
    either : Chance
        Of one or the other: what the risk limit is held against.
    """

    closure: Chance
    excursions: Chance | None
    either: Chance


def wilson_interval(share: float, n: int) -> tuple[float, float]:
    """95 % interval of a probability of which ``share`` of ``n`` trials were counted.

    *Source*: Wilson EB, J Am Stat Assoc 1927;22:209-212 (from memory).
    """
    z2 = NORMAL_95**2 / n
    middle = (share + 0.5 * z2) / (1.0 + z2)
    half = NORMAL_95 * math.sqrt(share * (1.0 - share) / n + 0.25 * z2 / n) / (1.0 + z2)
    return max(0.0, middle - half), min(1.0, middle + half)
