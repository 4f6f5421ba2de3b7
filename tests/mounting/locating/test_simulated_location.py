"""Simulated axis location: honest covariance, no bias, magnification, published settings."""

from __future__ import annotations

import numpy as np
import pytest

from kinematics.base.axis import HingeAxis
from kinematics.base.errors import InputError
from kinematics.mounting.locating.checks import registration_magnification
from tests.makers.simulated_location import (
    ARCH_POINTS_MM,
    INCISAL_PATH_MM,
    MEASUREMENT_NOISE_MM,
    opening_for_path_deg,
    simulate_location,
)

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])
PATH_DEG = opening_for_path_deg(TRUE, ARCH_POINTS_MM[0], INCISAL_PATH_MM)


def test_an_incisal_path_of_15_mm_is_8_9_degrees_in_the_reference_proportions():
    assert pytest.approx(np.degrees(15.0 / np.hypot(90.0, 35.0))) == PATH_DEG


@pytest.mark.parametrize(
    ("method", "openings", "n"),
    [
        ("poses", [0.0, PATH_DEG], 200),
        ("poses", np.linspace(0.0, PATH_DEG, 5), 150),
        ("tracks", np.linspace(0.0, PATH_DEG, 20), 60),
    ],
)
def test_with_published_settings_the_covariance_is_honest_and_the_axis_unbiased(
    method, openings, n
):
    """15 mm incisal path, 50 um noise: assumptions of Mehl 2018 (READ; its result is not)."""
    got = simulate_location(
        TRUE, openings, MEASUREMENT_NOISE_MM, n, rng=np.random.default_rng(1), method=method
    )
    assert got.refused == 0
    ratio = got.sd_mm / got.predicted_sd_mm
    assert (np.abs(ratio - 1.0) < 4.0 / np.sqrt(2.0 * n) + 0.05).all(), ratio
    assert (np.abs(got.bias_mm) < 4.0 * got.sd_mm / np.sqrt(n)).all(), got.bias_mm
    share = 4.0 * np.sqrt(0.95 * 0.05 / n)
    assert (np.abs(got.coverage - 0.95) < share).all(), got.coverage
    assert abs(got.joint_coverage - 0.95) < share


def test_the_magnification_falls_with_the_opening_as_the_law_says():
    found = {}
    for theta in (2.0, 8.0):
        got = simulate_location(TRUE, [0.0, theta], 0.01, 150, rng=np.random.default_rng(2))
        found[theta] = got.magnification
    law = registration_magnification(2.0) / registration_magnification(8.0)
    assert found[2.0] / found[8.0] == pytest.approx(law, rel=0.03)


def test_rotation_errors_magnify_more_than_the_law_for_translations():
    """41.83 to 1 at 1.37 degrees is for a translation; three markers also err in rotation."""
    got = simulate_location(TRUE, [0.0, 1.37], 0.0323 / 2**0.5, 150, rng=np.random.default_rng(3))
    assert got.registration_rms_mm == pytest.approx(0.0323, rel=0.1)
    assert got.magnification > 1.5 * registration_magnification(1.37)


def test_the_same_seed_gives_the_same_study():
    a, b = (
        simulate_location(TRUE, [0.0, 5.0], 0.05, 5, rng=np.random.default_rng(4)) for _ in range(2)
    )
    np.testing.assert_array_equal(a.bias_mm, b.bias_mm)


def test_more_openings_between_the_same_ends_help_less_than_a_wider_end():
    rng = np.random.default_rng(5)
    two = simulate_location(TRUE, [0.0, 5.0], 0.03, 60, rng=rng).predicted_sd_mm
    five = simulate_location(TRUE, np.linspace(0, 5, 5), 0.03, 60, rng=rng).predicted_sd_mm
    wide = simulate_location(TRUE, [0.0, 10.0], 0.03, 60, rng=rng).predicted_sd_mm
    assert (five < two).all()
    assert (wide < five).all()


@pytest.mark.parametrize(
    ("openings", "n", "text"), [([0, 0.3], 3, "refused"), ([0, 5], 1, "2 sim")]
)
def test_studies_that_cannot_be_done_are_refused(openings, n, text):
    with pytest.raises(InputError, match=text):
        simulate_location(TRUE, openings, 0.03, n, rng=np.random.default_rng(6))
