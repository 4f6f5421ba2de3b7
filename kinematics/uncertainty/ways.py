"""The ways out, in one list with one vocabulary: their errors and their chances go by it."""

from __future__ import annotations

from dataclasses import dataclass

from kinematics.uncertainty.inputs import Axis

AS_PLANNED = "as planned"
AT_TARGET = "record at the target vertical dimension"
TRUE_AXIS = "true axis"


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
    Way(AS_PLANNED, "The arbitrary axis, record and target as planned.", "arbitrary"),
    Way(
        AT_TARGET,
        "The arbitrary axis, with the record taken at the target vertical dimension.",
        "arbitrary",
        0.0,
    ),
    Way(
        TRUE_AXIS,
        "The axis is located on the patient, with its own uncertainty, and transferred.",
        "located",
    ),
)
"""Open to every case. A fourth depends on the answer: a record as far from the target as keeps it
within bounds (:func:`nearer`), which the decision finds."""


def nearer(departure_mm: float) -> str:
    """Name of the way with a record nearer the target, by the direction of the departure."""
    return "record nearer the target" if departure_mm > 0.0 else "thinner record"
