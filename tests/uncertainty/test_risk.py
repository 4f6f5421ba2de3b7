"""What the mounting's uncertainty is worth in the verdict's error."""

import numpy as np
import pytest
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.assessment import assess, assess_placed
from kinematics.base.axis import closing_motion
from kinematics.closure.close import close
from kinematics.closure.place import place
from kinematics.mounting.mount import mount
from kinematics.uncertainty.risk import mounting_findings, mounting_sd_mm
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


def effect(case):
    return mounting_sd_mm(close(place(case)))


def findings(case):
    return mounting_findings(close(place(case)))


def test_hand_case_a_record_in_mm_errs_as_the_lever():
    """Equal angles, parallel axes: e = 2 sin(theta/2) d, and theta = t/x nearly, so de = e sd/x.

    Height and side of the casts do not enter: a record at the height of the incisors.
    """
    case = mounted(sd_mm=2.0, decision={"stop": "equal_angle", "tolerance_mm": 0.1},
                   record={"thickness_mm": 1.0, "site": "incisors"})  # fmt: skip
    worst = assess(case).verdict.worst_error_mm
    assert worst == pytest.approx(5.0 / 90.0, rel=0.01)
    assert effect(case) == pytest.approx(worst * 2.0 / 90.0, rel=0.02)


def test_a_record_in_degrees_does_not_depend_on_where_the_casts_are():
    case = mounted(sd_mm=2.0, sd_deg=1.0, decision={"stop": "equal_angle"},
                   record={"opening_deg": 2.0})  # fmt: skip
    assert effect(case) == pytest.approx(0.0, abs=1e-12)
    assert findings(case) == []


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
        found = assess_placed(place(landmarks_only(landmarks=marks, decision={"stop": "pin"})),
                              curve=False)  # fmt: skip
        worst.append(found.verdict.worst_error_mm)
    assert effect(case) == pytest.approx(np.std(worst), rel=0.15)
    assert effect(case) > 0.002


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"uncertainty": {"arbitrary_axis": "measured"}}, "the risk holds it already"),
        ({"mounting": None}, "nothing is mounted"),
        ({"mounting": {"method": "matrix", "axis_orbital_from_upper_scan": IDENTITY}}, "exact"),
    ],
)
def test_says_nothing_where(changes, why):
    data = {"mounting": {"method": "matrix", "axis_orbital_from_upper_scan": IDENTITY,
                         "translation_sd_mm": 5.0}, **changes}  # fmt: skip
    data = {k: v for k, v in data.items() if v is not None}
    assert findings(landmarks_only(**data)) == [], why


def test_warns_only_where_the_tolerance_is_in_the_range():
    worst = assess(mounted()).verdict.worst_error_mm
    sd = effect(mounted(sd_mm=5.0))
    for tolerance, level, words in (
        (worst - 1.9 * sd, "warning", "may be either"),
        (worst + 1.9 * sd, "warning", "may be either"),
        (worst - 2.0 * sd, "note", "as it is"),
        (worst + 2.0 * sd, "note", "as it is"),
    ):
        (found,) = findings(mounted(sd_mm=5.0, decision={"tolerance_mm": tolerance}))
        assert found.level == level
        assert words in found.message
        assert f"{1e3 * (worst - 1.96 * sd):.0f} and {1e3 * (worst + 1.96 * sd):.0f} µm" in str(
            found.message
        )


def test_an_assessment_carries_it():
    case = mounted(sd_mm=5.0)
    assert set(findings(case)) <= set(assess(case).findings)
    assert set(findings(case)) <= set(assess_placed(place(case), uncertainty=False).findings)
    assert len(findings(case)) == 1


def test_real_casts_mounted_by_averages(scans):
    closed = close(place(closed_pair(scans)))
    assert 0.01 < mounting_sd_mm(closed) < 0.05
    assert [f.where for f in mounting_findings(closed)] == ["mounting"]


def test_real_casts_with_tooth_contact(scans):
    """First contacts move with the casts; an exact twin: both axes moved instead of the casts."""
    case = open_pair(scans, decision={"stop": "contact"})
    placed = place(case)
    assert mounting_sd_mm(close(placed)) == 0.0
    data = case.model_dump(exclude_unset=True)
    data["mounting"]["sd_mm"] = 0.5
    given = type(case).model_validate(data)
    closed = close(place(given))
    assert closed.decision == "contact"
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
