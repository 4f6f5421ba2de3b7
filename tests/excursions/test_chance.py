"""Largest displacement over many draws of the axes, against full paths of every one of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kinematics.case.read import read_case
from kinematics.closure.geometry import Geometry, geometry_of
from kinematics.closure.place import place
from kinematics.excursions.chance import ExcursionModel, at_offset, corners, monomials, nodes_mm
from kinematics.excursions.compare import excursion_errors
from tests.makers.cases import landmarks_only
from tests.makers.casts import open_pair_in_articulator

GUIDED = {
    "sagittal_inclination_left_deg": 44.0,
    "sagittal_inclination_right_deg": 38.0,
    "immediate_side_shift_left_mm": 0.4,
    "guide_radius_right_mm": 25.0,
    "incisal_sagittal_deg": 15.0,
    "incisal_lateral_deg": 20.0,
}
"""Guides that differ, with a table that slopes to both sides (a scenario of our own)."""
ON_THE_TRUE_AXIS = dict.fromkeys(
    ("left_anterior_mm", "left_superior_mm", "right_anterior_mm", "right_superior_mm"), 0.0
)


def landmarks_case(**changes):
    return geometry_of(place(landmarks_only(**({"articulator": GUIDED} | changes))))


@pytest.fixture(scope="module")
def plain():
    geometry = landmarks_case()
    return geometry, ExcursionModel(geometry)


@pytest.fixture(scope="module")
def demo(demo_case_path):
    geometry = geometry_of(place(read_case(demo_case_path)))
    return geometry, ExcursionModel(geometry)


def used_offset_mm(geometry: Geometry):
    apart = geometry.arbitrary_axis.points_mm - geometry.true_axis.points_mm
    return apart[:, ::2].reshape(4)


def largest_by_full_paths(geometry: Geometry, true_mm, used_mm, steps=5):
    """Place both axes anew, open and close the case anew, and follow both paths in full."""
    mounting = geometry.placed.mounting
    axes = [at_offset(mounting.true_axis, offset) for offset in (true_mm, used_mm)]
    moved = replace(mounting, true_axis=axes[0], arbitrary_axis=axes[1])
    errors = excursion_errors(geometry_of(replace(geometry.placed, mounting=moved)), steps=steps)
    return errors.worst()[2]


def test_one_axis_on_the_other_makes_no_error(plain):
    _, model = plain
    offsets = np.random.default_rng(1).normal(size=(50, 4)) * 3.0
    np.testing.assert_allclose(model.sizes(np.zeros((1, 4)), None), 0.0, atol=1e-9)
    scatter_only = ExcursionModel(landmarks_case(arbitrary_axis=ON_THE_TRUE_AXIS))
    np.testing.assert_allclose(scatter_only.sizes(offsets, offsets), 0.0, atol=1e-9)


@pytest.mark.parametrize("case", ["plain", "demo"])
def test_the_case_itself_has_the_error_that_is_compared_step_by_step(case, request):
    geometry, model = request.getfixturevalue(case)
    got = model.sizes(np.zeros((1, 4)), used_offset_mm(geometry)[None])[0]
    assert got == pytest.approx(excursion_errors(geometry, steps=5).worst()[2], abs=1e-9)
    # The steps between the five are no worse.
    assert got == pytest.approx(excursion_errors(geometry).worst()[2], rel=0.005)


def test_teeth_that_stop_the_front_are_closed_at_every_offset():
    """Both casts; exact for the case itself and close beside it, where one contact holds."""
    placed = place(landmarks_only(articulator=GUIDED))
    upper, lower = open_pair_in_articulator(placed.true_axis)
    table = placed.case.articulator.model_copy(update={"front": "teeth"})
    case = placed.case.model_copy(update={"articulator": table})
    geometry = geometry_of(replace(placed, case=case, upper=upper, lower=lower))
    model, still = ExcursionModel(geometry), np.zeros((1, 4))
    used = used_offset_mm(geometry)
    got = model.sizes(still, used[None])[0]
    assert got == pytest.approx(excursion_errors(geometry, steps=5).worst()[2], abs=1e-9)
    assert got > 0.02
    near = used + np.array([0.4, -0.3, 0.2, 0.5])
    full = largest_by_full_paths(geometry, np.zeros(4), near)
    assert model.sizes(still, near[None])[0] == pytest.approx(full, rel=0.1)


def test_small_offsets_act_in_proportion(plain):
    """Also along the table's ridge: half the offset, half the error."""
    _, model = plain
    offsets = np.random.default_rng(2).normal(size=(200, 4)) * 0.02
    whole, half = (model.sizes(part, None) for part in (offsets, 0.5 * offsets))
    np.testing.assert_allclose(half, 0.5 * whole, rtol=0.003)
    assert whole.min() > 1e-5


