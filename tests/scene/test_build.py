"""The scene holds the record's own numbers, and nothing is exaggerated in it."""

from __future__ import annotations

import itertools
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.base.axis import HingeAxis, closing_motion
from kinematics.closure.batch import arc
from tests.makers.small_assessment import hand_assessment
from viewer.look.palette import (
    DARK,
    LIGHT,
    STOP_LABEL,
    scale_limit_um,
    signed_colours,
    signed_table,
)
from viewer.scene.build import LAYERS, build_scene, ends
from viewer.scene.items import Label, Points, Surface, Tube, View, dashes, fit

RNG = np.random.default_rng(7)


@pytest.fixture(scope="module")
def assessment():
    return hand_assessment()


@pytest.fixture(scope="module")
def scene(assessment):
    return scene_of(assessment)


def scene_of(a):
    return build_scene(a.closures, mouth=a.mouth, mapped=True)


def only(scene, layer, kind):
    return [i for i in scene.of(layer) if isinstance(i, kind)]


def test_drawing_libraries_are_not_imported_by_scene_report_and_figures():
    code = (
        "import sys, viewer.scene.build, viewer.report.page, viewer.figures.draw, "
        "viewer.report.outputs, viewer.scene.render, viewer.scene.plates; "
        "print([m for m in ('pyvista', 'vtk', 'vtkmodules', 'matplotlib', 'jinja2')"
        " if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_every_layer_is_known_and_in_drawing_order(scene):
    order = [LAYERS.index(item.layer) for item in scene.items]
    assert order == sorted(order)
    assert {i.layer for i in scene.items} == set(LAYERS)


def test_every_view_names_only_known_layers(scene):
    for view in scene.views.values():
        assert set(view.layers) <= set(LAYERS)
        assert abs(view.towards @ view.up) < np.linalg.norm(view.towards)


def test_casts_are_the_records_own(assessment, scene):
    (upper,) = only(scene, "upper", Surface)
    (lower,) = only(scene, "lower", Surface)
    np.testing.assert_array_equal(upper.vertices_mm, assessment.upper.vertices_mm)
    np.testing.assert_array_equal(lower.vertices_mm, assessment.closures.lower_target.vertices_mm)


@pytest.mark.parametrize("stop", list(STOP_LABEL))
def test_ghost_stands_where_the_articulator_puts_the_lower(assessment, stop):
    closures = replace(assessment.closures, stop=stop)
    (ghost,) = only(build_scene(closures), "articulator", Surface)
    record = assessment.closures.lower_record.vertices_mm
    closing = closing_motion(assessment.arbitrary_axis, assessment.stops[stop].closing_deg)
    np.testing.assert_allclose(ghost.vertices_mm, closing.apply(record), atol=1e-9)


def test_map_carries_the_high_amount_on_occlusal_vertices_and_nothing_elsewhere(assessment, scene):
    (surface,) = only(scene, "map", Surface)
    index = assessment.closures.occlusal_index
    expected = 1e3 * assessment.closures.occlusal_high_mm[assessment.closures.stop]
    np.testing.assert_array_equal(surface.signed_um[index], expected)
    assert np.isnan(np.delete(surface.signed_um, index)).all()
    assert scene.signed_limit_um >= np.quantile(np.abs(expected), 0.99)


def test_arcs_start_at_the_record_and_end_in_the_mouth_and_on_the_articulator(assessment, scene):
    marks, result = assessment.landmarks, assessment.stops[assessment.closures.stop]
    chosen = ends(assessment.landmarks_record_mm)
    for role, closed in (("true", marks.points_mm), ("arbitrary", result.articulator_mm)):
        arcs = [t for t in only(scene, "arcs", Tube) if t.role == role and "circle" not in t.name]
        assert len(arcs) == len(chosen) == 3
        for i, tube in zip(chosen, arcs):
            np.testing.assert_allclose(
                tube.path_mm[0], assessment.landmarks_record_mm[i], atol=1e-12
            )
            np.testing.assert_allclose(tube.path_mm[-1], closed[i], atol=1e-9)


def test_axes_run_through_the_axis_points_and_differ_in_style_and_label(assessment, scene):
    tubes = {t.role: t for t in only(scene, "axes", Tube)}
    for role, axis in (("true", assessment.true_axis), ("arbitrary", assessment.arbitrary_axis)):
        np.testing.assert_allclose(axis.distance_mm(tubes[role].path_mm), 0.0, atol=1e-9)
        points = next(p for p in only(scene, "axes", Points) if p.role == role).points_mm
        np.testing.assert_array_equal(points, [axis.left_point_mm, axis.right_point_mm])
    assert tubes["true"].style != tubes["arbitrary"].style
    assert len(tubes["true"].pieces) == 1 < len(tubes["arbitrary"].pieces)
    texts = {i.text for i in only(scene, "axes", Label)}
    assert texts == {"true axis", "arbitrary axis"}


def test_first_contacts_and_pin_tip_are_the_records(assessment, scene):
    points = {p.role: p.points_mm[0] for p in only(scene, "contact", Points)}
    np.testing.assert_array_equal(points["true"], assessment.contact_true.point_mm)
    np.testing.assert_array_equal(points["arbitrary"], assessment.contact_arbitrary.point_mm)
    np.testing.assert_array_equal(points["contact"], assessment.mouth.contact.point_mm)
    (pin,) = only(scene, "pin", Points)
    np.testing.assert_allclose(pin.points_mm[0], assessment.geometry.pin_tip_target_mm)


def test_without_casts_axes_and_arcs_remain():
    scene = scene_of(hand_assessment(meshes=False))
    assert not [i for i in scene.items if isinstance(i, Surface)]
    assert {i.layer for i in scene.items} >= {"axes", "arcs", "landmarks", "pin"}


def test_arrays_of_the_scene_are_read_only(scene):
    for item in scene.items:
        for value in vars(item).values():
            if isinstance(value, np.ndarray):
                assert not value.flags.writeable


@given(
    st.sampled_from(["dashed", "dotted", "solid"]),
    st.integers(2, 30),
    st.floats(0.2, 6.0),
    st.floats(0.1, 6.0),
)
def test_dashes_lie_on_the_path_in_order_and_never_overlap(style, n, on, off):
    angle = np.linspace(0.0, 1.2, n)
    path = 40.0 * np.stack([np.cos(angle), np.sin(angle), angle], axis=1)
    pieces = dashes(path, style, (on, off))
    steps = np.linalg.norm(np.diff(path, axis=0), axis=1)
    along = np.concatenate([[0.0], np.cumsum(steps)])

    def place(point):
        t = [
            np.clip((point - a) @ (b - a) / ((b - a) @ (b - a)), 0, 1)
            for a, b in itertools.pairwise(path)
        ]
        gap = [np.linalg.norm(a + s * (b - a) - point) for s, a, b in zip(t, path[:-1], path[1:])]
        k = int(np.argmin(gap))
        assert gap[k] < 1e-9
        return along[k] + t[k] * steps[k]

    spans = [(place(p[0]), place(p[-1])) for p in pieces]
    np.testing.assert_array_equal(pieces[0][0], path[0])
    for (_, end), (start, _) in itertools.pairwise(spans):
        assert end <= start + 1e-9
    if style == "solid":
        assert len(pieces) == 1


@given(st.floats(-8, 8))
def test_an_arc_keeps_its_distance_from_the_axis(closing):
    axis = HingeAxis([1.0, 50.0, 2.0], [-3.0, -55.0, 0.0])
    path = arc(axis, [80.0, 5.0, -30.0], closing)
    np.testing.assert_allclose(np.ptp(axis.distance_mm(path)), 0.0, atol=1e-9)


@given(st.integers(0, 2**32 - 1))
def test_a_fitted_projection_holds_every_point_and_keeps_directions(seed):
    rng = np.random.default_rng(seed)
    points = rng.normal(scale=30.0, size=(40, 3))
    view = View("any", rng.normal(size=3), rng.normal(size=3), ())
    p = fit(view, points, (640, 480))
    pixels = p.pixels(points)
    assert (pixels >= 0).all()
    assert (pixels <= [640, 480]).all()
    middle = p.pixels(p.focal_mm)[0]
    np.testing.assert_allclose(middle, [320, 240], atol=1e-9)
    assert p.pixels(p.focal_mm + p.up)[0][1] < middle[1]
    assert p.pixels(p.focal_mm + p.right)[0][0] > middle[0]


def test_the_occlusal_view_shows_the_patients_right_on_the_left_and_incisors_below(assessment):
    scene = scene_of(assessment)
    view = scene.views["occlusal"]
    p = fit(view, assessment.closures.lower_target.vertices_mm, (800, 600))
    at = dict(zip(assessment.landmarks.names, p.pixels(assessment.landmarks.points_mm)))
    assert at["47 highest point"][0] < at["37 highest point"][0]
    assert at["41 highest point"][1] > at["47 highest point"][1]


def test_the_left_view_shows_anterior_on_the_left(assessment):
    p = fit(
        scene_of(assessment).views["left"],
        assessment.closures.lower_target.vertices_mm,
        (800, 600),
    )
    at = dict(zip(assessment.landmarks.names, p.pixels(assessment.landmarks.points_mm)))
    assert at["31 highest point"][0] < at["37 highest point"][0]


def test_signed_map_is_neutral_at_zero_symmetric_in_lightness_and_clamped():
    table = signed_table(257)
    middle = signed_colours([0.0], 100.0)[0]
    np.testing.assert_allclose(middle, table[128])
    assert middle.min() > 0.9
    np.testing.assert_allclose(signed_colours([500.0, -500.0], 100.0), table[[256, 0]])
    high, low = signed_colours([60.0], 100.0)[0], signed_colours([-60.0], 100.0)[0]
    assert high[0] > high[1]  # magenta
    assert low[1] > low[0]  # green
    # Perceptual evenness: relative luminance falls steadily from the middle to both ends.
    light = table @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(light[128:]) <= 1e-3).all()
    assert (np.diff(light[:129]) >= -1e-3).all()


@given(st.lists(st.floats(-3000, 3000), max_size=30))
def test_scale_limit_is_round_and_holds_nearly_all(values):
    limit = scale_limit_um(values)
    assert limit > 0
    if values:
        assert limit >= np.quantile(np.abs(values), 0.99) - 1e-9


@pytest.mark.parametrize("theme", [LIGHT, DARK])
def test_roles_have_colours_of_their_own_and_axes_stand_out_from_the_page(theme):
    values = list(vars(theme).values())
    assert len(set(values)) == len(values)

    def luminance(colour):
        c = np.array([int(colour[i : i + 2], 16) for i in (1, 3, 5)]) / 255
        c = np.where(c <= 0.04045, c / 12.92, ((c + 0.055) / 1.055) ** 2.4)
        return float(c @ [0.2126, 0.7152, 0.0722])

    # WCAG 2.1 contrast ratio: 4.5 for text, 3 for graphics.
    for role, least in (("ink", 7), ("quiet", 4.5), ("true", 3), ("arbitrary", 3), ("high", 4.5)):
        a, b = sorted([luminance(getattr(theme, role)), luminance(theme.page)])
        assert (b + 0.05) / (a + 0.05) >= least, role
