"""The numbers behind the 2-D figures: the record's own arrays, chosen, ordered and rescaled."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from kinematics.base.axis import HingeAxis
from kinematics.base.teeth import tooth_rank
from kinematics.closure.batch import arc
from viewer.look.text import nice_factor

if TYPE_CHECKING:
    from kinematics.assessment import Assessment
    from kinematics.closure.close import Closures
    from kinematics.closure.stops import Stop
    from kinematics.decision.curve import DepartureCurve

ARC_SHARE = 0.45
"""How large the drawn error is made beside the path's length (ours)."""
ARROW_SHARE = 0.14
"""How long the longest drawn arrow is beside the arch's width (ours)."""
CURVE_ROOM = 2.5
"""How far above the answer's own curve the others may stretch the axis; beyond, they run out."""
LEAST_TOP_UM = 10.0
"""Least end of the scale of an error."""
TICK_STEPS = (1.0, 2.0, 5.0)
SHORTEST_PATH_MM = 1e-6
"""Below this a path is a point: record and target are the same pose."""


def ticks(low: float, high: float, most: int = 6) -> list[float]:
    """Round values between two ends, at most ``most`` of them."""
    span = high - low
    if not span > 0.0:
        return [low]
    power = 10.0 ** np.floor(np.log10(span / most))
    for scale in (1.0, 10.0):
        for step in TICK_STEPS:
            size = step * power * scale
            first, last = np.ceil(low / size - 1e-9), np.floor(high / size + 1e-9)
            if last - first + 1 <= most:
                return [float(size * k) + 0.0 for k in np.arange(first, last + 1)]
    return [low, high]


@dataclass(frozen=True, eq=False)
class DeparturePlot:
    """Error against departure, ready to draw.

    Attributes
    ----------
    departure_mm : ndarray, shape (n,), mm
    curves_um : dict of ndarray, shape (n,)
        Worst error by stop, micrometres; NaN where there is none.
    stop : str
        The stop that the answer is about.
    tolerance_um, top_um : float
        The tolerance, and the end of the scale.
    here : (float, float)
        This case: departure (mm) and worst error (micrometres).
    limit_mm : float
        The largest closure that keeps the risk limit, on the side of this case's departure; NaN
        where it is not on the drawing.
    """

    departure_mm: NDArray[np.float64]
    curves_um: dict[Stop, NDArray[np.float64]]
    stop: Stop
    tolerance_um: float
    top_um: float
    here: tuple[float, float]
    limit_mm: float


def departure_plot(found: Closures, curve: DepartureCurve, largest_mm: float) -> DeparturePlot:
    """Series, limits and marks of error against departure, for the answer's stop.

    Parameters
    ----------
    found : Closures
    curve : DepartureCurve
        Of some or all stops.
    largest_mm : float
        Largest closure at which the chance keeps the risk limit; NaN or infinite where there is
        none to draw.
    """
    stop = found.stop
    curves = {s: 1e3 * np.asarray(e, dtype=np.float64) for s, e in curve.worst_error_mm.items()}
    departure = np.asarray(curve.departure_mm, dtype=np.float64)
    highest = {s: float(np.nanmax(y, initial=0.0)) for s, y in curves.items()}
    tolerance_um = 1e3 * found.case.decision.tolerance_mm
    here = (float(found.departure_mm), 1e3 * found.stops[stop].worst[1])
    main = highest.get(stop, highest.get("pin", 0.0))
    top = 1.08 * max(tolerance_um, main, here[1], LEAST_TOP_UM)
    top = min(max(top, 1.04 * max(highest.values())), CURVE_ROOM * top)
    limit = largest_mm if here[0] > 0 else -largest_mm
    inside = np.isfinite(limit) and departure[0] <= limit <= departure[-1]
    return DeparturePlot(
        departure, curves, stop, tolerance_um, top, here, limit if inside else float("nan")
    )


def at_side(axis: HingeAxis, y_mm: float) -> NDArray[np.float64]:
    """Where the axis crosses the sagittal plane at ``y_mm``, shape (3,), mm."""
    d = axis.direction
    return axis.midpoint_mm + (y_mm - axis.midpoint_mm[1]) / d[1] * d


def hinges_at(found: Closures, y_mm: float) -> dict[str, NDArray[np.float64]]:
    """Where both axes cross the sagittal plane at ``y_mm``: x and z by role, mm."""
    axes = {"true": found.true_axis, "arbitrary": found.arbitrary_axis}
    return {role: at_side(axis, y_mm)[[0, 2]] for role, axis in axes.items()}