@pytest.mark.parametrize("case", ["plain", "demo"])
def test_moving_both_axes_changes_nearly_nothing(case, request):
    """Full paths only: what the model leaves out, for 3 mm of the true axis."""
    geometry, _ = request.getfixturevalue(case)
    used = used_offset_mm(geometry)
    here = largest_by_full_paths(geometry, np.zeros(4), used)
    for both in 3.0 * np.array([[1, 0, 1, 0], [0, 1, 0, 1], [1, 0, -1, 0], [0, 1, 0, -1]]):
        assert largest_by_full_paths(geometry, both, used + both) == pytest.approx(here, rel=0.06)


def chance_differs(geometry, model, n, located_sd_mm, scatter_sd_mm, seed):
    """Largest difference of two chances, model and full paths, over tolerances; and of sizes.

    Without a scatter the used axis is the case's own; with none at all (None) the located one.
    """
    rng = np.random.default_rng(seed)
    true = located_sd_mm * rng.normal(size=(n, 4))
    used = np.zeros((n, 4)) if scatter_sd_mm is None else np.tile(used_offset_mm(geometry), (n, 1))
    if scatter_sd_mm:
        used = true + scatter_sd_mm * rng.normal(size=(n, 4))
    full = np.array([largest_by_full_paths(geometry, t, u) for t, u in zip(true, used)])
    got = model.sizes(true, None if scatter_sd_mm is None else used)
    tolerances = np.quantile(full, [0.1, 0.3, 0.5, 0.7, 0.9]) + 1e-6
    beyond = [abs(np.mean(got > t) - np.mean(full > t)) for t in tolerances]
    return max(beyond), float(np.median(np.abs(got / full - 1.0)))


@pytest.mark.parametrize(
    ("case", "scatter_sd_mm"), [("plain", 5.0), ("plain", None), ("demo", 0.0), ("demo", None)]
)
def test_chances_are_those_of_full_paths(case, scatter_sd_mm, request):
    """Twenty-five draws: a chance of theirs moves in steps of 0.04."""
    geometry, model = request.getfixturevalue(case)
    chance, size = chance_differs(geometry, model, 25, 0.7, scatter_sd_mm, seed=3)
    assert chance <= 0.081
    assert size < 0.015


@pytest.mark.long
@pytest.mark.parametrize(
    ("case", "scatter_sd_mm"),
    [("plain", 5.0), ("plain", 7.0), ("plain", None), ("demo", 0.0), ("demo", 7.0), ("demo", None)],
)
def test_chances_are_those_of_full_paths_at_length(case, scatter_sd_mm, request):
    geometry, model = request.getfixturevalue(case)
    chance, size = chance_differs(geometry, model, 400, 0.7, scatter_sd_mm, seed=4)
    assert chance <= 0.02 + 1e-9  # 8 of 400 are within
    assert size < 0.02


def test_a_scatter_alone_is_as_wide_as_its_full_paths():
    """The arbitrary axis lies on the located one; seven millimetres around it."""
    geometry = landmarks_case(arbitrary_axis=ON_THE_TRUE_AXIS)
    chance, size = chance_differs(geometry, ExcursionModel(geometry), 25, 0.0001, 7.0, seed=5)
    assert chance <= 0.041
    assert size < 0.015


def test_records_set_the_articulator_at_every_offset():
    """Their settings change with the axis: far less error than with the patient's own angles."""
    guided = GUIDED | {"bennett_left_deg": 18.0, "bennett_right_deg": 18.0}
    geometry = landmarks_case(articulator=guided | {"settings_from": "records"})
    model = ExcursionModel(geometry)
    chance, size = chance_differs(geometry, model, 12, 0.5, 1.5, seed=9)
    assert chance <= 0.084
    assert size < 0.02
    rng = np.random.default_rng(10)
    offsets = rng.normal(size=(500, 4)) * 2.0
    same_angles = ExcursionModel(landmarks_case(articulator=guided))
    assert np.median(model.sizes(offsets, None)) < 0.8 * np.median(same_angles.sizes(offsets, None))


