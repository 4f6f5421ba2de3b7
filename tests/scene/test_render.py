"""Off-screen pictures: what is where, and what is said when OpenGL is missing."""

from __future__ import annotations

import subprocess
import sys
from types import SimpleNamespace

import numpy as np
import pytest

from kinematics.closure.place import OcclusalSurface
from tests.makers.small_assessment import hand_assessment
from viewer.look.palette import colours
from viewer.scene import render as draw
from viewer.scene.build import build_scene
from viewer.scene.items import Label
from viewer.scene.plates import plate, plate_png, seen

SIZE = (360, 260)


@pytest.fixture(scope="module")
def scene():
    return build_scene(hand_assessment().closures, mapped=True)


@pytest.fixture(scope="module")
def gl():
    draw.probe_gl.cache_clear()
    status = draw.probe_gl()
    if not status.ok:
        pytest.skip(f"OPENGL ABSENT, pictures were not checked: {status.reason}")


def rgb(hex_colour):
    return np.array([int(hex_colour[i : i + 2], 16) for i in (1, 3, 5)], dtype=float)


@pytest.fixture
def fresh_probe():
    draw.probe_gl.cache_clear()
    yield
    draw.probe_gl.cache_clear()


@pytest.mark.render
@pytest.mark.parametrize("theme", ["light", "dark"])
def test_picture_has_the_asked_size_the_themes_page_and_something_on_it(gl, theme):
    scene = build_scene(hand_assessment().closures, mapped=True, theme=theme)
    picture = draw.render(scene, "oblique", size_px=SIZE)
    assert picture.rgb.shape == (SIZE[1], SIZE[0], 3)
    assert picture.rgb.dtype == np.uint8
    np.testing.assert_allclose(picture.rgb[2, 2], rgb(colours(theme).page), atol=2)
    away = np.abs(picture.rgb.astype(float) - rgb(colours(theme).page)).max(axis=2) > 25
    assert 0.02 < away.mean() < 0.9


@pytest.mark.render
def test_projection_tells_the_pixel_at_which_things_were_drawn(gl, scene):
    picture = draw.render(scene, "occlusal", layers=("axes",), size_px=SIZE)
    page = rgb(colours("light").page)
    points = [i for i in scene.of("axes") if isinstance(i, draw.Points)]
    for item in points:
        want = rgb(getattr(colours("light"), item.role))
        for x, y in picture.projection.pixels(item.points_mm):
            pixel = picture.rgb[round(y), round(x)].astype(float)
            assert np.linalg.norm(pixel - page) > 60
            # The hue is the role's: compare directions, not the shading.
            cosine = pixel @ want / (np.linalg.norm(pixel) * np.linalg.norm(want))
            assert cosine > 0.93


@pytest.mark.render
def test_occlusal_picture_is_magenta_where_high_and_green_where_open(gl):
    from dataclasses import replace

    a = hand_assessment()
    for sign, first, second in ((1.0, 0, 1), (-1.0, 1, 0)):
        lower = a.placed.lower.vertices_mm
        every = np.arange(len(lower))
        placed = replace(a.placed)
        placed.__dict__["lower_occlusal"] = OcclusalSurface(every, lower, np.zeros_like(lower))
        closures = replace(a.closures, geometry=replace(a.geometry, placed=placed))
        high = {s: np.full(len(every), sign * 0.1) for s in a.stops}
        closures.__dict__["occlusal_high_mm"] = high
        scene = build_scene(closures, mapped=True)
        picture = draw.render(scene, "occlusal", size_px=SIZE)
        x, y = picture.projection.pixels(a.landmarks.points_mm[0])[0]
        pixel = picture.rgb[round(y), round(x)].astype(float)
        assert pixel[first] > pixel[second] + 20


@pytest.mark.render
def test_plotter_returns_actors_by_layer_for_the_window(gl, scene):
    plotter, actors = draw.to_plotter(scene, layers=("upper", "axes", "arcs"), size_px=SIZE)
    try:
        assert set(actors) == {"upper", "axes", "arcs"}
        assert len(actors["axes"]) == 4
        assert plotter.camera.parallel_projection
    finally:
        plotter.close()


