"""Why caliper readings do not give one pose: the free direction, or the reading at fault."""

from __future__ import annotations

import numpy as np
from scipy.stats import chi2

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import Finding, InputError
from kinematics.case.mounting_tables import Reading
from kinematics.mounting.distances_solver import Problem, plausible, predicted, solve, with_readings
from kinematics.mounting.rigid_fit import motion_jacobian

HOPELESS = 1e-6
"""Chance below which contradictory readings are refused instead of warned of (ours)."""
ACCEPTED = 0.01
"""Chance from which a corrected set counts as free of contradiction (ours)."""
TURN_SCALE_MM = 60.0
"""Arm by which an angle is compared with a length when directions are ranked (ours)."""
FREE = 1e-6
"""Relative singular value below which a direction is free (ours)."""
LONGEST_MM = 400.0
"""Longest reading that a head allows, as in the case file."""

_MOTIONS = (
    "a roll about the front-back line",
    "a turn about the axis (pitch)",
    "a swing about the vertical (yaw)",
    "a shift forwards or backwards",
    "a shift along the axis (left or right)",
    "a shift up or down",
)
_OTHER_SIDE = {"left_axis_point": "right_axis_point", "right_axis_point": "left_axis_point"}


def free_directions(problem: Problem, j: FloatArray) -> list[str]:
    """Name the motions that the readings leave free, one a free direction.

    Parameters
    ----------
    problem : Problem
    j : ndarray, shape (m, k)
        From :meth:`kinematics.mounting.distances_solver.Problem.jacobian`.

    Notes
    -----
    Turns are taken about the axis's middle, so a free turn about the axis reads as one.
    *Source*: null space of the Jacobian by singular values; derived here.
    """
    scale = np.concatenate([np.full(3, 1.0 / TURN_SCALE_MM), np.ones(j.shape[1] - 3)])
    _, values, rows = np.linalg.svd(j * scale, full_matrices=True)
    rank = int(np.sum(values > FREE * max(float(values[0]), 1e-300)))
    names = list(_MOTIONS)
    if problem.width_mm is None:
        names.append("the distance of the axis points")
    if problem.uses_third:
        names += ["the third point's distance in front", "the third point's place sideways"]
    return [motion_words(v, names) for v in row_reduced(rows[rank:])]


def motion_words(v: FloatArray, names: list[str]) -> str:
    """Name the motions that a direction is made of, the largest first."""
    v = v / max(float(np.linalg.norm(v)), 1e-300)
    return " with ".join([names[i] for i in np.argsort(-np.abs(v)) if abs(v[i]) > 0.35][:3])


def row_reduced(null: FloatArray) -> FloatArray:
    """Basis of the same space, one unknown eliminated from all vectors but one."""
    basis = null.copy()
    for i in range(len(basis)):
        pivot = int(np.argmax(np.abs(basis[i])))
        basis[i] /= basis[i, pivot]
        others = np.arange(len(basis)) != i
        basis[others] -= np.outer(basis[others, pivot], basis[i])
    return basis


def weakest_direction(covariance: FloatArray, points_mm: FloatArray) -> tuple[float, str]:
    """Largest standard uncertainty of the given points (mm), and the motion it comes from."""
    j = motion_jacobian(points_mm)
    largest = np.linalg.eigvalsh(j @ covariance @ np.swapaxes(j, 1, 2))[:, -1].max()
    scale = np.concatenate([np.full(3, TURN_SCALE_MM), np.ones(3)])
    _, vectors = np.linalg.eigh(covariance * scale[:, None] * scale)
    return float(np.sqrt(max(largest, 0.0))), motion_words(vectors[:, -1], list(_MOTIONS))


