"""The desktop window, drawn off screen."""

import numpy as np
import pytest

from kinematics.base.errors import InputError
from kinematics.case.read import read_case
from tests.makers.cases import landmarks_only
from viewer.app.window import show_window
from viewer.scene.render import probe_gl

pytestmark = pytest.mark.render


@pytest.fixture(autouse=True)
def need_gl():
    status = probe_gl()
    if not status.ok:
        pytest.skip(f"NO OPENGL: {status.reason}")


@pytest.fixture
def window(demo_case_path):
    opened = show_window(read_case(demo_case_path), off_screen=True)
    yield opened
    opened.plotter.close()


def test_the_window_opens_on_the_case_as_it_is(window):
    assert window.session.case == window.session.original
    picture = window.picture()
    assert picture.shape == (800, 1280, 3)
    assert np.ptp(picture) > 150


def test_a_slider_changes_the_numbers_and_the_picture(window):
    before = window.picture()
    window.change("left_superior_mm", 12.0)
    assert window.session.case.arbitrary_axis.left_superior_mm == 12.0
    assert np.abs(window.picture().astype(int) - before).max() > 60


def test_a_refused_value_says_why_and_leaves_the_last_good_state(window):
    window.change("right_anterior_mm", -6.0)
    good = window.session.reading
    window.change("departure_mm", 99.0)
    assert "departure_mm" in window.message
    assert window.session.reading is good
    value = window._sliders["departure_mm"].GetRepresentation().GetValue()
    assert value == pytest.approx(good.departure_mm, abs=1e-3)


def test_undo_and_reset_go_back(window):
    window.change("left_anterior_mm", -3.0)
    window.change("right_anterior_mm", -3.0)
    window.undo()
    assert window.session.case.arbitrary_axis.right_anterior_mm == 5.5
    window.reset()
    assert window.session.case == window.session.original


def test_every_view_shows_another_side(window):
    pictures = []
    for view in ("oblique", "left", "front", "occlusal"):
        window.look(view)
        pictures.append(window.picture()[:, 360:].astype(int))
    for i in range(4):
        for k in range(i):
            assert np.abs(pictures[i] - pictures[k]).mean() > 1.0


def test_a_case_without_casts_still_shows_its_axes():
    opened = show_window(landmarks_only(), off_screen=True)
    try:
        picture = opened.picture()[100:, 360:].astype(int)
        blue = (picture[..., 2] - picture[..., 0]) > 60
        orange = (picture[..., 0] - picture[..., 2]) > 60
        assert blue.sum() > 500
        assert orange.sum() > 300
    finally:
        opened.plotter.close()


def test_without_a_display_the_browser_is_named_instead(monkeypatch):
    for name in ("DISPLAY", "WAYLAND_DISPLAY"):
        monkeypatch.delenv(name, raising=False)
    with pytest.raises(InputError, match=r"no display.*without --window"):
        show_window(landmarks_only())


def test_without_opengl_the_reason_is_said(monkeypatch):
    from viewer.app import window as module
    from viewer.scene.render import GlStatus

    monkeypatch.setattr(module, "probe_gl", lambda: GlStatus(False, "Install libegl1."))
    with pytest.raises(InputError, match=r"no OpenGL.*Install libegl1"):
        show_window(landmarks_only(), off_screen=True)
