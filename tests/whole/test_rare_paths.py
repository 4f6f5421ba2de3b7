"""Ways through the code that ordinary cases do not take: odd files, few teeth, few landmarks."""

from __future__ import annotations

import struct
import sys
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.spatial.transform import RigidTransform

from kinematics.articulator.excursion import _teeth
from kinematics.assessment import assess
from kinematics.base.errors import InputError
from kinematics.base.kernel import kernel
from kinematics.case.read import write_case
from kinematics.casts.cast import Cast, load_cast
from kinematics.casts.formats import PARSERS
from kinematics.casts.occlusal import automatic_landmarks, occlusal_vertices
from kinematics.closure.landmarks import landmarks_for, surface_extremes
from kinematics.closure.place import place
from kinematics.mounting.frames import bonwill_frame
from kinematics.mounting.locating.from_poses import axis_from_poses
from kinematics.mounting.mount import mount
from kinematics.mounting.rigid_fit import unit_hint
from kinematics.sweep.run import run_sweep
from kinematics.sweep.study import read_study, study_from_dict
from tests import SAMPLES
from tests.makers.cases import landmarks_only
from tests.mounting.locating.test_from_poses import ARCH, LEFT, poses

VERTEX = "element vertex 4\nproperty float x\nproperty float y\nproperty float z\n"
CORNERS = struct.pack("<12f", 0, 0, 0, 1, 0, 0, 1, 1, 0, 0, 1, 0)


def binary_ply(header: str, body: bytes) -> bytes:
    head = f"ply\nformat binary_little_endian 1.0\n{VERTEX}{header}end_header\n"
    return head.encode() + CORNERS + body


def test_faces_of_several_lengths_among_other_lists_and_numbers_are_read():
    header = (
        "element face 2\nproperty uchar red\nproperty list uchar float texture\n"
        "property list uchar int vertex_indices\n"
        "element edge 0\nproperty int a\nproperty list uchar int b\n"
    )
    body = struct.pack("<BB2fB4i", 9, 2, 0.5, 0.5, 4, 0, 1, 2, 3)
    body += struct.pack("<BBB3i", 9, 0, 3, 0, 1, 3)
    _, faces, _ = PARSERS[".ply"](binary_ply(header, body), Path("a.ply"))
    assert faces.tolist() == [[0, 1, 2], [0, 2, 3], [0, 1, 3]]


@pytest.mark.parametrize(
    ("header", "body", "words"),
    [
        ("property list char int vertex_indices\n", struct.pack("<b3i", -1, 0, 1, 2), "no whole"),
        (
            "property list uchar double vertex_indices\n",
            struct.pack("<B3d", 3, 0.0, 1.0, 1e300),
            "not whole numbers",
        ),
    ],
)
def test_lists_that_cannot_be_are_refused(header, body, words):
    with pytest.raises(InputError, match=words):
        PARSERS[".ply"](binary_ply("element face 1\n" + header, body), Path("a.ply"))


@pytest.fixture(scope="module")
def lower() -> Cast:
    return load_cast(SAMPLES / "lower.ply", "lower")[0]


def only(cast: Cast, *teeth: int) -> Cast:
    """The cast with the labels of these teeth alone."""
    return replace(cast, tooth=np.where(np.isin(cast.tooth, teeth), cast.tooth, 0).astype(np.int16))


def test_a_tooth_with_one_neighbour_has_landmarks_and_one_without_has_none(lower):
    names = {name for name, _, _ in automatic_landmarks(only(lower, 36, 37))}
    assert {"36 mesiobuccal cusp", "37 mesiobuccal cusp"} <= names
    assert automatic_landmarks(only(lower, 36)) == []


@pytest.mark.parametrize("teeth", [(34, 35, 36, 37), (44, 45, 46, 47), (31, 32, 33)])
def test_cusps_keep_their_names_where_the_other_side_has_no_teeth(lower, teeth):
    whole = {n: p for n, _, p in automatic_landmarks(lower)}
    inner = teeth[1:-1]  # with both neighbours, so seen in the same directions
    seen = 0
    for name, tooth, point in automatic_landmarks(only(lower, *teeth)):
        if tooth in inner:
            np.testing.assert_array_equal(point, whole[name], err_msg=name)
            seen += 1
    assert seen >= len(inner)


def test_a_flat_cast_has_the_vertices_that_face_the_other_arch():
    flat = Cast(
        "lower", np.eye(3)[:, [1, 2, 0]] * [1, 1, 0], np.array([[0, 1, 2]]), np.zeros(3, np.int16)
    )
    turned = replace(flat, faces=np.array([[0, 2, 1]]))
    assert {len(occlusal_vertices(flat)), len(occlusal_vertices(turned))} == {0, 3}


