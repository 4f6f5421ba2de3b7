"""The film of the closure."""

import imageio.v3 as iio
import numpy as np
import pytest
from PIL import Image

from kinematics.assessment import assess_placed
from kinematics.base.errors import InputError
from kinematics.case.read import read_case
from kinematics.closure.place import place
from tests.makers.cases import landmarks_only
from viewer.scene import film as animation
from viewer.scene.film import ease, lower_motions, write_animation
from viewer.scene.render import GlStatus, probe_gl


@pytest.fixture(scope="module")
def demo(demo_case_path):
    return assess_placed(place(read_case(demo_case_path)), curve=False, uncertainty=False)


@pytest.fixture
def gl():
    status = probe_gl()
    if not status.ok:
        pytest.skip(f"NO OPENGL: {status.reason}")


def test_the_film_starts_at_the_record_and_ends_closed(demo):
    patient, articulator = lower_motions(demo, 0.0, 1.0)
    record = demo.geometry.record_from_target.as_matrix()
    assert np.allclose(patient.as_matrix(), record, atol=1e-9)
    assert np.allclose(articulator.as_matrix(), record, atol=1e-9)
    patient, articulator = lower_motions(demo, 1.0, 1.0)
    error = demo.stops[demo.closures.stop].error_motion
    assert np.allclose(patient.as_matrix(), np.eye(4), atol=1e-9)
    assert np.allclose(articulator.as_matrix(), error.as_matrix(), atol=1e-9)


def test_the_factor_multiplies_what_is_small(demo):
    points = demo.landmarks.points_mm
    gaps = []
    for factor in (1.0, 5.0):
        patient, articulator = lower_motions(demo, 1.0, factor)
        gaps.append(articulator.apply(points) - patient.apply(points))
    assert np.allclose(gaps[1], 5.0 * gaps[0], atol=0.01)


def test_the_share_rises_smoothly_and_rests_at_the_end():
    shares = ease(40)
    assert len(shares) == 40
    assert shares[0] == 0.0
    assert (np.diff(shares) >= 0).all()
    assert (shares[-10:] == 1.0).all()


@pytest.mark.render
@pytest.mark.usefixtures("gl")
def test_a_gif_holds_moving_pictures(demo, tmp_path):
    path = write_animation(demo, tmp_path / "film.gif", frames=5, size_px=(320, 240), factor=10)
    with Image.open(path) as film:
        assert film.size == (320, 240)
        first = np.asarray(film.convert("RGB")).astype(int)
        film.seek(film.n_frames - 1)
        last = np.asarray(film.convert("RGB")).astype(int)
    assert np.abs(first - last).max() > 60
    assert [p.name for p in tmp_path.iterdir()] == ["film.gif"]


@pytest.mark.render
@pytest.mark.usefixtures("gl")
def test_an_mp4_holds_every_picture(demo, tmp_path):
    path = write_animation(demo, tmp_path / "film.mp4", frames=4, size_px=(320, 240))
    assert len(list(iio.imiter(path))) == 4


def test_another_ending_is_refused(demo, tmp_path):
    with pytest.raises(InputError, match=r"\.gif or \.mp4"):
        write_animation(demo, tmp_path / "film.avi")


def test_a_case_without_casts_is_refused(tmp_path):
    found = assess_placed(place(landmarks_only()), curve=False)
    with pytest.raises(InputError, match="casts"):
        write_animation(found, tmp_path / "film.gif")


def test_without_opengl_nothing_is_left_behind(demo, tmp_path, monkeypatch):
    monkeypatch.setattr(animation, "probe_gl", lambda: GlStatus(False, "Install libegl1."))
    with pytest.raises(InputError, match="Install libegl1"):
        write_animation(demo, tmp_path / "film.gif")
    assert not list(tmp_path.iterdir())
