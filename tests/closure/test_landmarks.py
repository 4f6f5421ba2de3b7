"""Landmarks of a case: what is found where few are named, and what is said of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import RigidTransform

from kinematics.base.errors import InputError
from kinematics.casts.occlusal import occlusal_vertices
from kinematics.closure.landmarks import landmarks_for, surface_extremes
from tests.makers.cases import landmarks_only, marks
from tests.makers.casts import only, sample


def test_sites_of_an_unlabelled_cast_lie_where_their_names_say():
    lower = sample("lower")
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


def test_the_incisal_point_is_found_from_what_there_is_and_said():
    lower = sample("lower")
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