@pytest.mark.parametrize(("bennett_deg", "reach_mm"), [(1.0, (0.26, 3.9)), (0.05, (0.24, 0.26))])
def test_nodes_come_nearer_where_a_record_tells_no_settings_that_far(bennett_deg, reach_mm):
    """A small Bennett angle would be negative beside an axis that lies 4 mm off.

    At 0.05 degrees it would be so near by that the articulator keeps what it is set to.
    """
    guided = GUIDED | {"immediate_side_shift_left_mm": 0.0}
    guided |= {"bennett_left_deg": bennett_deg, "bennett_right_deg": bennett_deg}
    geometry = landmarks_case(
        articulator=guided | {"settings_from": "records"}, arbitrary_axis=ON_THE_TRUE_AXIS
    )
    model = ExcursionModel(geometry)
    assert reach_mm[0] < model.located.reach_mm < reach_mm[1]
    if bennett_deg < 0.1:
        geometry = landmarks_case(articulator=guided, arbitrary_axis=ON_THE_TRUE_AXIS)
    offset = np.array([-0.1, -0.3, -0.1, 0.2])
    full = largest_by_full_paths(geometry, np.zeros(4), offset)
    assert model.sizes(np.zeros((1, 4)), offset[None])[0] == pytest.approx(full, rel=0.02)


def test_an_excursion_counts_as_far_as_the_patient_comes():
    """The patient's paths are cut short here: two steps of one excursion, nothing of another."""
    geometry = landmarks_case()
    whole = ExcursionModel(geometry).patient_paths
    for kept in ({"protrusion": 3, "left_lateral": 0}, {"protrusion": 0, "left_lateral": 0}):
        kept |= {"right_lateral": 0}
        model = ExcursionModel(geometry)
        vars(model)["patient_paths"] = {
            k: replace(whole[k], steps=whole[k].steps[:n]) for k, n in kept.items()
        }
        assert model.arbitrary.left_out == tuple(k for k, n in kept.items() if not n)
        got = model.sizes(np.zeros((1, 4)), used_offset_mm(geometry)[None])[0]
        if kept["protrusion"]:
            error = excursion_errors(geometry, steps=5).kinds["protrusion"].error_mm[:3]
            assert got == pytest.approx(np.linalg.norm(error, axis=2).max(), abs=1e-9)
        else:
            assert np.isnan(got)


def test_places_left_out_are_never_the_worst_by_much(demo):
    """All steps and corners against those kept, at offsets that did not choose them."""
    geometry, model = demo
    whole = model.expansion(geometry.arbitrary_axis)
    offsets = np.random.default_rng(6).normal(size=(2000, 4)) * 6.0
    assert model.arbitrary.gap.shape[1] < 0.3 * whole.gap.shape[1]
    got, full = model.arbitrary.sizes(offsets), whole.sizes(offsets)
    assert (got <= full + 1e-12).all()
    np.testing.assert_allclose(got, full, rtol=0.01)
    assert np.mean(got < full - 1e-12) < 0.01


def test_corners_hold_the_largest_length_of_anything_linear():
    rng = np.random.default_rng(7)
    points = rng.normal(size=(200, 3)) * [30.0, 25.0, 4.0]
    outer = corners(points)
    assert len(outer) < 120
    for _ in range(50):
        turn, shift = rng.normal(size=(3, 3)), rng.normal(size=3) * 20.0
        lengths = [np.linalg.norm(p @ turn + shift, axis=1).max() for p in (points, outer)]
        assert lengths[0] == pytest.approx(lengths[1], rel=1e-12)
    flat = points * [1.0, 1.0, 0.0]
    np.testing.assert_array_equal(corners(flat), flat)
    np.testing.assert_array_equal(corners(points[:3]), points[:3])


def test_a_quadratic_is_found_exactly_by_its_nodes():
    rng = np.random.default_rng(8)
    true, at = rng.normal(size=15), rng.normal(size=(20, 4))
    nodes = nodes_mm(4.0)
    found = np.linalg.solve(monomials(nodes / 4.0), monomials(nodes) @ true)
    np.testing.assert_allclose(monomials(at / 4.0) @ found, monomials(at) @ true, atol=1e-9)
