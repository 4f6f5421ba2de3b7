"""Mounting by distances: caliper readings to the pose of the casts, by non-linear least squares."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import RigidTransform
from scipy.stats import chi2

from kinematics.base.arrays import FloatArray
from kinematics.base.errors import Finding, InputError
from kinematics.case.mounting_tables import DistancesMounting
from kinematics.mounting import distances_faults as faults
from kinematics.mounting import distances_solver as solver

AS_GOOD = 9.0
"""Rise of the sum of squared standardised misses up to which a pose fits as well (3 sd; ours)."""
DOUBT = 0.01
"""Chance of the residuals under the stated sd below which a contradiction is looked for (ours)."""
WEAK_MM = 3.0
"""Standard uncertainty of a cast point above which the weakest direction is named (ours)."""


@dataclass(frozen=True, eq=False)
class DistancesFit:
    """The pose that the readings give.

    Attributes
    ----------
    frame_from_upper_scan : RigidTransform
        ``axis_orbital`` or ``articulator``, as ``mounting.axis`` says.
    width_mm : float
        Distance of the axis points, given or fitted.
    third_point_mm : (float, float)
        Third point's x and y in the frame; a start value where no reading uses it.
    titles : tuple of str
    residual_mm : ndarray, shape (m,)
        Fitted minus read.
    studentised : ndarray, shape (m,)
        Residual over its own standard deviation; 0 where nothing checks the reading.
    leverage : ndarray, shape (m,)
        1: no other reading checks this one.
    chi_square, dof : float, int
    covariance : ndarray, shape (6, 6)
        As in ``Mounting``; widened where the residuals exceed the stated sd.
    gain : ndarray, shape (9, m)
        What one standard deviation of each reading does to the pose (6), the width and the third
        point's x and y; zero where they are no unknowns.
    findings : tuple of Finding
    """

    frame_from_upper_scan: RigidTransform
    width_mm: float
    third_point_mm: tuple[float, float]
    titles: tuple[str, ...]
    residual_mm: FloatArray
    studentised: FloatArray
    leverage: FloatArray
    chi_square: float
    dof: int
    covariance: FloatArray
    gain: FloatArray
    findings: tuple[Finding, ...]


def fit_distances(table: DistancesMounting, width_mm: float | None) -> DistancesFit:
    """Find the pose of the casts from caliper readings.

    Parameters
    ----------
    table : DistancesMounting
        Points in ``upper_scan`` and readings (mm) with their standard deviations.
    width_mm : float or None
        Distance of the axis points; None: one more unknown, found from the readings.

    Raises
    ------
    InputError
        The readings leave a direction free (it is named), contradict each other far beyond their
        sd (the reading at fault is named), fit two plausible poses alike, or swap left and right.

    Notes
    -----
    *Guarantee*: the best of the minima reached from 24 orientations. Among poses that fit alike,
    one with the casts in front of the axis, below the axis-orbital plane and each known side on
    its side is taken; if two such poses fit alike the set is refused, never chosen silently.
    *Source*: derived here; least squares and studentised residuals of linear regression.
    """
    problem = solver.Problem(tuple(table.points), tuple(table.readings), width_mm)
    minima = solver.solve(problem)
    refuse_free(problem, minima[0])
    dof = len(problem.readings) - problem.unknowns
    findings: list[Finding] = []
    if dof > 0 and chi2.sf(minima[0].chi_square, dof) < DOUBT:
        findings.append(faults.explain_contradiction(problem, minima[0].chi_square))
    best, notes = choose_minimum(problem, minima)
    j = problem.jacobian(problem.at(best)[None])[0]
    refuse_free(problem, best)
    inverse = np.linalg.inv(j.T @ j)
    r = problem.misses(problem.at(best)[None])[0]
    leverage = np.clip(np.einsum("ij,jk,ik->i", j, inverse, j), 0.0, 1.0)
    checked = leverage < 1.0 - 1e-6
    widen = max(1.0, best.chi_square / dof) if dof > 0 else 1.0
    covariance = widen * inverse[:6, :6]
    third = best.extra[-2:] if problem.uses_third else np.array(solver.START_THIRD_MM)
    titles = tuple(q.title for q in problem.readings)
    findings += [*notes, *unchecked_readings(titles, checked, dof)]
    known = [True] * 6 + [width_mm is None] + [problem.uses_third] * 2
    gain = np.zeros((9, len(r)))
    gain[known] = np.sqrt(widen) * (inverse @ j.T)
    weak_mm, weak = faults.weakest_direction(covariance, problem.at(best)[:-3])
    if weak_mm > WEAK_MM:
        got = f"the casts are fixed to {weak_mm:.1f} mm only, by {weak}"
        fix = "Add a reading that this motion would change."
        findings.append(Finding("warning", "mounting.readings", got, fix))
    return DistancesFit(
        frame_from_upper_scan=best.pose,
        width_mm=float(best.extra[0]) if width_mm is None else width_mm,
        third_point_mm=(float(third[0]), float(third[1])),
        titles=titles,
        residual_mm=r * np.array([q.sd_mm for q in problem.readings]),
        studentised=np.where(checked, r / np.sqrt(np.maximum(1.0 - leverage, 1e-12)), 0.0),
        leverage=leverage,
        chi_square=best.chi_square,
        dof=dof,
        covariance=covariance,
        gain=gain,
        findings=tuple(findings),
    )


def refuse_free(problem: solver.Problem, at: solver.Solution) -> None:
    """Refuse readings that leave a direction free, and name it."""
    free = faults.free_directions(problem, problem.jacobian(problem.at(at)[None])[0])
    if free:
        got = f"{len(problem.readings)} readings that leave free: {'; '.join(free)}"
        need = f"readings that fix all {problem.unknowns} unknowns"
        fix = "Add a reading that this would change, such as a height or another distance."
        raise InputError("mounting.readings", got, need, fix)


def choose_minimum(
    problem: solver.Problem, minima: list[solver.Solution]
) -> tuple[solver.Solution, list[Finding]]:
    """Pick the pose to use; refuse swapped sides and two plausible poses."""
    alike = [s for s in minima if s.chi_square <= minima[0].chi_square + AS_GOOD]
    good = [s for s in alike if solver.plausible(problem, s)]
    if not good:
        refuse_wrong_side(problem, alike[0])
        return alike[0], []
    where = "mounting.readings"
    places = [problem.at(s)[:-3] for s in good]  # another pose: some point 1 mm away
    moved = [float(np.linalg.norm(p - places[0], axis=1).max()) for p in places]
    apart = [s for s, mm in zip(good, moved) if mm > 1.0]
    if len(good) > 1 and not apart:
        best = max(good, key=lambda s: s.extra[-2])
        got = "two places of the third point fit alike; the one farther in front was taken"
        fix = "Add a distance of third_point; the casts' pose does not depend on it."
        return best, [Finding("note", where, got, fix)]
    if len(good) > 1:
        a, b = problem.places(good[0]), problem.places(apart[0])
        name = max((p.name for p in problem.points), key=lambda n: np.linalg.norm(a[n] - b[n]))
        got = f"readings that fit two poses alike: {name!r} at {np.round(a[name], 1).tolist()} "
        got += f"or at {np.round(b[name], 1).tolist()} mm"
        fix = f"Add a reading that differs between the two, such as the height of {name!r}."
        raise InputError(where, got, "readings that fit one pose", fix)
    if len(alike) == 1:
        return good[0], []
    got = "a mirrored pose fits the readings as well; it was set aside because it puts the casts "
    got += "above the axis-orbital plane, behind the axis or on the wrong side"
    fix = "Add a height reading to exclude it by measurement."
    return good[0], [Finding("note", where, got, fix)]


def refuse_wrong_side(problem: solver.Problem, best: solver.Solution) -> None:
    """Refuse a pose that fits only with left and right exchanged."""
    wrong = solver.wrong_side(problem, best)
    if not wrong:
        return
    places = problem.places(best)
    sided = [p.name for p in problem.points if solver.side_of(p) and abs(places[p.name][1]) > 5.0]
    fix = "Check the readings, side and tooth number of this point."
    if len(wrong) == len(sided) > 1:
        fix = "Left and right look swapped: exchange left_axis_point and right_axis_point."
    got = f"readings that put {', '.join(map(repr, wrong))} on the wrong side of the midline"
    raise InputError("mounting.readings", got, "left teeth on the patient's left", fix)


def unchecked_readings(
    titles: tuple[str, ...], checked: NDArray[np.bool_], dof: int
) -> list[Finding]:
    """Remark on readings that no other checks."""
    if dof == 0:
        got = "just enough readings: a wrong one would not show"
        fix = "Add one or two distances more."
        return [Finding("warning", "mounting.readings", got, fix)]
    names = [t for t, ok in zip(titles, checked, strict=True) if not ok]
    got = f"no other reading checks: {', '.join(names)}"
    fix = "Repeat these first, or add a distance that involves the same point."
    return [Finding("note", "mounting.readings", got, fix)] if names else []
