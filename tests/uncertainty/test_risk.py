"""What the mounting's uncertainty is worth in the largest closure error."""

import numpy as np
import pytest
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.assessment import assess
from kinematics.base.axis import closing_motion
from kinematics.closure.close import close
from kinematics.closure.place import place
from kinematics.mounting.mount import mount
from kinematics.uncertainty.inputs import COLUMNS
from kinematics.uncertainty.risk import inputs_of
from tests.makers.cases import closed_pair, landmarks_only, open_pair
from tests.makers.mounted import drawn_poses

IDENTITY = np.eye(4).tolist()
POINTS = {
    "incisal point": (31, [90.0, 0.0, -35.0]),
    "37 buccal cusp": (37, [50.0, 25.0, -35.0]),
    "47 buccal cusp": (47, [50.0, -25.0, -35.0]),
}


def mounted(sd_mm=None, sd_deg=None, **changes):
    table = {"method": "matrix", "axis_orbital_from_upper_scan": IDENTITY}
    if sd_mm is not None:
        table["translation_sd_mm"] = sd_mm
    if sd_deg is not None:
        table["rotation_sd_deg"] = sd_deg
    return landmarks_only(mounting=table, **changes)


def mounting_sd_mm(closed):
    """Of the largest error, to first order (GUM 5.1.3, note 2): by the draws' own closure."""
    covariance = closed.placed.mounting.covariance
    if covariance is None:
        return 0.0
    size, along = np.linalg.eigh(covariance)
    steps = np.sqrt(np.clip(size, 0.0, None)) * along
    values = np.zeros((12, len(COLUMNS)))
    values[:6, 10:], values[6:, 10:] = steps.T, -steps.T
    worst = inputs_of(closed).close(values, "arbitrary").magnitude_mm.max(axis=1)
    return float(np.linalg.norm((worst[:6] - worst[6:]) / 2.0))


def effect(case):
    return mounting_sd_mm(close(place(case)))


def test_hand_case_a_record_in_mm_errs_as_the_lever():
    """Equal angles, parallel axes: e = 2 sin(theta/2) d, and theta = t/x nearly, so de = e sd/x.

    Height and side of the casts do not enter: a record at the height of the incisors.
    """
    case = mounted(sd_mm=2.0, decision={"stop": "equal_angle", "tolerance_mm": 0.1},
                   record={"thickness_mm": 1.0, "site": "incisors"})  # fmt: skip
    worst = assess(case).decision.worst.displacement_mm
    assert worst == pytest.approx(5.0 / 90.0, rel=0.01)
    assert effect(case) == pytest.approx(worst * 2.0 / 90.0, rel=0.02)


def test_a_record_in_degrees_does_not_depend_on_where_the_casts_are():
    case = mounted(sd_mm=2.0, sd_deg=1.0, decision={"stop": "equal_angle"},
                   record={"opening_deg": 2.0})  # fmt: skip
    assert effect(case) == pytest.approx(0.0, abs=1e-12)


def test_agrees_with_cases_whose_landmarks_are_drawn_from_the_mounting():
    """Oracle: each draw is a case of its own, assessed without any covariance."""
    case = mounted(sd_mm=2.0, sd_deg=1.0, decision={"stop": "pin"})
    poses = drawn_poses(mount(case), np.random.default_rng(4), 400)
    named = list(POINTS.items())
    moved = np.stack([poses.apply(point) for _, (_, point) in named], axis=1)
    worst = []
    for points in moved:
        marks = [
            {"name": name, "tooth": tooth, "point_mm": p.tolist()}
            for (name, (tooth, _)), p in zip(named, points, strict=True)
        ]
        found = close(place(landmarks_only(landmarks=marks, decision={"stop": "pin"})))
        worst.append(found.stops["pin"].worst[1])
    assert effect(case) == pytest.approx(np.std(worst), rel=0.15)
    assert effect(case) > 0.002


def test_the_mounting_counts_in_the_chance_of_a_case_without_uncertainty():
    """Every case has a chance, so that the mounting's part needs no finding of its own."""
    causes = [row.name for row in assess(mounted(sd_mm=5.0)).risk.ranking]
    assert "position of the mounted casts" in causes
    assert "position of the mounted casts" not in [r.name for r in assess(mounted()).risk.ranking]


def test_real_casts_mounted_by_averages(scans):
    closed = close(place(closed_pair(scans)))
    assert 0.01 < mounting_sd_mm(closed) < 0.05


def test_real_casts_with_tooth_contact(scans):
    """First contacts move with the casts; an exact twin: both axes moved instead of the casts."""
    case = open_pair(scans, decision={"stop": "contact"})
    placed = place(case)
    assert mounting_sd_mm(close(placed)) == 0.0
    data = case.model_dump(exclude_unset=True)
    data["mounting"]["sd_mm"] = 0.5
    given = type(case).model_validate(data)
    closed = close(place(given))
    assert closed.stop == "contact"
    covariance = closed.placed.mounting.covariance
    sd = mounting_sd_mm(closed)
    size, along = np.linalg.eigh(covariance)
    differences = []
    for step in (np.sqrt(np.clip(size, 0.0, None)) * along).T:
        differences.append([_worst_about_moved_axes(closed, s * step) for s in (1.0, -1.0)])
    ends = np.array(differences)
    assert sd == pytest.approx(np.linalg.norm((ends[:, 0] - ends[:, 1]) / 2.0), rel=1e-6)
    assert sd > 0.0


def _worst_about_moved_axes(closed, step):
    back = RigidTransform.from_components(step[3:], Rotation.from_rotvec(step[:3])).inv()
    geometry, engine = closed.geometry, closed.placed.contacts
    true, used = (a.transformed(back) for a in (geometry.true_axis, geometry.arbitrary_axis))
    at_record = geometry.record_from_scanned
    angles = [engine.closing_deg(at_record, axis) for axis in (true, used)]
    to_scanned = geometry.target_from_scanned.inv()
    points = to_scanned.apply(closed.landmarks.points_mm)
    ends = [closing_motion(a, t).apply(points) for a, t in zip((true, used), angles, strict=True)]
    return float(np.linalg.norm(ends[1] - ends[0], axis=1).max())
