import numpy as np
import pytest
import pytransform3d.transformations as pt
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.errors import InputError
from kinematics.mounting.rigid_fit import fit_rigid, motion_jacobian, unit_hint

POINTS = np.array(
    [[45.0, -25, -35], [45, 25, -35], [90, 0, -38], [65, 0, -22], [70, -20, -30], [60, 22, -28]]
)


def random_pose(seed):
    rng = np.random.default_rng(seed)
    return RigidTransform.from_components(rng.normal(size=3) * 80, Rotation.random(rng=rng))


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 10**6), st.integers(3, 6))
def test_exact_points_give_back_any_pose(seed, n):
    truth = random_pose(seed)
    fit = fit_rigid(POINTS[:n], truth.apply(POINTS[:n]), "p")
    assert np.allclose(fit.b_from_a.as_matrix(), truth.as_matrix(), atol=1e-9)
    assert np.abs(fit.residual_mm).max() < 1e-9
    assert fit.fault is None


def kabsch(a, b):
    """Independent route: singular value decomposition of the covariance (Kabsch 1976)."""
    ca, cb = a.mean(0), b.mean(0)
    u, _, vt = np.linalg.svd((a - ca).T @ (b - cb))
    d = np.sign(np.linalg.det(vt.T @ u.T))
    turn = vt.T @ np.diag([1, 1, d]) @ u.T
    return pt.transform_from(turn, cb - turn @ ca)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10**6))
def test_noisy_fit_agrees_with_singular_value_decomposition(seed):
    rng = np.random.default_rng(seed)
    b = random_pose(seed).apply(POINTS) + rng.normal(scale=0.4, size=POINTS.shape)
    fit = fit_rigid(POINTS, b, "p")
    assert np.allclose(fit.b_from_a.as_matrix(), kabsch(POINTS, b), atol=1e-9)


def test_no_nearby_pose_fits_better():
    rng = np.random.default_rng(5)
    b = POINTS + rng.normal(scale=0.5, size=POINTS.shape)
    fit = fit_rigid(POINTS, b, "p")
    best = np.sum(fit.residual_mm**2)
    for d in rng.normal(scale=1e-3, size=(200, 6)):
        step = RigidTransform.from_components(d[3:], Rotation.from_rotvec(d[:3]))
        assert np.sum(((step * fit.b_from_a).apply(POINTS) - b) ** 2) > best


def test_jacobian_is_the_change_of_a_point_by_a_small_motion():
    h = 1e-6
    j = motion_jacobian(POINTS)
    for i in range(6):
        d = np.zeros(6)
        d[i] = h
        moved = Rotation.from_rotvec(d[:3]).apply(POINTS) + d[3:]
        assert np.allclose((moved - POINTS) / h, j[:, :, i], atol=1e-4)


def test_leverage_sums_to_two_and_is_largest_for_the_lone_point():
    fit = fit_rigid(POINTS, POINTS, "p")
    assert fit.leverage.sum() == pytest.approx(2.0)
    cluster = 3 * np.array([[0.0, 0, 0], [10, 0, 0], [0, 10, 0], [0, 0, 10], [60, 0, 0]])
    assert np.argmax(fit_rigid(cluster, cluster, "p").leverage) == 4


def test_covariance_is_that_of_repeated_fits():
    rng = np.random.default_rng(11)
    sd, small = 0.3, []
    for _ in range(800):
        fit = fit_rigid(POINTS, POINTS + rng.normal(scale=sd, size=POINTS.shape), "p", sd)
        small.append(np.concatenate([fit.b_from_a.rotation.as_rotvec(), fit.b_from_a.translation]))
    seen = np.cov(np.array(small).T)
    stated = fit_rigid(POINTS, POINTS, "p", sd).covariance
    # 800 draws know a standard deviation to 2.5 %; four of that is 10 %.
    assert np.allclose(np.sqrt(np.diag(seen)), np.sqrt(np.diag(stated)), rtol=0.1)
    scale = np.sqrt(np.diag(stated))
    assert np.abs(seen / np.outer(scale, scale) - stated / np.outer(scale, scale)).max() < 0.2


def test_residual_variance_is_unbiased():
    rng = np.random.default_rng(12)
    got = [
        fit_rigid(POINTS, POINTS + rng.normal(scale=0.3, size=POINTS.shape), "p").variance_mm2
        for _ in range(600)
    ]
    assert np.mean(got) == pytest.approx(0.09, rel=0.08)  # 600 x 12 degrees: 1.7 %


@pytest.mark.parametrize("bad", range(6))
def test_point_at_fault_is_named(bad):
    rng = np.random.default_rng(bad)
    b = POINTS + rng.normal(scale=0.1, size=POINTS.shape)
    b[bad] += [0.0, 2.0, 2.0]
    assert fit_rigid(POINTS, b, "p").fault == bad


def test_good_points_are_rarely_blamed():
    rng = np.random.default_rng(13)
    blamed = sum(
        fit_rigid(POINTS, POINTS + rng.normal(scale=0.3, size=POINTS.shape), "p").fault is not None
        for _ in range(300)
    )
    assert blamed <= 12  # at most 1 % expected


@pytest.mark.parametrize("off", [4.9, 5.1])
def test_points_near_a_line_are_refused_by_their_spread(off):
    # Three points in line and one off it by h: the spread about the best line is h sqrt(3)/4 here.
    h = off * 4 / np.sqrt(3)
    line = np.array([[-50.0, 0, 0], [0, 0, 0], [50, 0, 0], [0, h, 0]])
    if off < 5:
        with pytest.raises(InputError, match="one line"):
            fit_rigid(line, line, "p")
    else:
        fit_rigid(line, line, "p")


def test_two_points_are_refused():
    with pytest.raises(InputError, match="2 points"):
        fit_rigid(POINTS[:2], POINTS[:2], "p")


@pytest.mark.parametrize("axis", [0, 1, 2])
def test_mirrored_set_is_refused(axis):
    flipped = POINTS.copy()
    flipped[:, axis] *= -1
    with pytest.raises(InputError, match="mirrored"):
        fit_rigid(POINTS, random_pose(3).apply(flipped), "p")


@pytest.mark.parametrize(("factor", "unit"), [(0.1, "cm"), (1 / 25.4, "inch"), (10.0, "cm")])
def test_set_in_another_unit_is_refused(factor, unit):
    with pytest.raises(InputError, match=unit):
        fit_rigid(POINTS, factor * POINTS, "p")


@pytest.mark.parametrize(("ratio", "words"), [(0.1, "cm"), (10.0, "cm"), (1.0 / 25.4, "inch")])
def test_a_unit_is_told_by_its_ratio_and_nothing_else_is(ratio, words):
    assert words in (unit_hint(ratio) or "")
    assert unit_hint(2.0) is None