@dataclass(frozen=True, eq=False)
class ArcPair:
    """Both paths of one landmark, record to closed, in ``axis_orbital``.

    Attributes
    ----------
    name : str
    true_mm, arbitrary_mm : ndarray, shape (n, 3), mm
        At true scale; same share of the closure at the same row.
    drawn_mm : ndarray, shape (n, 3), mm
        The arbitrary path with its distance from the true one multiplied by ``factor``.
    factor : int
    error_um : ndarray, shape (3,)
        Error at the end, at true scale.
    """

    name: str
    true_mm: NDArray[np.float64]
    arbitrary_mm: NDArray[np.float64]
    drawn_mm: NDArray[np.float64]
    factor: int
    error_um: NDArray[np.float64]


def arc_pairs(found: Closures, stop: Stop, factor: int | None = None) -> list[ArcPair]:
    """Paths of the landmark with the largest error and of the one farthest in front or behind it.

    Parameters
    ----------
    found : Closures
    stop : str
    factor : int, optional
        Exaggeration of the error; where not given, what suits each path.

    Returns
    -------
    list of ArcPair
        Posterior first; one where both are the same.
    """
    result, record = found.stops[stop], found.landmarks_record_mm
    x = record[:, 0]
    worst, _ = result.worst
    two = {worst, int(np.argmax(np.abs(x - x[worst])))}
    pairs = []
    for i in sorted(two, key=lambda i: float(x[i])):
        point = record[i]
        true = arc(found.true_axis, point, result.true_closing_deg)
        arbitrary = arc(found.arbitrary_axis, point, result.closing_deg)
        length = float(np.linalg.norm(true[-1] - true[0]))
        gap = arbitrary - true
        fitting = nice_factor(float(np.linalg.norm(gap[-1])), ARC_SHARE * length)
        times = fitting if factor is None else factor
        name, drawn = found.landmarks.names[i], true + times * gap
        pairs.append(ArcPair(name, true, arbitrary, drawn, times, 1e3 * gap[-1]))
    return pairs


@dataclass(frozen=True, eq=False)
class ToothTable:
    """Worst landmark of every tooth, from the patient's right to left.

    Attributes
    ----------
    labels : tuple of str
        Tooth number, or the landmark's name where it has none.
    index : ndarray of int, shape (k,)
        Row of ``assessment.landmarks``.
    error_um : dict of ndarray, shape (k, 3)
        By stop: anteroposterior, transverse, vertical.
    magnitude_um, high_um : dict of ndarray, shape (k,)
    """

    labels: tuple[str, ...]
    index: NDArray[np.int64]
    error_um: dict[Stop, NDArray[np.float64]]
    magnitude_um: dict[Stop, NDArray[np.float64]]
    high_um: dict[Stop, NDArray[np.float64]]


def tooth_table(assessment: Assessment, stop: Stop) -> ToothTable:
    """Choose for every tooth the landmark with the largest error at ``stop``, and order them.

    An incisal point without a tooth number is left out beside numbered teeth: it lies between two
    of them.
    """
    marks = assessment.landmarks
    spare = marks.incisal_index if any(marks.teeth) and not marks.teeth[marks.incisal_index] else -1
    best: dict[str, int] = {}
    size = assessment.stops[stop].magnitude_mm
    for i, (name, tooth) in enumerate(zip(marks.names, marks.teeth)):
        if i == spare:
            continue
        key = str(tooth) if tooth else name
        if key not in best or size[i] > size[best[key]]:
            best[key] = i

    def place(i: int) -> tuple[float, float]:
        if marks.teeth[i]:
            return (float(tooth_rank(marks.teeth[i])), 0.0)
        # Without a number: where it stands in the arch, as if it carried one.
        x, y = marks.points_mm[i, :2]
        return (8.0 * float(np.sign(y)) * (1.0 - anterior_share(marks.points_mm[:, 0], x)), y)

    order = sorted(best.items(), key=lambda item: place(item[1]))
    index = np.array([i for _, i in order], dtype=np.int64)
    stops = assessment.stops.items()
    return ToothTable(
        labels=tuple(key for key, _ in order),
        index=index,
        error_um={s: 1e3 * r.error_mm[index] for s, r in stops},
        magnitude_um={s: 1e3 * r.magnitude_mm[index] for s, r in stops},
        high_um={s: 1e3 * r.high_mm[index] for s, r in stops},
    )


def anterior_share(x: NDArray[np.float64], value: float) -> float:
    """How far towards the front a place lies, 0 to 1."""
    span = float(np.ptp(x))
    return 0.5 if span == 0.0 else float((value - x.min()) / span)


def arrow_factor(assessment: Assessment, stop: Stop) -> int:
    """Exaggeration of the horizontal arrows in the arch figure."""
    marks = assessment.landmarks
    size = float(np.linalg.norm(assessment.stops[stop].error_mm[:, :2], axis=1).max())
    width = max(float(np.ptp(marks.points_mm[:, :2], axis=0).max()), 30.0)
    return nice_factor(size, ARROW_SHARE * width)
