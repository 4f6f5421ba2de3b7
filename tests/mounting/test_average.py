"""Casts mounted by averages: the Bonwill triangle and the Balkwill angle."""

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import norm

from kinematics.base.errors import InputError
from kinematics.mounting.frames import (
    BALKWILL_SD_DEG,
    BONWILL_ARM_SD_MM,
    bonwill_frame,
)
from kinematics.mounting.mount import mount
from tests.makers.cases import landmarks_only, marks
from tests.makers.mounted import (
    LOWER,
    average,
    case,
    close,
    scan,
)


@pytest.mark.parametrize(("arm", "base", "balkwill"), [(103.3, 99.6, 20.4), (101.6, 101.6, 26.0)])
def test_bonwill_triangle_and_balkwill_angle_come_out_as_put_in(arm, base, balkwill):
    # Values: published_values section 4 (CBCT n=120, READ; Bonwill 4 in, READ-2nd; Balkwill, MEM).
    i, left, right = (np.array(p) for _, p in LOWER.values())
    pose = bonwill_frame(
        i,
        left,
        right,
        arm_mm=arm,
        base_mm=base,
        balkwill_deg=balkwill,
        occlusal_to_axis_orbital_deg=13.6,
    )
    condyles = pose.inv().apply([[0, base / 2, 0], [0, -base / 2, 0]])
    assert np.linalg.norm(condyles - i, axis=1) == pytest.approx([arm, arm])
    assert np.linalg.norm(condyles[0] - condyles[1]) == pytest.approx(base)
    occlusal = np.cross(left - i, right - i)
    triangle = np.cross(condyles[0] - i, condyles[1] - i)
    cosine = occlusal @ triangle / np.linalg.norm(occlusal) / np.linalg.norm(triangle)
    assert np.degrees(np.arccos(cosine)) == pytest.approx(balkwill)
    up = -occlusal / np.linalg.norm(occlusal)
    up = up if up[2] > 0 else -up
    assert ((condyles - i) @ up > 0).all()
    plane = pose.rotation.apply(up)
    assert np.degrees(np.arctan2(plane[0], plane[2])) == pytest.approx(13.6)


def test_the_occlusal_plane_lies_as_published_to_the_frame_where_the_case_does_not_say():
    """Section 4: orbitale-tragus against ala-tragus 13.6 deg (Woelfel 2014, READ)."""
    plain, told = (
        mount(case(average(**more))).axis_orbital_from_upper_scan.as_matrix()
        for more in ({}, {"occlusal_to_axis_orbital_deg": 13.6})
    )
    np.testing.assert_array_equal(plain, told)


def test_published_triangle_has_its_published_altitude_and_height():
    # CALC note of section 4: altitude 90.50 mm; 34.3 mm of height is 22.27 deg, not 20.4.
    flat = bonwill_frame(
        [90.0, 0, 0],
        [45.0, 25, 0],
        [45.0, -25, 0],
        arm_mm=103.3,
        base_mm=99.6,
        balkwill_deg=22.27,
        occlusal_to_axis_orbital_deg=0.0,
    )
    origin = flat.inv().apply([0.0, 0, 0])
    assert np.linalg.norm(origin - [90.0, 0, 0]) == pytest.approx(90.50, abs=0.005)
    assert origin[2] == pytest.approx(34.3, abs=0.01)


def test_one_degree_of_balkwill_shifts_the_axis_1_48_mm_vertically():
    # CALC note of section 4.
    def height(deg):
        return mount(case(average(balkwill_deg=deg))).axis_orbital_from_upper_scan.inv()

    up = np.array(scan([0.0, 0, 1.0])) - np.array(scan([0.0, 0, 0.0]))
    normal = np.cross(
        *(
            np.array(scan(LOWER[n][1])) - np.array(scan(LOWER["incisal point"][1]))
            for n in ("47 distobuccal cusp", "37 distobuccal cusp")
        )
    )
    normal /= np.linalg.norm(normal) * np.sign(normal @ up)
    moved = height(20.9).apply([0.0, 0, 0]) - height(19.9).apply([0.0, 0, 0])
    assert moved @ normal == pytest.approx(1.48, abs=0.005)


def test_average_finds_its_points_among_landmarks():
    given = mount(case(average()))
    own = mount(case({"method": "average"}))
    assert close(own.axis_orbital_from_upper_scan, given.axis_orbital_from_upper_scan)
    automatic = [(n, t, scan(p)) for n, (t, p) in LOWER.items()]
    lone = case(
        {"method": "average"},
        landmarks=[{"name": "a", "point_mm": [1.0, 2.0, 3.0]}],
        record={"opening_deg": 1.0},
    )
    with pytest.raises(InputError, match="incisal"):
        mount(lone)
    found = mount(lone, automatic)
    assert close(found.axis_orbital_from_upper_scan, given.axis_orbital_from_upper_scan)


def test_average_says_that_it_is_not_this_patient():
    m = mount(case(average()))
    assert "not this patient" in m.findings[0].message
    sd = m.point_sd_mm([[50.0, 25.0, -35.0]])[0]
    assert sd[2] > 3.0  # molar height against the axis, from published ranges


def test_average_spread_is_the_published_range_over_the_range_of_120_normals():
    def tail(x):
        return 1 - norm.cdf(x) ** 120 - norm.sf(x) ** 120

    expected_range = quad(tail, -9, 9)[0]  # of 120 standard normals (derived here)
    assert pytest.approx((117.9 - 90.2) / expected_range, abs=0.1) == BONWILL_ARM_SD_MM
    assert pytest.approx((27.6 - 9.0) / expected_range, abs=0.1) == BALKWILL_SD_DEG


def mounted_on(*teeth: tuple[str, int | None, list[float]]):
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
    named = mounted_on(left, right, ("incisal point", None, [0.0, 0.0, 0.0]))
    meant = mounted_on(left, right, *edges)
    np.testing.assert_allclose(
        named.axis_orbital_from_upper_scan.as_matrix(),
        meant.axis_orbital_from_upper_scan.as_matrix(),
        atol=1e-9,
    )
    with pytest.raises(InputError, match="an incisal point"):
        mounted_on(left, right)
    with pytest.raises(InputError, match="a cusp of tooth"):
        mounted_on(left, *edges)


def test_three_points_on_a_line_and_a_short_arm_give_no_average_frame():
    build = {"balkwill_deg": 20.0, "occlusal_to_axis_orbital_deg": 10.0}
    with pytest.raises(InputError, match="too near to a line"):
        bonwill_frame([0, 0, 0], [-5, 24, 0], [-5, -24, 0], arm_mm=103, base_mm=100, **build)
    with pytest.raises(InputError, match="bonwill_arm_mm"):
        bonwill_frame([0, 0, 0], [-38, 24, 0], [-38, -24, 0], arm_mm=60, base_mm=100, **build)
