"""Break-even, reasons and sentences of the verdict."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.assessment import assess
from kinematics.base.words import beyond_words, departure_words, room_words
from kinematics.decision.by_error import break_even
from kinematics.decision.words import answer, why
from tests.makers.cases import landmarks_only
from tests.makers.strategies import numbers


@given(numbers(0.01, 1.0), numbers(0.05, 0.9))
def test_break_even_of_a_straight_line_is_its_crossing(slope, tolerance):
    found = break_even(lambda d: slope * np.abs(d), tolerance, -1.0)
    crossing = tolerance / slope
    if crossing <= 20.0:
        assert found == pytest.approx(crossing, abs=1e-6)
    else:
        assert found == np.inf


def test_break_even_is_the_first_of_several_crossings():
    found = break_even(lambda d: np.abs(np.sin(np.abs(d))), 0.5, 1.0)
    assert found == pytest.approx(np.pi / 6, abs=1e-9)


def test_break_even_is_zero_where_even_no_departure_exceeds():
    assert break_even(lambda d: np.full_like(d, 0.4), 0.3, 1.0) == 0.0


def test_break_even_is_infinite_where_the_error_stops_being_defined():
    found = break_even(lambda d: np.where(np.abs(d) < 3, 0.01 * np.abs(d), np.nan), 0.3, -1.0)
    assert found == np.inf


def test_break_even_asks_in_the_direction_of_the_departure():
    asked = []
    break_even(lambda d: asked.extend(d) or 0.0 * d, 0.3, -1.0)
    assert max(asked) <= 0.0
    assert min(asked) == -20.0


def test_the_reason_names_the_component_that_dominates():
    axis = np.array([[0.0, 0.0, 5.0], [0.0, 0.0, 5.0]])
    text = why(np.array([[0.17, 0.0, 0.01]]), axis)
    assert "anteroposterior" in text
    assert "5.0 mm too superior" in text
    axis = np.array([[-4.0, 0.0, 0.0], [-4.0, 0.0, 0.0]])
    assert "4.0 mm too posterior" in why(np.array([[0.01, 0.0, 0.2]]), axis)
    axis = np.array([[3.0, 0.0, 0.0], [-3.0, 0.0, 0.0]])
    text = why(np.array([[0.01, 0.2, 0.02]]), axis)
    assert "transverse" in text
    assert "+6.0 mm" in text
    assert "no error" in why(np.zeros((2, 3)), axis)


def test_the_departure_is_said_as_opening_or_closing():
    assert departure_words(-3.0) == "closing 3.0 mm (incisors) from the record to the target"
    assert departure_words(2.0).startswith("opening 2.0 mm")
    assert "at the target vertical dimension" in departure_words(0.0)


@pytest.mark.parametrize(("error", "word"), [(0.2, "within"), (0.3, "within"), (0.31, "beyond")])
def test_the_sentence_says_on_which_side_of_the_tolerance_it_falls(error, word):
    text = answer(error, "37 buccal cusp", 0.3, -3.0, 4.5, "pin")
    assert f"{word} your tolerance of 300 µm" in text
    assert f"{1000 * error:.0f} µm (37 buccal cusp" in text
    assert "4.5 mm" in text


def test_the_sentence_is_whole_without_a_departure_and_beyond_the_hinge_range():
    still = answer(0.0, "37 buccal cusp", 0.3, 0.0, 4.5, "pin")
    assert still.startswith(
        "On this arbitrary axis, a record taken at the target vertical dimension leaves an "
        "occlusal error of up to 0 µm"
    )
    far = {"record": {"thickness_mm": 30.0, "site": "incisors"},
           "decision": {"tolerance_mm": 1.8, "stop": "equal_angle"}}  # fmt: skip
    found = assess(landmarks_only(**far)).verdict
    assert found.break_even_departure_mm == float("inf")
    assert "keep the departure to 20 mm," in found.sentence


@pytest.mark.parametrize(("tolerance", "planned"), [(0.02, False), (0.1, False), (0.3, True)])
def test_every_way_out_is_within_where_its_own_error_is(tolerance, planned):
    ways = assess(landmarks_only(decision={"tolerance_mm": tolerance})).verdict.ways_out
    assert ways[0].within is planned  # 0.118 mm
    for way in ways:
        assert way.within == (way.error_mm <= tolerance + 1e-9)


@pytest.mark.parametrize(
    ("limit", "said"),
    [(1.96, "1.9 mm"), (4.5, "4.5 mm"), (2.3, "2.3 mm"), (0.999, "0.99 mm"), (0.3, "0.30 mm"),
     (12.0, "12.0 mm"), (0.004, "0.00 mm")],
)  # fmt: skip
def test_a_limit_is_said_so_that_keeping_it_is_enough(limit, said):
    assert room_words(limit) == said


@given(st.floats(0.0, 20.0))
def test_no_limit_is_said_larger_than_it_is(limit):
    said = float(room_words(limit).removesuffix(" mm"))
    assert said <= limit + 1e-6
    assert limit - said < (0.1 if limit >= 1.0 else 0.01) + 1e-6


@pytest.mark.parametrize(
    ("size", "said"),
    [(0.104, "104 µm"), (0.1004, "100.4 µm"), (0.10003, "100.03 µm"), (0.1006, "101 µm")],
)
def test_a_size_beyond_the_limit_never_reads_as_the_limit(size, said):
    assert beyond_words(size, 0.1) == said
    assert f"up to {said}" in answer(size, "37 buccal cusp", 0.1, -3.0, 4.5, "pin")
