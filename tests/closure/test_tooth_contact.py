"""The return to the mouth: on planes exactly, on curved surfaces against exact first contact."""

import numpy as np
import pytest
from hypothesis import given, settings
from scipy.spatial.transform import RigidTransform, Rotation

from kinematics.base.axis import HingeAxis, opening_motion
from kinematics.casts.cast import Cast
from kinematics.closure.tooth_contact import NO_MESHES, mouth_return, return_report
from kinematics.contact.first_contact import first_contact, prepare
from tests.makers.strategies import numbers

TRUE = HingeAxis([0.0, 55.0, 0.0], [0.0, -55.0, 0.0])


def surface(wave_mm=0.6, step=0.5):
    """A wavy occlusal surface of an upper, facing down, 40 x 50 mm; vertices, faces, normals."""
    x, y = np.meshgrid(np.arange(45.0, 95.0, step), np.arange(-20.0, 20.1, step), indexing="ij")
    k = 2 * np.pi / 9.0
    z = -35.0 + wave_mm * np.sin(k * x) * np.sin(k * y)
    gx = wave_mm * k * np.cos(k * x) * np.sin(k * y)
    gy = wave_mm * k * np.sin(k * x) * np.cos(k * y)
    normals = np.stack([gx, gy, -np.ones_like(gx)], axis=-1).reshape(-1, 3)
    normals /= np.linalg.norm(normals, axis=1, keepdims=True)
    nx, ny = x.shape
    i = np.arange(nx * ny).reshape(nx, ny)
    a, b, c, d = i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]
    faces = np.concatenate(
        [np.stack([a, c, b], -1).reshape(-1, 3), np.stack([a, d, c], -1).reshape(-1, 3)]
    )
    return np.stack([x, y, z], -1).reshape(-1, 3), faces.astype(np.int32), normals


def propped(error, wave_mm=0.6):
    points, _, normals = surface(wave_mm)
    found = mouth_return(points, normals, np.zeros(len(points)), TRUE, error)
    assert found is not None
    return found


def test_a_flat_bite_that_the_articulator_held_low_by_a_tenth_is_propped_by_a_tenth():
    # The articulator's lower is 0.1 mm low everywhere: the restoration is 0.1 mm high, and the
    # tooth with the shortest lever (x = 45) holds the bite open most
    index, angle = propped(RigidTransform.from_translation([0.0, 0.0, -0.1]), wave_mm=0.0)
    points, _, _ = surface(0.0)
    assert points[index, 0] == 45.0
    assert np.radians(angle) == pytest.approx(0.1 / 45.0, rel=1e-6)


def test_a_flat_bite_that_the_articulator_held_high_closes_beyond_the_target():
    index, angle = propped(RigidTransform.from_translation([0.0, 0.0, 0.1]), wave_mm=0.0)
    points, _, _ = surface(0.0)
    assert angle < 0
    assert points[index, 0] == points[:, 0].max()


def test_without_error_the_restoration_meets_at_the_target():
    assert propped(RigidTransform.identity())[1] == 0.0


@given(numbers(-0.2, 0.2), numbers(-0.2, 0.2), numbers(-0.2, 0.2), numbers(-0.15, 0.15))
@settings(max_examples=12)
def test_propping_equals_the_exact_first_contact_of_the_two_surfaces(dx, dy, dz, tilt):
    error = RigidTransform.from_components(
        [dx, dy, dz], Rotation.from_euler("y", tilt, degrees=True)
    )
    _, angle = propped(error)
    points, faces, _ = surface()
    start = 4.0
    restored = opening_motion(TRUE, start).apply(error.inv().apply(points))
    exact = first_contact(prepare(points, faces, restored, faces), TRUE)
    assert exact.status == "contact"
    # Second order: curvature of the wave times the square of the shift, over the lever
    largest = np.linalg.norm(error.inv().apply(points) - points, axis=1).max()
    allowed = np.degrees(0.6 * (2 * np.pi / 9.0) ** 2 * largest**2 / 45.0) + 0.02
    assert start - exact.closing_deg == pytest.approx(angle, abs=allowed)


def test_walls_do_not_count():
    points, _, normals = surface()
    wall = np.array([[60.0, 30.0, -34.0]])
    steep = np.array([[0.0, 0.98, -0.2]]) / np.hypot(0.98, 0.2)
    error = RigidTransform.from_translation([0.0, 0.3, 0.0])
    with_wall = mouth_return(
        np.vstack([points, wall]),
        np.vstack([normals, steep]),
        np.zeros(len(points) + 1),
        TRUE,
        error,
    )
    assert with_wall == propped(error)


def test_surface_far_from_the_lower_does_not_count():
    points, _, normals = surface(0.0)
    gap = np.where(points[:, 0] < 60.0, 9.0, 0.5)
    found = mouth_return(
        points, normals, gap, TRUE, RigidTransform.from_translation([0.0, 0.0, -0.1])
    )
    assert points[found[0], 0] == 60.0


def test_no_shared_surface_gives_none():
    points, _, normals = surface(0.0)
    assert (
        mouth_return(points, -normals, np.zeros(len(points)), TRUE, RigidTransform.identity())
        is None
    )


def test_the_report_measures_the_propping_at_the_incisors():
    incisor = np.array([90.0, 0.0, -35.0])
    report = return_report(np.zeros(3), 17, 47, 0.2, TRUE, incisor)
    drop = incisor[2] - opening_motion(TRUE, 0.2).apply(incisor)[2]
    assert report.propped_incisors_mm == pytest.approx(drop)
    assert "tooth 17" in report.contact.message
    assert "props the bite open by 0.31 mm" in report.contact.message
    beyond = return_report(np.zeros(3), 17, 47, -0.2, TRUE, incisor)
    assert "past the target" in beyond.contact.message
    for y, side in ((20.0, "left"), (-20.0, "right")):
        bare = return_report(np.array([40.0, y, -35.0]), 0, 0, 0.2, TRUE, incisor)
        assert f"first meets on the patient's {side} (no tooth labels)" in bare.contact.message


def test_a_face_takes_its_most_frequent_tooth():
    cast = Cast("upper", np.eye(3), np.array([[0, 1, 2]]), np.array([16, 17, 17]))
    assert cast.face_tooth(0) == 17
    assert cast.face_tooth(-1) == 0
    between = Cast("lower", np.eye(3), np.array([[0, 1, 2]]), np.array([41, 0, 31]))
    assert between.face_tooth(0) == 31
    plain = Cast("upper", np.eye(3), np.array([[0, 1, 2]]), np.zeros(3))
    assert plain.face_tooth(0) == 0


def test_without_casts_there_is_no_contact_and_no_tooth():
    assert (NO_MESHES.status, NO_MESHES.upper_tooth, NO_MESHES.lower_tooth) == ("no_meshes", 0, 0)
    assert np.isnan(NO_MESHES.closing_deg)
    assert np.isnan(NO_MESHES.point_mm).all()
