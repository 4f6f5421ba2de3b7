"""Synthetic casts: closed, labelled, anatomical within published bands, in occlusion."""

from __future__ import annotations

import fcl
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.spatial import cKDTree
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.casts.cast import Cast, load_cast
from kinematics.casts.health import check_cast, check_pair, findings
from kinematics.casts.occlusal import automatic_landmarks
from kinematics.casts.synthetic.arch_form import line_of_occlusion, occlusal_level
from kinematics.casts.synthetic.dentition import CLEARANCE_MM, generate_pair, main
from kinematics.casts.synthetic.occlusal_fit import height_field, least_vertical_gap
from kinematics.casts.synthetic.tooth_shape import TEETH, crown, smooth_max, smooth_min
from kinematics.contact.first_contact import first_contact, prepare
from tests import SAMPLES

UPPER = [q * 10 + p for q in (1, 2) for p in range(1, 8)]
LOWER = [q * 10 + p for q in (3, 4) for p in range(1, 8)]


@pytest.fixture(scope="module")
def pair():
    return generate_pair()


@pytest.fixture(scope="module")
def landmarks(pair):
    return {n: p for cast in pair for n, t, p in automatic_landmarks(cast) if t}


def model(cast):
    bvh = fcl.BVHModel()
    bvh.beginModel(len(cast.vertices_mm), len(cast.faces))
    bvh.addSubModel(cast.vertices_mm, cast.faces)
    bvh.endModel()
    return fcl.CollisionObject(bvh, fcl.Transform())


def collide(a, b):
    return fcl.collide(model(a), model(b), fcl.CollisionRequest(), fcl.CollisionResult()) > 0


def raised(cast, mm):
    return cast.moved(RigidTransform.from_translation([0, 0, mm]))


def along_arch(point):
    """Arc length on the line of occlusion of the nearest point of it, mm, left positive."""
    s = np.linspace(-60, 60, 24001)
    line = line_of_occlusion(s)[0]
    return s[np.argmin(np.linalg.norm(line - point[:2], axis=1))]


def width(cast, tooth):
    """Greatest mesiodistal extent of a tooth's vertices, along the arch at the tooth."""
    points = cast.vertices_mm[cast.tooth == tooth]
    normal = line_of_occlusion(np.array([along_arch(points.mean(axis=0))]))[1][0]
    return np.ptp(points[:, :2] @ np.array([-normal[1], normal[0]]))


def test_committed_samples_are_what_the_generator_makes(pair):
    for cast in pair:
        stored, remarks = load_cast(SAMPLES / f"{cast.arch}.ply", cast.arch)
        assert remarks == []
        assert np.abs(stored.vertices_mm - cast.vertices_mm).max() < 1e-4
        assert np.array_equal(stored.tooth, cast.tooth)
        # On another platform rounding may choose the other diagonal of a few cells.
        assert (stored.faces == cast.faces).all(axis=1).mean() > 0.999


def test_samples_are_small_enough_to_keep():
    assert sum(f.stat().st_size for f in SAMPLES.glob("*.ply")) < 6e6


def test_casts_are_closed_of_one_piece_and_without_findings(pair):
    for cast in pair:
        health = check_cast(cast)
        assert health.watertight
        assert findings(health) == []
        assert abs(health.n_faces - 60_000) < 0.05 * 60_000
    assert check_pair(*pair) == []


