"""Reasons and words of the answer."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.base.words import departure_words, room_words
from kinematics.decision.words import largest_part


def test_the_reason_names_the_component_that_dominates():
    axis = np.array([[0.0, 0.0, 5.0], [0.0, 0.0, 5.0]])
    text = largest_part(np.array([[0.17, 0.0, 0.01]]), axis)
    assert "anteroposterior" in text
    assert "5.0 mm too superior" in text
    axis = np.array([[-4.0, 0.0, 0.0], [-4.0, 0.0, 0.0]])
    assert "4.0 mm too posterior" in largest_part(np.array([[0.01, 0.0, 0.2]]), axis)
    axis = np.array([[3.0, 0.0, 0.0], [-3.0, 0.0, 0.0]])
    text = largest_part(np.array([[0.01, 0.2, 0.02]]), axis)
    assert "transverse" in text
    assert "+6.0 mm" in text
    assert "no error" in largest_part(np.zeros((2, 3)), axis)


def test_the_departure_is_said_as_opening_or_closing():
    closing = "closing 3.0 mm at the incisors from the interocclusal record to the planned OVD"
    assert departure_words(-3.0) == closing
    assert departure_words(2.0).startswith("opening 2.0 mm")
    assert "at the planned OVD" in departure_words(0.0)


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