def test_sites_of_an_unlabelled_cast_lie_where_their_names_say(lower):
    sites = {name: p for name, _, p in surface_extremes(only(lower))}
    assert set(sites) == {
        "incisal point", "left posterior site", "left middle site", "right posterior site",
        "right middle site",
    }  # fmt: skip
    front = sites["incisal point"]
    for side, sign in (("left", 1), ("right", -1)):
        back, middle = sites[f"{side} posterior site"], sites[f"{side} middle site"]
        assert back[1] * sign > 0
        assert middle[1] * sign > 0
        assert back[0] < middle[0] < front[0]
        x = lower.vertices_mm[occlusal_vertices(only(lower)), 0]
        share = (np.array([back[0], middle[0]]) - x.min()) / np.ptp(x)
        assert 0.0 <= share[0] <= 0.2
        assert 0.4 <= share[1] <= 0.6


def marks(*points: tuple[str, int | None, list[float]]):
    return [
        {"name": name, "point_mm": point} | ({} if tooth is None else {"tooth": tooth})
        for name, tooth, point in points
    ]


def test_the_incisal_point_is_found_from_what_there_is_and_said(lower):
    own = RigidTransform.identity()
    molar = ("37 cusp", 37, [-40.0, 22.0, 0.0])
    case = landmarks_only(
        landmarks=marks(molar, ("31 edge", 31, [0.0, 2.0, 0.0]), ("41 edge", 41, [0.0, -2.0, 0.0])),
    )
    found, findings = landmarks_for(case, None, own)
    np.testing.assert_allclose(found.incisal_point_mm, [0.0, 0.0, 0.0])
    assert "mean of the central incisors" in findings[-1].message
    case = landmarks_only(
        landmarks=marks(molar, ("canine", 33, [-8.0, 12.0, 0.0])),
        record={"thickness_mm": 3.0, "site": "pin"},
    )
    found, findings = landmarks_for(case, None, own)
    np.testing.assert_allclose(found.incisal_point_mm, [-8.0, 12.0, 0.0])
    assert "most anterior landmark" in findings[-1].message
    with pytest.raises(InputError, match="'38 cusp'"):
        found.point("38 cusp")
    plain = only(lower)
    near = plain.vertices_mm[occlusal_vertices(plain)][0].tolist()
    case = case.model_copy(update={"landmarks": (case.landmarks[0].model_copy(
        update={"point_mm": tuple(near)}),)})  # fmt: skip
    found, findings = landmarks_for(case, plain, own)
    assert any("highest front point" in f.message for f in findings)
    nothing = case.model_copy(update={"landmarks": ()})
    with pytest.raises(InputError, match="none, and no lower cast"):
        landmarks_for(nothing, None, own)
    found, findings = landmarks_for(nothing, plain, own)
    assert len(found) == 5
    assert any("no tooth labels" in f.message for f in findings)


def average(*teeth: tuple[str, int | None, list[float]]):
    case = landmarks_only(
        mounting={"method": "average"},
        true_axis={"width_mm": 99.6},
        record={"thickness_mm": 3.0, "site": "pin"},
        landmarks=marks(*teeth),
    )
    return mount(case, [(m.name, m.tooth or 0, np.array(m.point_mm)) for m in case.landmarks])


def test_averages_take_the_landmarks_that_there_are():
    left, right = ("37 a", 37, [-38.0, 24.0, 0.0]), ("47 a", 47, [-38.0, -24.0, 0.0])
    edges = ("31 edge", 31, [0.0, 2.0, 0.0]), ("41 edge", 41, [0.0, -2.0, 0.0])
    named = average(left, right, ("incisal point", None, [0.0, 0.0, 0.0]))
    meant = average(left, right, *edges)
    np.testing.assert_allclose(
        named.axis_orbital_from_upper_scan.as_matrix(),
        meant.axis_orbital_from_upper_scan.as_matrix(),
        atol=1e-9,
    )
    with pytest.raises(InputError, match="an incisal point"):
        average(left, right)
    with pytest.raises(InputError, match="a cusp of tooth"):
        average(left, *edges)


def test_a_kernel_without_a_file_to_cache_beside_still_runs():
    """A function that was typed in has no source file; it is compiled in every process."""
    space: dict = {}
    exec("def twice(x):\n    return 2.0 * x\n", space)
    assert kernel(space["twice"])(4.0) == 8.0


def test_three_points_on_a_line_and_a_short_arm_give_no_average_frame():
    build = {"balkwill_deg": 20.0, "occlusal_to_axis_orbital_deg": 10.0}
    with pytest.raises(InputError, match="too near to a line"):
        bonwill_frame([0, 0, 0], [-5, 24, 0], [-5, -24, 0], arm_mm=103, base_mm=100, **build)
    with pytest.raises(InputError, match="bonwill_arm_mm"):
        bonwill_frame([0, 0, 0], [-38, 24, 0], [-38, -24, 0], arm_mm=60, base_mm=100, **build)


@pytest.mark.parametrize(("ratio", "words"), [(0.1, "cm"), (10.0, "cm"), (1.0 / 25.4, "inch")])
def test_a_unit_is_told_by_its_ratio_and_nothing_else_is(ratio, words):
    assert words in (unit_hint(ratio) or "")
    assert unit_hint(2.0) is None