@pytest.mark.render
@pytest.mark.parametrize("view", ["oblique", "left", "occlusal"])
def test_plates_carry_names_scale_and_length_bar(gl, scene, view):
    figure = plate(scene, view, size_px=SIZE)
    texts = {t.get_text() for t in figure.axes[0].texts}
    assert "10 mm" in texts
    if view == "occlusal":
        limit = scene.signed_limit_um
        assert {f"+{limit:g}", f"−{limit:g}", "0", "47", "31"} <= texts
        assert any("incisal pin" in t for t in texts)
    else:
        assert {"true axis", "arbitrary axis"} <= texts
    assert plate_png(scene, view).startswith(b"\x89PNG")


def test_labels_on_one_spot_are_written_once_and_far_ones_are_left_out(scene):
    layers = scene.views["left"].layers
    projection = draw.projection_of(scene, "left", layers, SIZE)
    at = projection.focal_mm
    near = Label("landmarks", "ink", "a", at - 5 * projection.towards)
    same = Label("landmarks", "ink", "b", at - 4 * projection.towards)
    far = Label("landmarks", "ink", "c", at + 30 * projection.towards + 20 * projection.right)
    picture = draw.Picture(np.zeros((1, 1, 3), np.uint8), projection, (near, same, far))
    assert [i.text for i in seen(picture, False)] == ["a, b"]
    assert [i.text for i in seen(picture, True)] == ["a, b", "c"]


@pytest.mark.parametrize(
    ("outcome", "words"),
    [
        (SimpleNamespace(returncode=-11, stderr=b""), "exit -11"),
        (SimpleNamespace(returncode=1, stderr=b"x\nlibEGL.so.1: cannot open"), "libEGL.so.1"),
        (subprocess.TimeoutExpired("python", 90), "did not answer"),
        (OSError("no memory"), "no memory"),
    ],
)
def test_missing_opengl_is_told_with_the_packages_that_bring_it(
    monkeypatch, fresh_probe, outcome, words
):
    def run(*args, **kwargs):
        if isinstance(outcome, Exception):
            raise outcome
        return outcome

    monkeypatch.delenv("HINGEWISE_NO_GL", raising=False)
    monkeypatch.setattr(draw.subprocess, "run", run)
    status = draw.probe_gl()
    assert not status.ok
    assert words in status.reason
    assert "apt install libegl1 libgl1 libgl1-mesa-dri" in status.reason


def test_a_crash_of_the_drawing_library_does_not_reach_this_process(monkeypatch, fresh_probe):
    monkeypatch.delenv("HINGEWISE_NO_GL", raising=False)
    monkeypatch.setattr(draw, "PROBE", "import os, signal; os.kill(os.getpid(), signal.SIGSEGV)")
    status = draw.probe_gl()
    assert not status.ok
    assert "exit -11" in status.reason


def test_render_without_opengl_says_why(monkeypatch, fresh_probe, scene):
    monkeypatch.setenv("HINGEWISE_NO_GL", "1")
    with pytest.raises(RuntimeError, match="apt install libegl1"):
        draw.render(scene)


def test_the_probe_runs_in_the_same_python(monkeypatch, fresh_probe):
    seen_commands = []

    def run(command, **kwargs):
        seen_commands.append((command, kwargs["env"]))
        return SimpleNamespace(returncode=0, stderr=b"")

    monkeypatch.delenv("HINGEWISE_NO_GL", raising=False)
    monkeypatch.delenv("DISPLAY", raising=False)
    monkeypatch.delenv("VTK_DEFAULT_OPENGL_WINDOW", raising=False)
    monkeypatch.setattr(draw.subprocess, "run", run)
    assert draw.probe_gl().ok
    assert draw.probe_gl().ok
    ((command, environment),) = seen_commands
    assert command[0] == sys.executable
    assert environment["VTK_DEFAULT_OPENGL_WINDOW"] == "vtkEGLRenderWindow"
