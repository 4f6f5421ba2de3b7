"""Full excursions against a general rigid-body kinematics library (pinocchio).

The mandible is one free-flying joint with frames at both condylar elements and at the pin's tip;
the guides are written parametrically (places as functions of the advance), not as surfaces, and
the closed chain is solved with the library's frame placements and Jacobians.
"""

from __future__ import annotations

import numpy as np
import pytest

from kinematics.articulator.excursion import excursion
from kinematics.articulator.instrument import ArticulatorSettings, build_articulator

pin = pytest.importorskip("pinocchio", reason="PINOCCHIO ABSENT: the independent check did not run")

WIDTH, TIP = 108.0, np.array([125.0, 0.0, -40.0])
SETTINGS = ArticulatorSettings(
    intercondylar_mm=WIDTH,
    sagittal_inclination_left_deg=33.0,
    sagittal_inclination_right_deg=47.0,
    bennett_left_deg=6.0,
    bennett_right_deg=14.0,
    immediate_side_shift_left_mm=0.3,
    immediate_side_shift_right_mm=0.9,
    guide_radius_right_mm=19.0,
    incisal_sagittal_deg=12.0,
    incisal_lateral_deg=18.0,
)


def guide_place(side, advance):
    """Sagittal place (x, z) after an advance: the tangent turns by advance / radius."""
    h = np.radians(getattr(SETTINGS, f"sagittal_inclination_{side}_deg"))
    radius = getattr(SETTINGS, f"guide_radius_{side}_mm")
    if radius is None:
        return advance * np.cos(h), -advance * np.sin(h)
    end = h - advance / radius
    return radius * (np.sin(h) - np.sin(end)), -radius * (np.cos(end) - np.cos(h))


def jaw():
    model = pin.Model()
    joint = model.addJoint(0, pin.JointModelFreeFlyer(), pin.SE3.Identity(), "jaw")
    ids = [
        model.addFrame(
            pin.Frame(name, joint, 0, pin.SE3(np.eye(3), np.array(p)), pin.FrameType.OP_FRAME)
        )
        for name, p in (
            ("left", [0.0, WIDTH / 2, 0.0]),
            ("right", [0.0, -WIDTH / 2, 0.0]),
            ("tip", TIP),
        )
    ]
    return model, joint, ids


def closed_chain(kind, demand, model, ids, q):
    """Configuration (and the free element's y) that closes the chain, by Gauss-Newton."""
    data = model.createData()
    tan_s, tan_l = (
        np.tan(np.radians(v)) for v in (SETTINGS.incisal_sagittal_deg, SETTINGS.incisal_lateral_deg)
    )
    places = {
        "left": guide_place("left", demand.advance_left_mm),
        "right": guide_place("right", demand.advance_right_mm),
    }
    for _ in range(60):
        pin.forwardKinematics(model, data, q)
        pin.updateFramePlacements(model, data)
        pin.computeJointJacobians(model, data, q)
        at = [np.array(data.oMf[i].translation) for i in ids]
        rows = [
            pin.getFrameJacobian(model, data, i, pin.ReferenceFrame.LOCAL_WORLD_ALIGNED)[:3]
            for i in ids
        ]
        values, jacobian = [], []
        for side, point, row in zip(("left", "right"), at, rows):
            values += [point[0] - places[side][0], point[2] - places[side][1]]
            jacobian += [row[0], row[2]]
        if kind == "protrusion":
            values.append(0.5 * (at[0][1] + at[1][1]))
            jacobian.append(0.5 * (rows[0][1] + rows[1][1]))
        else:
            orbiting = 1 if kind == "left_lateral" else 0
            side, sign = ("left", "right")[orbiting], (-1.0, 1.0)[orbiting]
            bennett = np.tan(np.radians(getattr(SETTINGS, f"bennett_{side}_deg")))
            slack = getattr(SETTINGS, f"immediate_side_shift_{side}_mm") * abs(demand.side)
            wall = sign * (-WIDTH / 2 + slack + bennett * places[side][0])
            values.append(at[orbiting][1] - wall)
            jacobian.append(rows[orbiting][1])
        move = at[2] - TIP
        values.append(move[2] + tan_s * move[0] + tan_l * abs(move[1]))
        jacobian.append(rows[2][2] + tan_s * rows[2][0] + tan_l * np.sign(move[1]) * rows[2][1])
        step = np.linalg.lstsq(np.array(jacobian), -np.array(values), rcond=None)[0]
        q = pin.integrate(model, q, step)
        if np.abs(values).max() < 1e-12:
            break
    return q


@pytest.mark.parametrize("kind", ["protrusion", "left_lateral", "right_lateral"])
def test_whole_excursion_agrees_with_a_general_kinematics_library(kind):
    path = excursion(build_articulator(SETTINGS, TIP, pin_on="lower"), kind, 12, travel_mm=7.0)
    assert path.complete
    points = np.array([[88.0, 0.0, -38.0], [52.0, 24.0, -33.0], [52.0, -24.0, -33.0]])
    ours = path.points_path(points)
    model, joint, ids = jaw()
    q = pin.neutral(model)
    worst = 0.0
    for number, step in enumerate(path.steps):
        q = closed_chain(kind, step.demand, model, ids, q)
        data = model.createData()
        pin.forwardKinematics(model, data, q)
        theirs = np.array([data.oMi[joint].act(p) for p in points])
        worst = max(worst, float(np.abs(theirs - ours[number]).max()))
    assert worst < 1e-9
    # The excursion is a real one: every landmark travels several millimetres.
    assert np.linalg.norm(ours[-1] - ours[0], axis=1).min() > 1.5