def test_every_tooth_is_labelled_and_gingiva_and_base_are_not(pair):
    upper, lower = pair
    assert np.unique(upper.tooth).tolist() == [0, *UPPER]
    assert np.unique(lower.tooth).tolist() == [0, *LOWER]
    for cast, sign in ((upper, -1), (lower, 1)):
        height = sign * cast.vertices_mm[:, 2]
        assert height[cast.tooth > 0].min() > height.min() + 8  # the base is 9 mm high
    for cast in pair:
        left = np.isin(cast.tooth // 10, (2, 3))
        assert (cast.vertices_mm[left & (cast.tooth % 10 > 2), 1] > 0).all()


def test_casts_do_not_interpenetrate_and_all_but_touch(pair):
    upper, lower = pair
    assert not collide(upper, lower)
    apart = fcl.distance(model(upper), model(lower), fcl.DistanceRequest(), fcl.DistanceResult())
    assert 0 < apart <= CLEARANCE_MM + 1e-9
    assert collide(upper, raised(lower, CLEARANCE_MM + 0.001))
    assert not collide(upper, raised(lower, CLEARANCE_MM - 0.001))


def test_many_teeth_of_both_sides_are_close_to_contact(pair):
    upper, lower = pair
    box = (-52.0, -42.0, 10.0, 42.0)
    field = height_field(upper.vertices_mm * np.array([1, 1, -1]), upper.faces, box)
    gap = -field.at(lower.vertices_mm[:, 0], lower.vertices_mm[:, 1]) - lower.vertices_mm[:, 2]
    close = {t for t in LOWER if np.min(gap[lower.tooth == t]) < 0.12}
    assert len(close) >= 10
    for quadrant in (3, 4):
        assert {10 * quadrant + 6, 10 * quadrant + 7} <= close


def labial_of_line(point):
    """Distance of a point from the line of occlusion, buccal positive, mm."""
    on_line, normal = line_of_occlusion(np.array([along_arch(point)]))
    return (point[:2] - on_line[0]) @ normal[0]


def test_overbite_and_overjet_are_as_asked(landmarks):
    for up, low in (("11", "41"), ("21", "31")):
        a, b = landmarks[f"{up} incisal edge"], landmarks[f"{low} incisal edge"]
        assert b[2] - a[2] == pytest.approx(2.5, abs=0.25)
        assert labial_of_line(a) - labial_of_line(b) == pytest.approx(2.5, abs=0.35)


def test_arch_widths_lie_in_the_published_bands(landmarks):
    # published_values.md section 7 (READ; measuring points not stated there): intercanine
    # 35.41 +- 1.47 and 26.85 +- 1.59, upper intermolar 53.82 +- 2.82; two SD allowed.
    def across(a, b):
        return np.linalg.norm(landmarks[a] - landmarks[b])

    assert across("13 cusp tip", "23 cusp tip") == pytest.approx(35.41, abs=2 * 1.47)
    assert across("33 cusp tip", "43 cusp tip") == pytest.approx(26.85, abs=2 * 1.59)
    molars = across("16 mesiobuccal cusp", "26 mesiobuccal cusp")
    assert molars == pytest.approx(53.82, abs=2 * 2.82)


def test_mesiodistal_widths_follow_the_averages(pair):
    # Wheeler / Ash and Nelson averages: 16 and 15 READ, the others from memory.
    for cast in pair:
        for tooth in np.unique(cast.tooth[cast.tooth > 0]):
            average = TEETH["dimensions_mm"][cast.arch][f"{tooth % 10}"][1]
            assert width(cast, tooth) == pytest.approx(average, rel=0.14), tooth


def test_bolton_ratios_lie_within_two_standard_deviations(pair):
    # Bolton 1958: overall 91.3 +- 1.91, anterior 77.2 +- 1.65 percent (from memory).
    upper, lower = pair

    def total(cast, places):
        return sum(width(cast, t) for t in np.unique(cast.tooth) if t and t % 10 in places)

    overall = 100 * total(lower, range(1, 7)) / total(upper, range(1, 7))
    anterior = 100 * total(lower, range(1, 4)) / total(upper, range(1, 4))
    assert overall == pytest.approx(91.3, abs=2 * 1.91)
    assert anterior == pytest.approx(77.2, abs=2 * 1.65)


@pytest.mark.parametrize(("up", "low"), [("16", "46"), ("26", "36")])
def test_first_molars_are_in_class_one(landmarks, up, low):
    # Angle: the upper mesiobuccal cusp lies in the buccal groove of the lower first molar.
    groove = np.sort(
        [abs(along_arch(landmarks[f"{low} {n} cusp"])) for n in ("mesiobuccal", "distobuccal")]
    )
    cusp = abs(along_arch(landmarks[f"{up} mesiobuccal cusp"]))
    assert groove[0] < cusp < groove[1] + 1.0


@pytest.mark.parametrize(("up", "low", "next_low"), [("13", "43", "44"), ("23", "33", "34")])
def test_upper_canine_lies_behind_the_lower_one(landmarks, up, low, next_low):
    canine = abs(along_arch(landmarks[f"{up} cusp tip"]))
    assert abs(along_arch(landmarks[f"{low} cusp tip"])) < canine
    assert canine < abs(along_arch(landmarks[f"{next_low} buccal cusp"]))


def test_upper_buccal_cusps_overlap_the_lower_ones_buccally_and_vertically(pair, landmarks):
    middle = np.array([-20.0, 0.0])
    lower = pair[1]
    for place in (5, 6, 7):
        for up, low in ((10 + place, 40 + place), (20 + place, 30 + place)):
            name = "buccal cusp" if place == 5 else "mesiobuccal cusp"
            a, b = landmarks[f"{up} {name}"], landmarks[f"{low} {name}"]
            assert abs(a[1]) > abs(b[1]) + 1.0
            assert a[2] < b[2]
    assert np.linalg.norm(lower.vertices_mm[:, :2].mean(axis=0) - middle) < 10


def test_each_lower_tooth_but_the_central_incisors_opposes_two_upper_teeth(pair):
    upper, lower = pair
    field = cKDTree(upper.vertices_mm[upper.tooth > 0])
    labels = upper.tooth[upper.tooth > 0]
    for tooth in LOWER:
        if tooth % 10 in (1, 7):
            continue
        points = lower.vertices_mm[lower.tooth == tooth]
        distance, at = field.query(points)
        opposed = np.unique(labels[at[distance < 1.5]])
        assert len(opposed) >= 2, tooth


def test_closing_about_an_anatomical_axis_ends_close_to_intercuspation(pair):
    upper, lower = pair
    axis = HingeAxis([-83.5, 52.0, 33.4], [-83.5, -52.0, 33.4])
    opened = lower.moved(opening_motion(axis, 2.25))
    assert not collide(upper, opened)
    contact = first_contact(
        prepare(upper.vertices_mm, upper.faces, opened.vertices_mm, opened.faces), axis
    )
    assert contact.status == "contact"
    assert 2.25 <= contact.closing_deg < 2.35


def test_same_seed_gives_the_same_casts_and_another_seed_others():
    a, b = (generate_pair(triangles_per_cast=8_000, seed=3) for _ in range(2))
    other = generate_pair(triangles_per_cast=8_000, seed=4)
    for k in range(2):
        assert np.array_equal(a[k].vertices_mm, b[k].vertices_mm)
        assert np.array_equal(a[k].faces, b[k].faces)
        apart = cKDTree(other[k].vertices_mm).query(a[k].vertices_mm)[0]
        assert apart.max() > 0.2
        assert check_cast(a[k]).watertight
    assert not collide(*a)


def test_sides_are_mirror_images_only_without_variation(pair):
    def asymmetry(cast):
        left = cast.vertices_mm[(cast.tooth > 0) & (cast.vertices_mm[:, 1] > 2)]
        right = cast.vertices_mm[(cast.tooth > 0) & (cast.vertices_mm[:, 1] < 0)]
        return np.median(cKDTree(right * [1, -1, 1]).query(left)[0])

    even = generate_pair(triangles_per_cast=60_000, variation=0.0)
    for k in range(2):
        assert asymmetry(even[k]) < 0.05  # vertices are 0.6 mm apart
        assert asymmetry(pair[k]) > 0.1


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("triangles_per_cast", 10),
        ("triangles_per_cast", 10**9),
        ("seed", -1),
        ("overbite_mm", 9.0),
        ("overjet_mm", float("nan")),
        ("variation", 5.0),
    ],
)
def test_parameters_out_of_range_are_refused_by_name(name, value):
    with pytest.raises(InputError, match=name):
        generate_pair(**{name: value})