def test_offsets_are_needed_where_the_mounting_measured_the_arbitrary_points():
    with pytest.raises(InputError, match="the four offsets"):
        landmarks_only(
            casts={"upper": "u.ply", "lower": "l.ply"},
            true_axis=None,
            mounting={
                "method": "axis_points",
                "axis": "arbitrary",
                "left_point_mm": [-80.0, 55.0, 30.0],
                "right_point_mm": [-80.0, -55.0, 30.0],
                "third_point_mm": [-10.0, 30.0, 45.0],
            },
            arbitrary_axis={
                "left_point_mm": [5.0, 55.0, 0.0],
                "right_point_mm": [5.0, -55.0, 0.0],
                "frame": "axis_orbital",
            },
        )


@pytest.mark.parametrize(
    ("vary", "words"),
    [
        ({"mean": 3.0, "sd": 0.0}, "more than 0"),
        ({"mean": 3.0, "sd": 1.0, "low": 1.0}, "Keep one form"),
        ({"low": 2.0, "high": 2.0}, "an empty range"),
        ({"low": 3.0, "high": 2.0}, "a reversed range"),
    ],
)
def test_what_varies_is_refused_with_the_study_file_named(vary, words, tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    rows = "".join(f"{k} = {v}\n" for k, v in vary.items())
    (tmp_path / "study.toml").write_text(
        'schema = "hingewise-study/1"\ncase = "case.toml"\nsamples = 4\n[[vary]]\n'
        f'field = "record.thickness_mm"\n{rows}'
    )
    with pytest.raises(InputError, match=words) as caught:
        read_study(tmp_path / "study.toml")
    assert str(caught.value.file).endswith("study.toml")


def test_a_spread_has_no_place_in_a_grid(tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    vary = [{"field": "record.thickness_mm", "mean": 3.0, "sd": 1.0}]
    study = {"schema": "hingewise-study/1", "case": "case.toml", "design": "grid", "vary": vary}
    with pytest.raises(InputError, match="mean and sd in a grid"):
        study_from_dict(study, folder=tmp_path)


def test_a_sweep_on_a_cluster_without_its_library_names_the_extra(tmp_path, monkeypatch):
    write_case(landmarks_only(), tmp_path / "case.toml")
    vary = [{"field": "record.thickness_mm", "low": 1.0, "high": 2.0}]
    study = {"schema": "hingewise-study/1", "case": "case.toml", "samples": 4, "vary": vary}
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(InputError, match="the extra 'cluster'"):
        run_sweep(study_from_dict(study, folder=tmp_path), tmp_path / "out", scheduler="tcp://x:1")


def test_a_record_that_was_scanned_in_has_no_thickness_to_doubt():
    case = landmarks_only(
        record={"as_scanned": True},
        target={"vdo_change_mm": -2.0, "site": "incisors"},
        uncertainty={"arbitrary_axis": "measured", "true_axis_sd_mm": 0.5},
    )
    found = assess(case)
    assert found.uncertainty is not None
    assert any("scanned in it" in line for line in found.uncertainty.assumptions)


def test_a_placed_case_is_placed_anew_where_its_casts_or_points_change():
    placed = place(landmarks_only())
    moved = landmarks_only(landmarks=marks(("31 edge", 31, [91.0, 0.0, -35.0])))
    assert placed.with_case(moved).landmarks.names == ("31 edge", "incisal point")
    elsewhere = landmarks_only()
    elsewhere._folder = Path("/elsewhere")
    assert placed.with_case(elsewhere).case is elsewhere


def test_two_poses_of_unknown_noise_say_nothing_about_pure_rotation():
    rng = np.random.default_rng(3)
    noisy = poses([0.0, 8.0], rng, translation_sd=0.02, rotation_sd=1e-4)
    found = axis_from_poses(noisy, ARCH, left=LEFT)
    assert found.departure.kind == "none"
    assert not found.departure.rejected
    assert np.isnan(found.departure.p_value)


def test_one_bad_pose_among_few_of_unknown_noise_is_not_blamed_on_a_scan():
    rng = np.random.default_rng(4)
    slid = poses([0.0, 5.0, 10.0], rng, 0.01, 1e-4, extra={1: [0.0, 0.0, 2.0]})
    assert axis_from_poses(slid, ARCH, left=LEFT).scan_at_fault is None


@pytest.mark.parametrize(
    ("teeth", "point", "words"),
    [
        ((16, 46), [50.0, -20.0, -30.0], "teeth 16 and 46"),
        (
            (0, 46),
            [50.0, -20.0, -30.0],
            "50 mm in front of the hinge axis, 20 mm to the patient's right",
        ),
        ((0, 0), [50.0, 20.0, -30.0], "20 mm to the patient's left"),
        ((0, 0), [np.nan, np.nan, np.nan], "the casts (teeth not labelled)"),
    ],
)
def test_a_contact_is_named_by_teeth_or_place(teeth, point, words):
    contact = SimpleNamespace(upper_tooth=teeth[0], lower_tooth=teeth[1], point_mm=np.array(point))
    assert words in _teeth(contact)
