"""First contacts of many samples against the one-axis answer."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh
from scipy.spatial.transform import RigidTransform

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.base.errors import InputError
from kinematics.closure.batch import record_motions
from kinematics.contact.first_contact import first_contact, prepare
from kinematics.contact.samples import sample_contacts


def arches():
    """An upper and a lower of three bumps each, a millimetre apart, ahead of the axis."""

    def arch(z, sign):
        parts = []
        for x, y in ((50.0, 25.0), (50.0, -25.0), (90.0, 0.0)):
            bump = trimesh.creation.icosphere(subdivisions=1, radius=4.0)
            bump.apply_translation([x + sign, y, z])
            parts.append(bump)
        return trimesh.util.concatenate(parts)

    return arch(-30.0, 0.7), arch(-39.5, 0.0)


@pytest.fixture(scope="module")
def pair():
    upper, lower = arches()
    return prepare(upper.vertices, upper.faces, lower.vertices, lower.faces)


def random_samples(n, seed):
    rng = np.random.default_rng(seed)
    true = np.tile([[0.0, 55.0, 0.0], [0.0, -55.0, 0.0]], (n, 1, 1))
    used = true.copy()
    true[:, :, ::2] += rng.normal(0, 1, (n, 2, 2))
    used[:, :, ::2] += rng.normal(0, 5, (n, 2, 2))
    return true, used, rng.normal(2.0, 0.3, n)


def test_each_row_equals_the_single_first_contact(pair):
    true, used, opening = random_samples(40, 1)
    motions = record_motions(true, opening)
    status, closing, where = sample_contacts(pair, motions, used, max_closing_deg=45.0)
    assert (status == 1).all()
    for i in range(40):
        motion = opening_motion(HingeAxis(*true[i]), opening[i])
        told = first_contact(
            pair.with_lower_motion(motion), HingeAxis(*used[i]), max_closing_deg=45.0
        )
        assert closing[i] == pytest.approx(told.closing_deg, abs=1e-9)
        assert where[i] == pytest.approx(told.point_mm, abs=1e-7)


def test_rows_are_the_same_for_any_number_of_threads_and_any_batch(pair):
    true, used, opening = random_samples(31, 2)
    motions = record_motions(true, opening)
    one = sample_contacts(pair, motions, used, max_closing_deg=45.0, threads=1)
    three = sample_contacts(pair, motions, used, max_closing_deg=45.0, threads=3)
    part = sample_contacts(pair, motions[7:11], used[7:11], max_closing_deg=45.0)
    for a, b, c in zip(one, three, part, strict=True):
        assert np.array_equal(a, b, equal_nan=True)
        assert np.array_equal(a[7:11], c, equal_nan=True)


def test_the_motion_acts_after_the_pair_s_own_start_pose(pair):
    true, used, opening = random_samples(3, 3)
    own = RigidTransform.from_translation([0.0, 0.0, -1.0])
    motions = record_motions(true, opening)
    moved = sample_contacts(pair.with_lower_motion(own), motions, used, max_closing_deg=45.0)[1]
    for i in range(3):
        start = pair.with_lower_motion(opening_motion(HingeAxis(*true[i]), opening[i]) * own)
        told = first_contact(start, HingeAxis(*used[i]), max_closing_deg=45.0)
        assert moved[i] == pytest.approx(told.closing_deg, abs=1e-9)


def test_a_hair_s_start_is_called_a_touch_as_the_single_answer_calls_it():
    """The root lies within 1e-12 rad of the start; the sample before gave the pair of faces."""
    far = np.array([[200.0, -300, 0], [300, -300, 0], [250, 300, 0]])
    tip = np.array([[250.0, 0, 0], [250.1, 0.3, -2], [249.9, -0.3, -2]])
    pair = prepare(far, [[0, 1, 2]], tip, [[0, 1, 2]])
    axis = np.array([[0.0, 50.0, 0.0], [0.0, -50.0, 0.0]])
    lower = np.array([[0.0, 0.0, -1.0], [0.0, 0.0, -2e-10]])
    motions = np.array([np.vstack([np.eye(3), shift]) for shift in lower])
    status, closing, _ = sample_contacts(
        pair, motions, np.array([axis, axis]), max_closing_deg=20.0, threads=1
    )
    start = pair.with_lower_motion(RigidTransform.from_translation(lower[1]))
    assert first_contact(start, HingeAxis(*axis)).status == "already_touching"
    assert status.tolist() == [1, 2]
    assert closing[1] == 0.0


def test_axes_and_ranges_that_no_single_answer_takes_are_refused(pair):
    true, used, opening = random_samples(3, 6)
    motions = record_motions(true, opening)
    with pytest.raises(InputError, match=r"axes\[1\]"):
        sample_contacts(pair, motions, used * [[[1.0]], [[np.nan]], [[1.0]]], max_closing_deg=20.0)
    with pytest.raises(InputError, match="max_closing_deg"):
        sample_contacts(pair, motions, used, max_closing_deg=180.0)


def test_statuses_tell_touching_from_never_meeting(pair):
    _, used, _ = random_samples(2, 4)
    overlap = np.vstack([np.eye(3), [[0.0, 0.0, 3.0]]])
    away = np.vstack([np.eye(3), [[0.0, 0.0, 60.0]]])
    status, closing, _ = sample_contacts(
        pair, np.array([overlap, away]), used, max_closing_deg=20.0
    )
    assert status.tolist() == [2, 0]
    assert closing[0] == 0.0
    assert np.isnan(closing[1])
