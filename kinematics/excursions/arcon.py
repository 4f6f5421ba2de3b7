"""Arcon guidance against guidance that opens with the mandible, after a change of the vertical.

Both are set alike at opening 0. Then the vertical dimension is changed about the hinge axis and
the pin is set again. What differs, exactly:

- arcon (guides on the upper member): the angle of guide and upper occlusal plane stays; the
  angle of guide and lower occlusal plane changes by the opening.
- opening (guides on the lower member): the guide turns with the mandible; its angle to the upper
  occlusal plane grows by the opening, and that to the lower one stays.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from kinematics.articulator import instrument
from kinematics.articulator.excursion import excursion
from kinematics.articulator.guides import CondylarGuide
from kinematics.articulator.path import Kind
from kinematics.base.arrays import FloatArray
from kinematics.excursions.results import EXCURSIONS, ArconComparison


def guide_inclination_deg(articulator: instrument.Articulator, side: str, member: str) -> float:
    """Inclination of a guide at its start to the horizontal plane of a member, degrees.

    Parameters
    ----------
    articulator : Articulator
    side : {"left", "right"}
    member : {"upper", "lower"}

    Notes
    -----
    Measured on the guide's surface normal at the start pose; nothing is taken from the setting.
    """
    guide: CondylarGuide = getattr(articulator, side)
    normal = -guide.roof(guide.start_mm)[1]
    turn = articulator.start_pose.rotation
    if member == "upper" and articulator.guidance_on == "lower":
        normal = turn.apply(normal)
    if member == "lower" and articulator.guidance_on == "upper":
        normal = turn.inv().apply(normal)
    return float(np.degrees(np.arctan2(normal[0], normal[2])))


def arcon_comparison(
    settings: instrument.ArticulatorSettings,
    pin_tip_mm: ArrayLike,
    points_mm: ArrayLike,
    opening_deg: float,
    *,
    kinds: Sequence[Kind] = EXCURSIONS,
    steps: int = 20,
) -> ArconComparison:
    """Compare both constructions at one change of the vertical dimension.

    Parameters
    ----------
    settings : ArticulatorSettings
        Set at opening 0, on both.
    pin_tip_mm : array_like, shape (3,), mm, frame ``articulator``
        At opening 0.
    points_mm : array_like, shape (k, 3), mm
        Landmarks on the lower, at the new start.
    opening_deg : float
        Change of the vertical dimension, opening positive.
    """
    made = {
        "arcon": instrument.build_articulator(settings, pin_tip_mm),
        "opening": instrument.build_articulator(settings, pin_tip_mm, guidance_on="lower"),
    }
    units = {name: instrument.raised(unit, opening_deg) for name, unit in made.items()}
    difference: dict[Kind, FloatArray] = {}
    unchanged: dict[Kind, FloatArray] = {}
    way: dict[Kind, FloatArray] = {}
    for kind in kinds:
        for pair, out in ((units, difference), (made, unchanged)):
            moved = [excursion(u, kind, steps) for u in pair.values()]
            paths = [path.points_path(points_mm) for path in moved]
            common = min(len(path) for path in paths)
            out[kind] = paths[1][:common] - paths[0][:common]
            if pair is units:
                way[kind] = moved[0].way_mm[:common]

    def inclinations(member: str) -> dict[str, tuple[float, float]]:
        return {
            name: (
                guide_inclination_deg(unit, "left", member),
                guide_inclination_deg(unit, "right", member),
            )
            for name, unit in units.items()
        }

    return ArconComparison(
        opening_deg, inclinations("upper"), inclinations("lower"), difference, unchanged, way
    )
