"""One pose of the lower member from its six constraints, by Newton's method on rigid motions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.articulator.instrument import Articulator
from kinematics.base.arrays import FloatArray
from kinematics.base.axis import HingeAxis

RESIDUAL_MM = 1e-10
"""Newton stops below this residual; the promise made outside is 1e-9 mm."""
MAX_ITERATIONS = 40
MAX_STEP_DEG, MAX_STEP_MM = 15.0, 10.0
"""Longest Newton step (ours): keeps the solution on the branch it started from."""


@dataclass(frozen=True)
class Demand:
    """What drives one step: the three freedoms that the guides leave.

    Attributes
    ----------
    advance_left_mm, advance_right_mm : float, mm
        How far each condylar element has come from its rear stop, along its guide.
    side : float, -1 to 1
        0: midway between the elements stays in the sagittal plane; 1: the mandible is at the
        patient's left, its right element against its medial wall; -1: the mirror image.
        Between, in proportion.
    """

    advance_left_mm: float = 0.0
    advance_right_mm: float = 0.0
    side: float = 0.0


@dataclass(frozen=True, eq=False)
class Solution:
    """A pose and what was left of its constraints.

    Attributes
    ----------
    pose : RigidTransform
        Of the lower member from opening 0, frame ``articulator``.
    residual_mm : float
        Largest constraint residual.
    converged : bool
    """

    pose: RigidTransform
    residual_mm: float
    converged: bool


def motion_coordinates(
    rotation: FloatArray, shift: FloatArray, anchor: FloatArray, point: FloatArray, on_upper: bool
) -> tuple[FloatArray, FloatArray]:
    """Motion coordinates of a point and their derivative by a small motion (turn, shift).

    The pose is ``x -> rotation @ x + shift``; a small motion ``(w, v)`` is applied after it.
    Where the surface is on the upper member, ``point`` belongs to the lower and its place counts;
    where it is on the lower, ``point`` belongs to the upper and its place in the lower member is
    reflected in ``anchor``, so that the same surface describes both.
    """
    if on_upper:
        at = rotation @ point + shift
        return at, slope_by_motion(at)
    local = rotation.T @ (point - shift)
    return 2.0 * anchor - local, rotation.T @ slope_by_motion(point)


def constraints(
    articulator: Articulator, demand: Demand, plane: int
) -> Callable[[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Return the six residuals (mm) and their Jacobian as a function of (rotation, shift).

    Rows: left roof, right roof, left advance, right advance, side, plane of the incisal table.
    """
    guides = (articulator.left, articulator.right)
    on_upper = articulator.guidance_on == "upper"
    forward = [
        guide.start_mm[0] + guide.forward_mm(advance)
        for guide, advance in zip(guides, (demand.advance_left_mm, demand.advance_right_mm))
    ]
    middle = 0.5 * (articulator.left.start_mm[1] + articulator.right.start_mm[1])
    share = abs(demand.side)
    orbiting = 1 if demand.side > 0.0 else 0

    def evaluate(rotation: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
        residual, jacobian = np.zeros(6), np.zeros((6, 6))
        for i, guide in enumerate(guides):
            at, by_motion = motion_coordinates(
                rotation, shift, guide.start_mm, guide.start_mm, on_upper
            )
            gap, slope = guide.roof(at)
            residual[i], jacobian[i] = gap, slope @ by_motion
            residual[2 + i], jacobian[2 + i] = at[0] - forward[i], by_motion[0]
            residual[4] += (1.0 - share) * 0.5 * at[1]
            jacobian[4] += (1.0 - share) * 0.5 * by_motion[1]
            if i == orbiting and share > 0.0:
                wall, wall_slope = guide.wall(at)
                # The wall's gap counts along y; sign it so that leftwards is positive.
                sign = -guide.medial
                residual[4] += share * sign * wall
                jacobian[4] += share * sign * (wall_slope @ by_motion)
        residual[4] -= (1.0 - share) * middle
        table = articulator.table
        at, by_motion = motion_coordinates(
            rotation, shift, table.point_mm, articulator.pin_tip_mm, articulator.pin_on == "lower"
        )
        residual[5] = table.gaps(at)[plane]
        jacobian[5] = -table.normals[plane] @ by_motion
        return residual, jacobian

    return evaluate


def solve_step(
    articulator: Articulator, demand: Demand, guess: RigidTransform, plane: int = 0
) -> Solution:
    """Pose that meets the demand with the pin on one plane of its table.

    Parameters
    ----------
    articulator : Articulator
    demand : Demand
    guess : RigidTransform
        A nearby pose, for instance the previous step's.
    plane : int
        Which plane of the incisal table.

    Returns
    -------
    Solution
        ``converged`` is False where Newton's method finds no pose: the elements' fixed distance
        cannot bridge their guides, or the pin cannot reach its table.

    Notes
    -----
    *Guarantee*: where converged, all six residuals are below 1e-9 mm; the distance of the
    elements is fixed because the lower member is one rigid body.
    *Source*: derived here.
    """
    evaluate = constraints(articulator, demand, plane)
    rotation = guess.rotation.as_matrix()
    shift = np.array(guess.translation, dtype=np.float64)
    residual, jacobian = evaluate(rotation, shift)
    # Rows in mm, turns scaled to mm at the pin, so that the system is well balanced.
    scale = np.array([*np.full(3, 1.0 / max(articulator.pin_tip_mm[0], 1.0)), 1.0, 1.0, 1.0])
    converged = False
    for _ in range(MAX_ITERATIONS):
        worst = float(np.abs(residual).max())
        if not np.isfinite(worst):
            break
        converged = worst < RESIDUAL_MM
        if converged and worst < 1e-13:
            break
        try:
            step = -scale * np.linalg.solve(jacobian * scale, residual)
        except np.linalg.LinAlgError:
            break
        limit = max(
            float(np.degrees(np.linalg.norm(step[:3]))) / MAX_STEP_DEG,
            float(np.abs(step[3:]).max()) / MAX_STEP_MM,
            1.0,
        )
        turn = Rotation.from_rotvec(step[:3] / limit).as_matrix()
        tried = turn @ rotation, turn @ shift + step[3:] / limit
        new_residual, new_jacobian = evaluate(*tried)
        if converged and np.abs(new_residual).max() >= worst:
            break
        (rotation, shift), residual, jacobian = tried, new_residual, new_jacobian
    pose = RigidTransform.from_components(shift, Rotation.from_matrix(rotation))
    # The residual is that of the pose handed out, not of the last iterate.
    residual, _ = evaluate(pose.rotation.as_matrix(), np.asarray(pose.translation))
    return Solution(pose, float(np.abs(residual).max()), converged)


def solve_on_table(articulator: Articulator, demand: Demand, guess: RigidTransform) -> Solution:
    """Pose with the pin on the first plane of its table that it meets on closing.

    The other planes stay clear (their gaps are not negative); see :func:`solve_step`.
    """
    best = solve_step(articulator, demand, guess)
    for plane in range(1, len(articulator.table.normals)):
        if best.converged and pin_gaps(articulator, best.pose)[plane] >= -RESIDUAL_MM:
            continue
        best = solve_step(articulator, demand, best.pose if best.converged else guess, plane)
    return best


def pin_gaps(articulator: Articulator, pose: RigidTransform) -> FloatArray:
    """Gap of pin and each plane of the table at a pose, shape (k,), mm."""
    at, _ = motion_coordinates(
        pose.rotation.as_matrix(),
        np.asarray(pose.translation),
        articulator.table.point_mm,
        articulator.pin_tip_mm,
        articulator.pin_on == "lower",
    )
    return articulator.table.gaps(at)


def element_coordinates(articulator: Articulator, pose: RigidTransform) -> FloatArray:
    """Motion coordinates of the left and right condylar element, shape (2, 3), mm."""
    rotation, shift = pose.rotation.as_matrix(), np.asarray(pose.translation)
    on_upper = articulator.guidance_on == "upper"
    starts = articulator.left.start_mm, articulator.right.start_mm
    return np.array([motion_coordinates(rotation, shift, s, s, on_upper)[0] for s in starts])


def guide_residuals(articulator: Articulator, pose: RigidTransform, demand: Demand) -> FloatArray:
    """Return the first five residuals (guides, advance, side) at any pose, shape (5,), mm."""
    evaluate = constraints(articulator, demand, 0)
    return evaluate(pose.rotation.as_matrix(), np.asarray(pose.translation))[0][:5]


def moved_axis(articulator: Articulator, pose: RigidTransform) -> HingeAxis:
    """Line through the condylar elements at a pose: opening about it keeps every guide's gap.

    With guides on the lower member the elements belong to the upper and do not move.
    """
    axis = articulator.axis
    return axis.transformed(pose) if articulator.guidance_on == "upper" else axis


def slope_by_motion(p: FloatArray) -> FloatArray:
    """Derivative of a point's place by a small motion (turn, shift), shape (3, 6)."""
    x, y, z = p.tolist()
    return np.array([[0.0, z, -y, 1, 0, 0], [-z, 0.0, x, 0, 1, 0], [y, -x, 0.0, 0, 0, 1]])
