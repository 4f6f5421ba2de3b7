"""Excursions: a series of constrained poses of the lower member, with a status at every step."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import RigidTransform

from kinematics.articulator import path, solver
from kinematics.articulator.instrument import Articulator
from kinematics.base.arrays import FloatArray
from kinematics.base.axis import opening_motion
from kinematics.base.errors import InputError

DEFAULT_TRAVEL_MM = 5.0
"""Default advance along the guide (ours; protrusive records are commonly 4 to 6 mm)."""
MAX_TRAVEL_MM = 20.0
"""Longest accepted advance (ours; more than any condyle's contact excursion)."""
CLEARING_DEG = 2.0
"""First opening tried to separate the teeth before they close on each other (ours)."""
MAX_CLEARING_DEG = 30.0
"""Opening at which teeth that still touch count as locked (ours)."""
LOCK_CLIMB_DEG = 80.0
"""Steepest climb of a tooth contact between two steps that still slides (ours)."""
LOCK_RISE_MM = 0.2
"""A climb shorter than this is no lock, however steep (ours)."""


def excursion(
    articulator: Articulator,
    kind: path.Kind,
    steps: int = 20,
    *,
    travel_mm: float = DEFAULT_TRAVEL_MM,
    mix: path.Mix | None = None,
    front: path.Front = "pin",
    teeth: path.ToothStop | None = None,
    opening_deg: float = 12.0,
) -> path.ExcursionPath:
    """Move the lower member along its guides.

    Parameters
    ----------
    articulator : Articulator
    kind : {"hinge", "protrusion", "left_lateral", "right_lateral", "mixed"}
        The mandible's movement: in a left lateral excursion the right element advances.
    steps : int
        Equal steps after the start.
    travel_mm : float, mm
        Advance of the advancing element(s) along the guide. A lateral excursion begins with the
        immediate side shift, at no advance, and its steps are equal over both together.
    mix : Mix, optional
        For "mixed", in place of ``travel_mm``.
    front : {"pin", "teeth", "first"}
        What stops the front: pin on table, tooth contact, or whichever comes first on closing.
    teeth : ToothStop, optional
        Needed for "teeth" and "first".
    opening_deg : float
        Range of "hinge", opening positive.

    Returns
    -------
    ExcursionPath

    Raises
    ------
    InputError
        Impossible request, or medial walls that cross within the travel; names the setting.

    Notes
    -----
    *Guarantee*: every reached step meets its constraints to 1e-9 mm. A tooth contact that climbs
    more steeply than 80 degrees, and more than 0.2 mm, to the next step counts as locked. Poses
    are followed from step to step; what teeth do between two steps is not seen.
    *Source*: derived here.

    Examples
    --------
    >>> from kinematics.articulator.excursion import excursion
    >>> from kinematics.articulator.instrument import ArticulatorSettings, build_articulator
    >>> articulator = build_articulator(ArticulatorSettings(), [130.0, 0.0, -35.0])
    >>> path = excursion(articulator, "protrusion", steps=3, travel_mm=3.0)
    >>> path.complete, path.steps[-1].status
    (True, 'on_pin')
    >>> path.steps[-1].elements_mm.round(2).tolist()
    [[2.23, 49.8, -2.0], [2.23, -49.8, -2.0]]
    """
    demands = demands_of(articulator, kind, steps, travel_mm, mix)
    if kind == "hinge":
        return hinge_path(articulator, steps, opening_deg)
    if front not in ("pin", "teeth", "first"):
        raise InputError("front", repr(front), '"pin", "teeth" or "first"', "Correct it.")
    if front != "pin" and teeth is None:
        raise InputError("front", f"{front!r} without casts", "casts to stop on",
                         'Give both casts, or use "pin".')  # fmt: skip
    pose = articulator.start_pose
    done: list[path.ExcursionStep] = []
    for demand in demands:
        step, pose = one_step(articulator, demand, pose, front, teeth)
        if done and step.status == "on_teeth":
            step = check_climb(step, done[-1])
        if not step.reached and done:
            step = replace(step, motion=done[-1].motion, elements_mm=done[-1].elements_mm)
        done.append(step)
        if not step.reached:
            break
    return path.ExcursionPath(kind, articulator, tuple(done), len(demands) - 1)


def demands_of(
    articulator: Articulator, kind: path.Kind, steps: int, travel_mm: float, mix: path.Mix | None
) -> Sequence[solver.Demand]:
    """Check the request and return the demand of the start and of every step."""
    if kind not in path.KINDS:
        raise InputError("excursion", repr(kind), f"one of {', '.join(path.KINDS)}", "Correct it.")
    if not 1 <= steps <= 10_000:
        raise InputError("steps", repr(steps), "1 to 10000", "Correct the number of steps.")
    if kind == "hinge":
        return [solver.Demand()]
    if (mix is not None) != (kind == "mixed"):
        raise InputError("mix", "none" if mix is None else f"one with {kind!r}",
                         'a Mix with "mixed", and only there', "Correct the call.")  # fmt: skip
    if mix is None:
        lateral = {"left_lateral": 1.0, "right_lateral": -1.0}.get(kind, 0.0)
        mix = path.Mix(0.0, lateral * travel_mm) if lateral else path.Mix(travel_mm, 0.0)
    total = mix.protrusion_mm + abs(mix.lateral_mm)
    if not (mix.protrusion_mm >= 0.0 and 0.0 < total <= MAX_TRAVEL_MM):
        raise InputError("travel_mm", f"{total:.4g} mm", f"above 0, at most {MAX_TRAVEL_MM:g} mm",
                         "Give the advance along the guide, forwards positive.")  # fmt: skip
    side = mix.lateral_mm / total if mix.side is None else mix.side
    if not -1.0 <= side <= 1.0:
        raise InputError("mix.side", f"{side!r}", "-1 to 1", "Correct it.")
    orbiting = articulator.right if side > 0.0 else articulator.left
    farthest = orbiting.start_mm + np.array([orbiting.forward_mm(total), 0.0, 0.0])
    medially = orbiting.wall(farthest)[0]
    if abs(side) > 0.0 and medially >= abs(orbiting.start_mm[1]):
        where = f"articulator.bennett_{orbiting.side}_deg"
        got = f"a wall that crosses the middle after {total:.4g} mm"
        fix = "Reduce the Bennett angle, the immediate side shift or the travel."
        raise InputError(where, got, "medial walls that stay on their own side", fix)
    shift = abs(side) * orbiting.immediate_side_shift_mm
    left = mix.protrusion_mm + max(-mix.lateral_mm, 0.0)
    right = mix.protrusion_mm + max(mix.lateral_mm, 0.0)
    demands = [solver.Demand()]
    for way in np.linspace(0.0, shift + total, steps + 1)[1:]:
        part = max(way - shift, 0.0) / total
        begun = way / shift if way < shift else 1.0
        demands.append(solver.Demand(left * part, right * part, side * begun))
    return demands


def one_step(
    articulator: Articulator,
    demand: solver.Demand,
    guess: RigidTransform,
    front: path.Front,
    teeth: path.ToothStop | None,
) -> tuple[path.ExcursionStep, RigidTransform]:
    """Solve one step; returns it and the pose to start the next one from."""
    advances = demand.advance_left_mm, demand.advance_right_mm
    for guide, advance in zip((articulator.left, articulator.right), advances):
        if advance > guide.travel_limit_mm:
            why = f"the {guide.side} guide (articulator.guide_radius_{guide.side}_mm) ends after "
            why += f"{guide.travel_limit_mm:.3g} mm"
            return step_at(articulator, demand, guess, "unreachable", message=why), guess
    solution = solver.solve_on_table(articulator, demand, guess)
    pose, residual = solution.pose, solution.residual_mm
    if not solution.converged:
        why = "no pose keeps both condylar elements on their guides at "
        why += f"articulator.intercondylar_mm = {articulator.settings.intercondylar_mm:g} "
        why += "with the pin on its table"
        return step_at(articulator, demand, guess, "unreachable", residual, message=why), guess
    if front == "pin" or teeth is None:
        return step_at(articulator, demand, pose, "on_pin", residual), pose
    axis = solver.moved_axis(articulator, pose)
    opened = CLEARING_DEG
    while True:
        start = opening_motion(axis, opened) * pose * articulator.start_pose.inv()
        found = teeth.close(start, axis, opened if front == "first" else opened + MAX_CLEARING_DEG)
        if found.status != "already_touching" or 2.0 * opened > MAX_CLEARING_DEG:
            break
        opened *= 2.0
    found = replace(found, where=contact_side(demand, found.point_mm))
    if found.status == "already_touching":
        why = f"the teeth lock: {contact_words(found)} still touch with the front opened by "
        why += f"{opened:g} deg"
        return step_at(articulator, demand, pose, "locked", residual, found, why), pose
    if found.status == "none_in_range":
        if front == "first":
            return step_at(articulator, demand, pose, "on_pin", residual), pose
        why = "the teeth do not meet on closing"
        return step_at(articulator, demand, pose, "unreachable", residual, message=why), pose
    rested = opening_motion(axis, opened - found.closing_deg) * pose
    residual = float(np.abs(solver.guide_residuals(articulator, rested, demand)).max())
    return step_at(articulator, demand, rested, "on_teeth", residual, found), rested


def step_at(
    articulator: Articulator,
    demand: solver.Demand,
    pose: RigidTransform,
    status: path.StepStatus,
    residual_mm: float = 0.0,
    contact: path.ToothContact | None = None,
    message: str = "",
) -> path.ExcursionStep:
    """Fill in a step's geometry."""
    left, right = elements = solver.element_coordinates(articulator, pose)
    return path.ExcursionStep(
        demand,
        status,
        pose * articulator.start_pose.inv(),
        residual_mm,
        elements,
        (articulator.left.wall(left)[0], articulator.right.wall(right)[0]),
        float(solver.pin_gaps(articulator, pose).min()),
        contact,
        message,
    )


def hinge_path(articulator: Articulator, steps: int, opening_deg: float) -> path.ExcursionPath:
    """Pure hinge opening from the start; both elements stay against their rear stops."""
    if not 0.0 < opening_deg <= 60.0:
        where = "opening_deg"
        raise InputError(where, f"{opening_deg!r}", "above 0, at most 60 deg", "Correct it.")
    axis, start = articulator.axis, articulator.start_pose
    done = []
    for angle in np.linspace(0.0, opening_deg, steps + 1):
        pose = opening_motion(axis, float(angle)) * start
        residual = float(np.abs(solver.guide_residuals(articulator, pose, solver.Demand())).max())
        status: path.StepStatus = "free" if angle > 0.0 else "on_pin"
        done.append(step_at(articulator, solver.Demand(), pose, status, residual))
    return path.ExcursionPath("hinge", articulator, tuple(done), steps)


def check_climb(step: path.ExcursionStep, before: path.ExcursionStep) -> path.ExcursionStep:
    """Mark a step as locked where its tooth contact climbed a wall to get there."""
    if step.contact is None:
        return step
    carried = step.motion.inv().apply(step.contact.point_mm)
    move = step.contact.point_mm - before.motion.apply(carried)
    climb = float(np.degrees(np.arctan2(-move[2], np.hypot(move[0], move[1]))))
    if climb <= LOCK_CLIMB_DEG or -move[2] <= LOCK_RISE_MM:
        return step
    why = f"the teeth lock: {contact_words(step.contact)} would climb {-move[2]:.3g} mm at "
    return replace(step, status="locked", message=f"{why}{climb:.3g} deg")


def contact_side(demand: solver.Demand, point_mm: FloatArray) -> str:
    """Whether a contact lies on the working or the non-working side."""
    if demand.side == 0.0 or not np.isfinite(point_mm).all():
        moved = demand.advance_left_mm + demand.advance_right_mm > 0.0
        return "protrusive" if moved else "start"
    return "working" if point_mm[1] * demand.side > 0.0 else "non_working"


def contact_words(contact: path.ToothContact) -> str:
    """Name the teeth of a contact, or its place."""
    if contact.upper_tooth and contact.lower_tooth:
        return f"teeth {contact.upper_tooth} and {contact.lower_tooth}"
    x, y, _ = contact.point_mm
    if not np.isfinite([x, y]).all():
        return "the casts (teeth not labelled)"
    side = "left" if y > 0.0 else "right"
    return (
        f"the casts (teeth not labelled; {x:.0f} mm in front of the hinge axis, {abs(y):.0f} mm "
        f"to the patient's {side})"
    )
