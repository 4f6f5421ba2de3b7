"""Clouds of axes: the same answers as one axis at a time, and bounds that hold."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.base.errors import InputError
from kinematics.contact import cloud as cloud_module
from kinematics.contact.cells import ACROSS, ALONG, CELL_SIZE, describe
from kinematics.contact.cloud import POOL
from kinematics.contact.descent import axis_frame, placed
from kinematics.contact.first_contact import STATUS_NAMES, first_contact, first_contacts, prepare
from tests.benchmarks.meshes import bumpy_arch
from tests.contact.test_first_contact import random_case

ENDS = np.array([[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]])


def assert_same_as_one_by_one(pair, axes, *, max_closing_deg=60.0, threads=1) -> set[str]:  # type: ignore[no-untyped-def]
    cloud = first_contacts(pair, axes, max_closing_deg=max_closing_deg, threads=threads)
    assert len(cloud) == len(axes)
    for i, ends in enumerate(axes):
        one = first_contact(pair, HingeAxis(*ends), max_closing_deg=max_closing_deg)
        assert cloud[i].status == one.status, i
        assert math.radians(cloud[i].closing_deg) == pytest.approx(
            math.radians(one.closing_deg), abs=1e-12, nan_ok=True
        ), i
        assert cloud[i].kind == one.kind, i
        np.testing.assert_allclose(cloud[i].point_mm, one.point_mm, atol=1e-9, equal_nan=True)
    return {STATUS_NAMES[s] for s in cloud.status}


@pytest.mark.parametrize("scatter_mm", [0.1, 1.0, 4.0, 8.0])
def test_a_cloud_on_casts_answers_as_one_axis_at_a_time(scatter_mm: float) -> None:
    upper, lower = bumpy_arch(6000)
    rng = np.random.default_rng(int(10 * scatter_mm))
    axes = ENDS + rng.normal(0, scatter_mm, (150, 2, 3))
    assert "contact" in assert_same_as_one_by_one(prepare(*upper, *lower), axes)


@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 5000),
    scatter_mm=st.sampled_from([0.0, 0.01, 0.5, 3.0, 8.0]),
    end=st.sampled_from([5.0, 60.0, 170.0]),
)
def test_clouds_on_small_random_pairs_answer_as_one_axis(seed, scatter_mm, end) -> None:  # type: ignore[no-untyped-def]
    upper, lower, axis, _ = random_case(seed)
    rng = np.random.default_rng(seed)
    ends = np.stack([axis.left_point_mm, axis.right_point_mm])
    axes = ends + rng.normal(0, scatter_mm, (100, 2, 3))
    assert_same_as_one_by_one(prepare(*upper, *lower), axes, max_closing_deg=end)


@pytest.mark.long
@pytest.mark.parametrize("block", range(20))
def test_many_clouds_on_small_random_pairs_answer_as_one_axis(block: int) -> None:
    for seed in range(block * 50, block * 50 + 50):
        upper, lower, axis, _ = random_case(seed)
        rng = np.random.default_rng(seed)
        ends = np.stack([axis.left_point_mm, axis.right_point_mm])
        axes = ends + rng.normal(0, rng.choice([0.1, 1.0, 8.0]), (300, 2, 3))
        axes = axes[np.linalg.norm(axes[:, 0] - axes[:, 1], axis=1) >= 20.0]  # others are refused
        assert_same_as_one_by_one(prepare(*upper, *lower), axes, max_closing_deg=170.0)


def test_a_cloud_of_all_directions_is_divided_until_its_bound_holds() -> None:
    upper, lower = bumpy_arch(1000)
    rng = np.random.default_rng(8)
    d = rng.normal(0, 1, (120, 3))
    d *= 50 / np.linalg.norm(d, axis=1, keepdims=True)
    middle = rng.normal(0, 10, (120, 3))
    axes = np.stack([middle + d, middle - d], axis=1)
    seen = assert_same_as_one_by_one(prepare(*upper, *lower), axes, max_closing_deg=170.0)
    assert "contact" in seen


def test_a_cloud_of_many_cells_answers_as_one_axis_at_a_time() -> None:
    upper, lower = bumpy_arch(1500)
    axes = ENDS + np.random.default_rng(5).normal(0, 5, (1500, 2, 3))
    assert "contact" in assert_same_as_one_by_one(prepare(*upper, *lower), axes)


@pytest.mark.parametrize("aside", [False, True])
@pytest.mark.parametrize("stone_deg", [20.0, 35.0])
def test_a_stone_on_the_way_is_met_by_the_axes_whose_pilots_miss_it(stone_deg, aside) -> None:  # type: ignore[no-untyped-def]
    """All axes know of a plate at 55 degrees; most meet a stone before, high above the chord.

    ``aside``: the lower has a second piece, beside the axis, that meets nothing.
    """
    start, corner = np.array([100.0, 0.0, -30.0]), 0.2 * np.eye(3)
    lower = [start + corner, np.array([5.0, 200.0, 0.0]) + corner][: 1 + aside]
    roll = np.array([[0.0, 0.0, 5.0], [0.0, 0.0, -5.0]])
    stone = closing_motion(HingeAxis(*(ENDS + roll)), stone_deg).apply(start)
    plate = start + np.array([[-30.0, -30.0, 0.0], [30.0, -30.0, 0.0], [0.0, 40.0, 0.0]])
    upper = [
        stone + np.array([[1.0, 0.0, 0.0], [-0.6, 0.8, 0.0], [-0.6, -0.8, 0.0]]),
        closing_motion(HingeAxis(*ENDS), 55.0).apply(plate),
    ]
    meshes = (np.reshape(m, (-1, 3)) for m in (upper, lower))
    meshes = [(v, np.arange(len(v)).reshape(-1, 3)) for v in meshes]
    axes = ENDS + roll + np.random.default_rng(1).normal(0, 0.02, (80, 2, 3))
    pilots = np.unique(np.linspace(0, 79, POOL // 2).astype(int))  # as first_contacts takes them
    axes[pilots] -= roll
    pair = prepare(*meshes[0], *meshes[1])
    assert_same_as_one_by_one(pair, axes)
    angles = first_contacts(pair, axes).closing_deg
    assert np.abs(np.delete(angles, pilots) - stone_deg).max() < 0.5
    assert np.abs(angles[pilots] - 55.0).max() < 0.5


def test_threads_change_nothing() -> None:
    upper, lower = bumpy_arch(4000)
    pair = prepare(*upper, *lower)
    axes = ENDS + np.random.default_rng(2).normal(0, 3, (400, 2, 3))
    one, two = first_contacts(pair, axes, threads=1), first_contacts(pair, axes, threads=2)
    np.testing.assert_array_equal(one.closing_deg, two.closing_deg)
    np.testing.assert_array_equal(one.upper_face, two.upper_face)


def test_the_order_of_axes_changes_nothing() -> None:
    upper, lower = bumpy_arch(4000)
    pair = prepare(*upper, *lower)
    rng = np.random.default_rng(2)
    axes = ENDS + rng.normal(0, 3, (300, 2, 3))
    mixed = rng.permutation(300)
    np.testing.assert_array_equal(
        first_contacts(pair, axes).closing_deg[mixed], first_contacts(pair, axes[mixed]).closing_deg
    )


def test_a_cloud_that_starts_in_touch_says_so_for_every_axis() -> None:
    upper, _ = bumpy_arch(1000)
    axes = ENDS + np.random.default_rng(2).normal(0, 3, (64, 2, 3))
    answers = first_contacts(prepare(*upper, *upper), axes)
    assert (answers.status == STATUS_NAMES.index("already_touching")).all()
    np.testing.assert_array_equal(answers.closing_deg, 0.0)


def test_an_empty_cloud_has_no_answers() -> None:
    upper, lower = bumpy_arch(1000)
    assert len(first_contacts(prepare(*upper, *lower), np.empty((0, 2, 3)))) == 0


@pytest.mark.parametrize(
    ("axes", "text"),
    [
        (np.zeros((5, 3)), r"\(n, 2, 3\)"),
        (np.zeros((5, 2, 3)), r"axes\[0\].*5 axes"),
        (np.full((5, 2, 3), np.nan), r"axes\[0\]"),
        (ENDS[None] * 100, "20 to 300 mm"),
    ],
)
def test_clouds_that_hold_no_axes_are_refused(axes, text) -> None:  # type: ignore[no-untyped-def]
    upper, lower = bumpy_arch(1000)
    with pytest.raises(InputError, match=text):
        first_contacts(prepare(*upper, *lower), axes)


def test_a_cell_that_is_cut_hundreds_of_times_leaves_no_axis_out(monkeypatch) -> None:  # type: ignore[no-untyped-def]
    """Bounds with a tail that is put aside axis by axis, some 300 times: a stack of 256 is short.

    Compiled code would write past its end; here Python runs the kernel and checks.
    """
    number, solved = 640, []
    bounds = 1e-9 * np.arange(number)
    for i in range(280, number):  # just above what lets an axis wait, when it is the last one left
        k = int(0.9 * (i + 1))
        bounds[i] = 3.0 * bounds[k] + 1e-4 + (2e-10 if k == int(0.9 * i) else 1e-10)
    assert bounds.max() < 0.4

    def known(_upper, _fu, _lower, _fl, _pool, n, ub, wins) -> None:  # type: ignore[no-untyped-def]
        ub[n], wins[n, 0] = bounds[n], 1

    def record(*arguments) -> None:  # type: ignore[no-untyped-def]
        solved.extend(arguments[6].tolist())

    monkeypatch.setattr(cloud_module, "try_pool", known)
    monkeypatch.setattr(cloud_module.cells, "describe", lambda *_: True)
    monkeypatch.setattr(cloud_module.cells, "fitted", lambda *_: 0.0)
    monkeypatch.setattr(cloud_module, "thin", lambda *a: (a[6], a[8]))
    monkeypatch.setattr(cloud_module, "solve_packet", record)
    pair = prepare(*bumpy_arch(200)[0], *bumpy_arch(200)[1])
    cloud_module.solve_cloud.py_func(
        pair.upper.arrays, pair.lower.arrays, pair.lower_motion,
        np.repeat(ENDS[None], number, axis=0), pair.toward, 1.0,
        np.full((4, 2), -1), np.empty(number), np.zeros((number, 3), dtype=np.int64),
    )  # fmt: skip
    assert sorted(solved) == list(range(number))


@given(seed=st.integers(0, 10_000), spread=st.sampled_from([0.1, 2.0, 8.0, 20.0]))
def test_strays_bound_how_far_points_of_the_lower_depart(seed, spread) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng(seed)
    axes = ENDS + rng.normal(0, spread, (6, 2, 3))
    reference = axes.mean(axis=0)
    frame = np.empty((4, 3))
    axis_frame(reference[0], reference[1], np.array([70.0, 0.0, -30.0]), frame)
    points = np.array([70.0, 0.0, -30.0]) + rng.uniform(-25, 25, (40, 3))
    centre = points.mean(axis=0)
    radius = float(np.linalg.norm(points - centre, axis=1).max())
    disc = placed(np.array([*centre, 0, 0, 1, 0.0, radius * (1 + 1e-6)]), frame)
    end = float(rng.uniform(0.01, 2.9))
    cell, four = np.zeros(CELL_SIZE), np.empty((6, 10))
    if not describe(axes, np.arange(6), np.full(6, end), frame, disc, four, cell):
        assert spread == 20.0
        return
    for axis in axes:
        for t in np.linspace(0, end, 7):
            a = closing_motion(HingeAxis(*axis), math.degrees(t)).apply(points)
            b = closing_motion(HingeAxis(*reference), math.degrees(t)).apply(points)
            departure = (a - b) @ frame[:3].T
            assert np.hypot(departure[:, 0], departure[:, 1]).max() <= cell[ACROSS]
            assert np.abs(departure[:, 2]).max() <= cell[ALONG]