def explain_contradiction(problem: Problem, chi_square: float) -> Finding:
    """Name the reading at fault and the likeliest slip; refuse a hopeless set.

    Parameters
    ----------
    problem : Problem
        With more readings than unknowns.
    chi_square : float
        Of its best fit.

    Raises
    ------
    InputError
        The set cannot come from one pose with the stated sd (chance below 1e-6).

    Notes
    -----
    Each reading is left out in turn and the rest fitted again; the drop of the sum of squares is
    that reading's squared studentised residual, exactly and not to first order. What the others
    predict for it then shows a wrong unit, sign or side. *Source*: derived here.
    """
    chance = float(chi2.sf(chi_square, len(problem.readings) - problem.unknowns))
    where = "mounting.readings"
    whole = whole_set_slip(problem) if chance < HOPELESS else None
    if whole is not None:
        got = "readings that contradict each other"
        raise InputError(where, got, "readings of one pose in mm", whole)
    found = []
    for i in range(len(problem.readings)):
        rest = with_readings(problem, [r for k, r in enumerate(problem.readings) if k != i])
        if rest.unknowns == problem.unknowns:
            minima = solve(rest)
            alike = [s for s in minima if s.chi_square <= minima[0].chi_square + 1.0]
            good = [s for s in alike if plausible(rest, s)]
            found.append((minima[0].chi_square, i, (good or minima)[0]))
    found.sort(key=lambda item: item[0])
    least, i, fit = found[0]
    reading, places = problem.readings[i], problem.places(fit)
    expected = predicted(reading, places)
    name = f"readings.{i} ({reading.title}, {reading.mm:.5g} mm)"
    rivals = [problem.readings[k].title for c, k, _ in found[1:] if c < least + 4.0]
    slip = single_slip(reading, expected, places)
    if rivals and slip is None:
        what = f"{name} or {' or '.join(rivals[:2])} contradicts the others"
        fix = "Repeat these readings first; more readings would tell which is wrong."
    else:
        what = f"{name} does not agree with the others, which give {expected:.1f} mm"
        fix = slip or "Repeat this reading first."
    if chance < HOPELESS:
        raise InputError(where, what, "readings of one pose within their sd", fix)
    return Finding("warning", where, what, fix)


def single_slip(reading: Reading, expected: float, places: dict[str, FloatArray]) -> str | None:
    """What slip of hand would make one reading agree with the others, or None."""
    near = 4.0 * reading.sd_mm
    if reading.kind != "distance" and abs(reading.mm + expected) < near:
        opposite = "It fits with the opposite sign"
        return {
            "left": "The point lies on the other side of the midline "
            "(left of the midline is positive, right negative).",
            "height": f"{opposite} (above the axis-orbital plane is positive, below negative).",
            "anterior": f"{opposite} (in front of the axis is positive, behind negative).",
        }[reading.kind]
    for unit, factor in (("cm", 10.0), ("inches", 25.4)):
        if abs(reading.mm * factor - expected) < max(near, 0.02 * abs(expected)):
            return f"It looks as if read in {unit}. Give mm."
        if abs(reading.mm / factor - expected) < max(near / factor, 0.02 * abs(expected)):
            return f"It looks as if mm were converted from {unit} by mistake. Give mm."
    mirrored = swapped(reading)
    if mirrored is not None and abs(reading.mm - predicted(mirrored, places)) < near:
        return "It fits the axis point of the other side: left and right look swapped here."
    return None


def swapped(reading: Reading) -> Reading | None:
    """Return the reading with the axis point's side exchanged; None where it has no axis point."""
    named = {"from_": reading.from_, "to": reading.to}
    update = {field: _OTHER_SIDE[name] for field, name in named.items() if name in _OTHER_SIDE}
    return reading.model_copy(update=update) if update else None


def whole_set_slip(problem: Problem) -> str | None:
    """Return a slip of the whole set that makes the readings agree, or None."""
    dof = len(problem.readings) - problem.unknowns

    def fits(readings: list[Reading]) -> bool:
        other = with_readings(problem, readings)
        good = [s for s in solve(other) if plausible(other, s)]
        return bool(good) and bool(chi2.sf(good[0].chi_square, dof) > ACCEPTED)

    for name, factor in (("cm", 10.0), ("inches", 25.4)):
        if max(abs(r.mm) for r in problem.readings) * factor > LONGEST_MM:
            continue
        # A tenth of the digits is lost with the unit, so the sd grows with the factor.
        scaled = [
            r.model_copy(update={"mm": r.mm * factor, "sd_mm": max(r.sd_mm, 0.05 * factor)})
            for r in problem.readings
        ]
        if fits(scaled):
            return f"All readings look as if given in {name}. Give mm."
    exchanged = [swapped(r) or r for r in problem.readings]
    if exchanged != list(problem.readings) and fits(exchanged):
        return "Left and right look swapped: exchange left_axis_point and right_axis_point."
    for point in problem.points:
        own = [(swapped(r) or r) if point.name in (r.from_, r.to) else r for r in problem.readings]
        if own != list(problem.readings) and fits(own):
            return f"Left and right look swapped in the readings of {point.name!r}."
    return None