def test_command_writes_both_casts_and_reports_a_missing_folder(tmp_path, capsys):
    assert main(["-o", str(tmp_path), "--triangles", "5000", "--seed", "2"]) == 0
    assert sorted(p.name for p in tmp_path.iterdir()) == ["lower.ply", "upper.ply"]
    assert abs(len(load_cast(tmp_path / "lower.ply", "lower")[0].faces) - 5000) < 250
    assert main(["-o", str(tmp_path / "none"), "--triangles", "5000"]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_demo_axis_is_anatomical(pair, landmarks):
    # published_values.md section 4 (READ): Bonwill arm 103.3 mm (90.2 to 117.9), width 99.6
    # (85.2 to 112.6), condyles 34.3 mm above the occlusal plane (21.0 to 47.2), Balkwill angle
    # 20.4 degrees (9.0 to 27.6).
    import tomllib

    case = tomllib.loads((SAMPLES / "demo_case.toml").read_text())
    left = np.array(case["mounting"]["left_point_mm"])
    right = np.array(case["mounting"]["right_point_mm"])
    incisal = 0.5 * (landmarks["31 incisal edge"] + landmarks["41 incisal edge"])
    back = [landmarks[f"{t} distobuccal cusp"] for t in (37, 47)]
    normal = np.cross(back[0] - incisal, back[1] - incisal)
    normal /= np.linalg.norm(normal) * np.sign(normal[2])
    assert 90.2 < np.linalg.norm(left - incisal) < 117.9
    assert 90.2 < np.linalg.norm(right - incisal) < 117.9
    assert 85.2 < np.linalg.norm(left - right) < 112.6
    height = normal @ (0.5 * (left + right) - incisal)
    assert 21.0 < height < 47.2
    balkwill = np.degrees(np.arcsin(height / np.linalg.norm(0.5 * (left + right) - incisal)))
    assert 9.0 < balkwill < 27.6


@settings(max_examples=100, deadline=None)
@given(st.integers(11, 47).filter(lambda n: n // 10 in (1, 2, 3, 4) and 1 <= n % 10 <= 7))
def test_every_crown_holds_its_core_and_ends_at_its_width(number):
    shape = crown(number)
    core = np.array([shape.top_mm - 0.7 * shape.length_mm])
    b, c = (
        np.interp(core, shape.z_mm, shape.buccal_mm),
        np.interp(core, shape.z_mm, shape.lingual_mm),
    )
    zero = np.zeros(1)
    assert shape.solid(zero, 0.5 * (b + c), core)[0] < -0.5
    assert shape.solid(zero + 0.52 * shape.width_mm, 0.5 * (b + c), core)[0] > 0
    assert shape.solid(zero, 0.5 * (b + c), zero + shape.top_mm + 0.5)[0] > 0


@settings(max_examples=100, deadline=None)
@given(st.floats(-5, 5), st.floats(-5, 5), st.floats(0.01, 2))
def test_smooth_extrema_differ_from_the_sharp_ones_by_a_quarter_radius_at_most(a, b, radius):
    one, two = np.array([a]), np.array([b])
    assert 0 <= smooth_max(one, two, radius)[0] - max(a, b) <= 0.25 * radius + 1e-12
    assert 0 <= min(a, b) - smooth_min(one, two, radius)[0] <= 0.25 * radius + 1e-12


def test_line_of_occlusion_is_traversed_at_unit_speed_with_unit_normals():
    s = np.linspace(-60, 60, 1201)
    point, normal = line_of_occlusion(s)
    assert np.linalg.norm(np.diff(point, axis=0), axis=1) == pytest.approx(0.1, abs=1e-5)
    tangent = np.gradient(point, s, axis=0)
    assert np.abs((tangent * normal).sum(axis=1))[1:-1].max() < 1e-5
    assert np.linalg.norm(normal, axis=1) == pytest.approx(1)


def test_occlusal_level_is_that_of_a_sphere_through_the_incisors():
    # Derived here: all points lie 101.6 mm from one centre, and the incisors at 0.
    assert occlusal_level(np.zeros(1), np.zeros(1))[0] == pytest.approx(0)
    x, y = np.meshgrid(np.linspace(-45, 3, 7), np.linspace(-30, 30, 7))
    z = occlusal_level(x, y)
    top = np.sqrt(101.6**2 - 31.6**2)
    assert (x + 31.6) ** 2 + y**2 + (z - top) ** 2 == pytest.approx(101.6**2)


FLAT = np.array([[0.0, 0, 0], [4, 0, 0], [0, 4, 0]])


@pytest.mark.parametrize("gap", [-1e-9, 0.0, 1e-9, 0.5, -0.5])
def test_gap_of_two_level_triangles_is_their_height_difference(gap):
    other = FLAT[:, [1, 0, 2]] + np.array([0.3, 0.2, gap])
    face = np.array([[0, 1, 2]])
    assert least_vertical_gap(FLAT, face, other, face) == pytest.approx(gap, abs=1e-15)


def test_gap_is_infinite_where_no_vertical_line_meets_both():
    face = np.array([[0, 1, 2]])
    assert least_vertical_gap(FLAT, face, FLAT + np.array([10, 0, 1]), face) == np.inf


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_least_gap_agrees_with_dense_sampling(seed):
    rng = np.random.default_rng(seed)
    n = 5
    low, up = rng.uniform(0, 4, (3 * n, 3)), rng.uniform(0, 4, (3 * n, 3)) + np.array([0, 0, 1])
    faces = np.arange(3 * n).reshape(n, 3)
    exact = least_vertical_gap(low, faces, up, faces)
    box = (0.0, 0.0, 4.0, 4.0)
    top = height_field(low, faces, box, 0.01).height_mm
    under = height_field(up * np.array([1, 1, -1]), faces, box, 0.01).height_mm
    both = np.isfinite(top) & np.isfinite(under)
    assume(both.sum() > 50)  # some overlap that a grid can see
    sampled = (-under - top)[both].min()
    assert exact <= sampled + 1e-9
    slopes = [
        np.abs(np.linalg.lstsq(np.c_[t[:, :2], np.ones(3)], t[:, 2], rcond=None)[0][:2]).sum()
        for t in (*low[faces], *up[faces])
    ]
    assert sampled - exact < 0.03 * 2 * max(slopes)


@settings(max_examples=25, deadline=None)
@given(st.floats(-180, 180), st.floats(-5, 5))
def test_least_gap_does_not_change_when_both_turn_about_the_vertical(angle, shift):
    rng = np.random.default_rng(1)
    low, up = rng.uniform(0, 4, (12, 3)), rng.uniform(0, 4, (12, 3)) + np.array([0, 0, 5])
    faces = np.arange(12).reshape(4, 3)
    turn = Rotation.from_euler("z", angle, degrees=True)
    moved = [turn.apply(p) + shift for p in (low, up)]
    before = least_vertical_gap(low, faces, up, faces)
    assert least_vertical_gap(moved[0], faces, moved[1], faces) == pytest.approx(before, abs=1e-9)


def test_height_field_of_a_slope_is_exact_between_its_points():
    points = np.array([[0.0, 0, 0], [4, 0, 8], [0, 4, 4], [4, 4, 12]])
    field = height_field(points, np.array([[0, 1, 2], [1, 3, 2]]), (0, 0, 4, 4), 0.1)
    x, y = np.array([0.37, 2.01]), np.array([1.13, 3.33])
    assert field.at(x, y) == pytest.approx(2 * x + y)
    assert field.at(np.array([9.0]), np.array([0.0]))[0] == -np.inf


def test_pair_is_a_pair_of_cast_records(pair):
    assert [type(c) for c in pair] == [Cast, Cast]
    assert [c.arch for c in pair] == ["upper", "lower"]
