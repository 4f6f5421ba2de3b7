"""The ways out, in one list with one vocabulary: their errors and their chances go by it."""

from __future__ import annotations

from dataclasses import dataclass

from kinematics.base.words import room_words
from kinematics.uncertainty.inputs import Axis

AS_PLANNED = "as planned"
AT_PLANNED = "record at the planned OVD"
LOCATED = "located axis"


@dataclass(frozen=True)
class Way:
    """One way to proceed.

    Attributes
    ----------
    name, what : str
        Short name, and what it means in one sentence, with everything uncertain counted.
    axis : {"arbitrary", "located"}
        The articulator's.
    departure_mm : float or None
        At the incisors, opening positive; None for the case's own record.
    """

    name: str
    what: str
    axis: Axis
    departure_mm: float | None = None


WAYS = (
    Way(AS_PLANNED, "The arbitrary axis, interocclusal record and planned OVD.", "arbitrary"),
    Way(
        AT_PLANNED,
        "The arbitrary axis, with the record taken at the planned OVD: nothing is left to close, "
        "and nothing changes in excursions.",
        "arbitrary",
        0.0,
    ),
    Way(
        LOCATED,
        "The true axis is located on the patient, with its own uncertainty, and transferred.",
        "located",
    ),
)
"""Open to every case. A fourth depends on the answer: a record as far from the planned OVD as keeps
the risk limit (:func:`nearer`)."""


def nearer(departure_mm: float) -> Way:
    """The way with a record at this departure, nearer the planned OVD than the case's."""
    if departure_mm > 0.0:
        name, verb = "record nearer the planned OVD", "opening"
    else:
        name, verb = "thinner record", "closing"
    what = f"The arbitrary axis, {verb} {room_words(abs(departure_mm))} at the incisors."
    return Way(name, what, "arbitrary", departure_mm)
