"""The case's located-axis table: files, poses and tracks to an axis; what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import trimesh
from pydantic import ValidationError
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.case.mounting_tables import AxisLocation, LocatedAxisMounting
from kinematics.casts.cast import load_cast
from kinematics.casts.registration import register
from kinematics.mounting.locating.locate import locate_from_case_table
from tests.casts.test_registration import arch

AXIS = HingeAxis([-80.0, 55.0, 40.0], [-80.0, -55.0, 40.0])
SCANNED = RigidTransform.from_components([3.0, -2.0, 5.0], Rotation.from_rotvec([0.1, -0.05, 0.2]))
"""upper_scan_from_lower_scan of the made-up case."""
POINTS = [[-2.0, 0.0, 6.0], [-25.0, 22.0, 5.0], [-25.0, -22.0, 5.0]]
LEFT = [0.0, 1.0, 0.0]


def pose(opening):
    return opening_motion(AXIS, opening) * SCANNED


def rows(transform):
    return transform.as_matrix().tolist()


def by_poses(*openings, **change):
    listed = [{"upper_scan_from_lower_scan": rows(pose(o)), "opening_deg": o} for o in openings]
    data = {"left": LEFT, "openings": listed, "reference_points_mm": POINTS, **change}
    return AxisLocation.model_validate(data)


def no_files(text, where):
    raise AssertionError(f"no file is read here: {text} {where}")


def off(got):
    return AXIS.distance_mm([got.axis.left_point_mm, got.axis.right_point_mm])


def test_poses_and_the_scanned_pose_give_the_axis_in_upper_scan():
    table = by_poses(4.0, 9.0, registration_rms_mm=0.03)
    got = locate_from_case_table(table, no_files, None, SCANNED)
    assert off(got).max() < 1e-9
    assert got.covariance_mm2.shape == (6, 6)
    middle = SCANNED.apply(np.mean(POINTS, axis=0))  # of the arch; 55 mm to either side of it
    for point, along in ((got.axis.left_point_mm, 55.0), (got.axis.right_point_mm, -55.0)):
        assert (point - middle) @ got.axis.direction == pytest.approx(along, abs=1e-9)
    np.testing.assert_allclose(got.source.opening_deg, [0.0, 4.0, 9.0], atol=1e-9)
    assert any("verify it on the patient" in f.message for f in got.findings)


def test_scans_of_the_lower_in_upper_scan_are_registered_and_give_the_axis(tmp_path: Path):
    rng = np.random.default_rng(1)
    shape = arch()

    def save(name, motion):
        v = motion.apply(shape.vertices_mm + rng.normal(0.0, 0.02, shape.vertices_mm.shape))
        trimesh.Trimesh(v, shape.faces, process=False).export(tmp_path / name)

    save("lower.stl", RigidTransform.identity())
    save("open_5.stl", pose(5.0))
    save("open_10.stl", pose(10.0))
    lower, _ = load_cast(tmp_path / "lower.stl", "lower")
    table = AxisLocation.model_validate(
        {
            "left": LEFT,
            "openings": [
                {"name": "five", "file": "open_5.stl", "opening_deg": 5.0},
                {"name": "ten", "file": "open_10.stl", "opening_deg": 10.0},
            ],
        }
    )
    got = locate_from_case_table(table, lambda f, _: tmp_path / f, lower, SCANNED)
    sd = np.hypot(got.source.sd_mm[::2], got.source.sd_mm[1::2])
    assert (off(got) < 4.0 * sd).all(), (off(got), sd)
    assert set(got.registrations) == {"five", "ten"}
    assert got.source.noise_known
    assert any("state registration_rms_mm" in f.fix for f in got.findings)


def test_tracks_give_the_axis():
    openings = np.linspace(0.0, 9.0, 15)
    listed = [
        {"points_mm": [pose(o).apply(p).tolist() for o in openings]} for p in np.array(POINTS)
    ]
    table = AxisLocation.model_validate({"left": LEFT, "tracks": listed, "tracking_sd_mm": 0.05})
    got = locate_from_case_table(table, no_files, None, SCANNED)
    assert off(got).max() < 1e-6
    assert got.covariance_mm2.shape == (6, 6)


def test_the_scan_at_fault_is_called_by_its_name():
    listed = [
        {"name": n, "upper_scan_from_lower_scan": rows(pose(o))}
        for n, o in (("A", 3.0), ("B", 6.0), ("C", 9.0))
    ]
    bad = RigidTransform.from_translation([0.5, 0.4, 0.6]) * pose(6.0)
    listed[1]["upper_scan_from_lower_scan"] = rows(bad)
    table = AxisLocation.model_validate(
        {
            "left": LEFT,
            "openings": listed,
            "reference_points_mm": POINTS,
            "registration_rms_mm": 0.02,
        }
    )
    got = locate_from_case_table(table, no_files, None, SCANNED)
    assert [f.where for f in got.findings if "set aside" in f.message] == ["B"]
    assert off(got).max() < 1e-6


def test_openings_without_names_are_counted_from_one():
    table = by_poses(3.0, 6.0, 9.0, registration_rms_mm=0.02)
    bad = RigidTransform.from_translation([0.5, 0.4, 0.6]) * pose(6.0)
    listed = [o.model_dump() for o in table.openings]
    listed[1]["upper_scan_from_lower_scan"] = rows(bad)
    table = AxisLocation.model_validate({**table.model_dump(), "openings": listed})
    got = locate_from_case_table(table, no_files, None, SCANNED)
    assert [f.where for f in got.findings if "set aside" in f.message] == ["opening 2"]


def test_the_scanned_pose_counts_as_an_opening_of_zero():
    listed = [{"upper_scan_from_lower_scan": rows(pose(3.0)), "opening_deg": 0.5}]
    got = locate_from_case_table(by_poses(openings=listed), no_files, None, SCANNED)
    np.testing.assert_allclose(got.source.opening_deg, [0.0, 3.0], atol=1e-9)
    listed[0]["opening_deg"] = -0.5
    with pytest.raises(InputError, match="openings that close"):
        locate_from_case_table(by_poses(openings=listed), no_files, None, SCANNED)


def test_two_openings_of_one_name_keep_their_own_registrations(tmp_path: Path):
    shape = arch()
    for opening in (5, 10):
        scan = trimesh.Trimesh(pose(opening).apply(shape.vertices_mm), shape.faces, process=False)
        scan.export(tmp_path / f"{opening}.stl")
    listed = [{"name": "wide", "file": f"{opening}.stl"} for opening in (5, 10)]
    table = AxisLocation.model_validate({"left": LEFT, "openings": listed})
    got = locate_from_case_table(table, lambda f, _: tmp_path / f, shape, SCANNED)
    assert list(got.registrations) == ["wide", "wide (2)"]


def test_the_mounting_table_adds_a_method_and_a_third_point():
    data = {
        "method": "located_axis",
        "third_point_mm": [0.0, 30.0, 45.0],
        "left": LEFT,
        "openings": [{"file": "a.stl"}],
    }
    assert LocatedAxisMounting.model_validate(data).third_point_mm == (0.0, 30.0, 45.0)


MATRIX = rows(pose(5.0))
ONE = {"upper_scan_from_lower_scan": MATRIX}
SHEARED = [[1.0, 0.2, 0, 0], [0, 1.0, 0, 0], [0, 0, 1.0, 0], [0, 0, 0, 1.0]]
MIRROR = [[-1.0, 0, 0, 0], [0, 1.0, 0, 0], [0, 0, 1.0, 0], [0, 0, 0, 1.0]]


@pytest.mark.parametrize(
    ("change", "text"),
    [
        ({"openings": []}, "neither openings nor tracks"),
        ({"openings": [ONE], "include_scanned_pose": False}, "at least 2"),
        ({"openings": [{}]}, "either file or"),
        ({"openings": [{**ONE, "file": "a.stl"}]}, "both"),
        ({"openings": [{"upper_scan_from_lower_scan": SHEARED}]}, "shears"),
        ({"openings": [{"upper_scan_from_lower_scan": MIRROR}]}, "reflection"),
        ({"tracking_sd_mm": 0.05}, "registration_rms_mm"),
        ({"lefty": 1}, "Extra inputs"),
        ({"registration_rms_mm": 2.1}, "less than or equal to 2"),
        ({"registration_rms_mm": 0.0}, "greater than 0"),
        ({"left_half_width_mm": 100.1}, "less than or equal to 100"),
        ({"right_half_width_mm": 19.9}, "greater than or equal to 20"),
        ({"tracks": [{"points_mm": [[0, 0, 0]] * 5}]}, "both openings and tracks"),
        ({"openings": [], "tracks": [{"points_mm": [[0.0, 0, 0]] * 3}]}, "at least 4"),
    ],
)
def test_tables_that_make_no_sense_are_refused(change, text):
    with pytest.raises(ValidationError, match=text):
        AxisLocation.model_validate({"left": LEFT, "openings": [ONE], **change})


def test_the_ends_of_every_range_are_accepted():
    ends = {"left_half_width_mm": 20.0, "right_half_width_mm": 100.0, "registration_rms_mm": 2.0}
    table = by_poses(5.0, **ends)
    assert {name: getattr(table, name) for name in ends} == ends


def test_openings_without_reference_points_or_casts_are_refused():
    table = by_poses(5.0, reference_points_mm=None)
    with pytest.raises(InputError, match="reference_points_mm"):
        locate_from_case_table(table, no_files, None, SCANNED)


def test_a_file_without_casts_is_refused():
    table = AxisLocation.model_validate({"left": LEFT, "openings": [{"file": "a.stl"}]})
    with pytest.raises(InputError, match=r"openings\.0\.file"):
        locate_from_case_table(table, no_files, None, SCANNED)


def test_the_scan_of_another_arch_is_refused_with_its_file(tmp_path: Path):
    other = arch()
    trimesh.Trimesh(other.vertices_mm * [1.25, 0.8, 1.6], other.faces, process=False).export(
        tmp_path / "other.stl"
    )
    table = AxisLocation.model_validate({"left": LEFT, "openings": [{"file": "other.stl"}]})
    with pytest.raises(InputError, match="does not fit the lower") as caught:
        locate_from_case_table(table, lambda f, _: tmp_path / f, arch(), SCANNED)
    assert caught.value.file.endswith("other.stl")
    scan, _ = load_cast(tmp_path / "other.stl", "lower")
    share = register(arch(), scan).overlap
    assert 0.0 < share < 1.0
    assert caught.value.got.endswith(f"left over, {round(100.0 * share)} % overlap")


def test_swapped_sides_are_refused():
    table = by_poses(4.0, 9.0, registration_rms_mm=0.03, left=[0.0, -1.0, 0.0])
    with pytest.raises(InputError, match="swapped"):
        locate_from_case_table(table, no_files, None, SCANNED)
