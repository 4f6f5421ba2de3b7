"""What the figures plot is what the record says."""

from __future__ import annotations

import re

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.closure.stops import STOPS
from tests.makers.small_assessment import RIGHT_TO_LEFT, hand_assessment
from viewer.figures.draw import FIGURES, draw_figure, to_png, to_svg
from viewer.figures.numbers import arc_pairs, arrow_factor, at_side, tooth_table
from viewer.figures.style import spread, wrapped
from viewer.look.palette import LIGHT
from viewer.look.text import nice_factor


@pytest.fixture(scope="module")
def assessment():
    return hand_assessment()


def drawn(figure, gid):
    found = [a for axes in figure.axes for a in axes.get_children() if a.get_gid() == gid]
    assert found, gid
    return found


def test_departure_curves_are_the_records(assessment):
    figure = draw_figure("departure", assessment)
    for stop in STOPS:
        (line,) = drawn(figure, f"curve-{stop}")
        np.testing.assert_array_equal(line.get_xdata(), assessment.curve.departure_mm)
        np.testing.assert_allclose(
            line.get_ydata(), 1e3 * assessment.curve.worst_error_mm[stop], rtol=1e-15
        )


def test_tolerance_largest_closure_and_the_case_stand_at_their_values(assessment):
    figure = draw_figure("departure", assessment)
    (tolerance,) = drawn(figure, "tolerance")
    assert set(tolerance.get_ydata()) == {1e3 * assessment.case.decision.tolerance_mm}
    (even,) = drawn(figure, "largest-closure")
    sign = np.sign(assessment.departure_mm)
    assert set(even.get_xdata()) == {sign * assessment.decision.largest_closure_mm}
    (here,) = drawn(figure, "this-case")
    assert here.get_xdata()[0] == assessment.departure_mm
    assert here.get_ydata()[0] == 1e3 * assessment.stops[assessment.closures.stop].worst[1]


def test_the_cases_point_lies_on_the_verdicts_curve(assessment):
    curve = assessment.curve
    at = np.interp(
        assessment.departure_mm, curve.departure_mm, curve.worst_error_mm[assessment.closures.stop]
    )
    assert at == pytest.approx(assessment.decision.worst.displacement_mm, rel=0.02)


def test_without_a_largest_closure_no_line_is_drawn():
    far = hand_assessment(meshes=False, changes={"decision": {"tolerance_mm": 5.0, "stop": "pin"}})
    assert np.isinf(far.decision.largest_closure_mm)
    figure = draw_figure("departure", far)
    assert not [
        a for axes in figure.axes for a in axes.get_children() if a.get_gid() == "largest-closure"
    ]


def test_tooth_chart_plots_the_records_errors_from_right_to_left(assessment):
    figure = draw_figure("teeth", assessment)
    assert tooth_table(assessment, "pin").labels == tuple(str(t) for t in RIGHT_TO_LEFT)
    for stop in STOPS:
        (line,) = drawn(figure, f"size-{stop}")
        size = 1e3 * assessment.stops[stop].magnitude_mm[: len(RIGHT_TO_LEFT)]
        np.testing.assert_allclose(line.get_ydata(), size, rtol=1e-15)
    for k, role in enumerate(("anteroposterior", "transverse", "vertical")):
        heights = [
            drawn(figure, f"component-{role}-{i}")[0].get_height()
            for i in range(len(RIGHT_TO_LEFT))
        ]
        error = 1e3 * assessment.stops["pin"].error_mm[: len(RIGHT_TO_LEFT), k]
        np.testing.assert_allclose(heights, error, rtol=1e-15)
    (high,) = drawn(figure, "high")
    expected = 1e3 * assessment.stops["pin"].high_mm[: len(RIGHT_TO_LEFT)]
    np.testing.assert_allclose(high.get_ydata(), expected, rtol=1e-15)


def test_a_tooth_shows_its_worst_landmark():
    marks = [
        {"name": "31 edge", "tooth": 31, "point_mm": [90.0, 2.0, -36.0]},
        {"name": "36 far", "tooth": 36, "point_mm": [55.0, 26.0, -36.0]},
        {"name": "36 near", "tooth": 36, "point_mm": [60.0, 24.0, -30.0]},
    ]
    a = hand_assessment(meshes=False, landmarks=marks)
    table = tooth_table(a, "pin")
    assert table.labels == ("31", "36")
    sizes = a.stops["pin"].magnitude_mm
    shown = a.landmarks.names[table.index[1]]
    worst = max((n for n in a.landmarks.names if n.startswith("36")),
                key=lambda n: sizes[a.landmarks.names.index(n)])  # fmt: skip
    assert shown == worst


def test_arc_pairs_start_together_and_end_at_the_error(assessment):
    for stop in STOPS:
        result, names = assessment.stops[stop], assessment.landmarks.names
        pairs = arc_pairs(assessment.closures, stop)
        assert len(pairs) == 2
        for pair in pairs:
            i = names.index(pair.name)
            np.testing.assert_allclose(pair.true_mm[0], pair.arbitrary_mm[0], atol=1e-12)
            np.testing.assert_allclose(pair.error_um, 1e3 * result.error_mm[i], atol=1e-6)
            np.testing.assert_allclose(
                pair.drawn_mm - pair.true_mm,
                pair.factor * (pair.arbitrary_mm - pair.true_mm),
                atol=1e-12,
            )


@pytest.mark.parametrize("stop", ["pin", "equal_angle"])
def test_arc_pairs_are_the_headlines_landmark_and_the_one_farthest_from_it(assessment, stop):
    posterior, anterior = arc_pairs(assessment.closures, stop)
    sizes = dict(zip(assessment.landmarks.names, assessment.stops[stop].magnitude_mm))
    assert max(sizes, key=sizes.__getitem__) in (posterior.name, anterior.name)
    x = assessment.landmarks_record_mm[:, 0]
    ends = {x.min(), x.max()}
    assert posterior.true_mm[0, 0] < anterior.true_mm[0, 0]
    assert any(p.true_mm[0, 0] == pytest.approx(e) for p in (posterior, anterior) for e in ends)
    assert arc_pairs(assessment.closures, "pin")[0].name == assessment.decision.worst.landmark


def test_arcs_figure_prints_the_factor_and_draws_the_scaled_path(assessment):
    figure = draw_figure("arcs", assessment)
    for k, pair in enumerate(arc_pairs(assessment.closures, "pin")):
        (true_scale,) = drawn(figure, f"path-arbitrary-{k}")
        (enlarged,) = drawn(figure, f"enlarged-arbitrary-{k}")
        np.testing.assert_array_equal(true_scale.get_ydata(), pair.arbitrary_mm[:, 2])
        np.testing.assert_array_equal(enlarged.get_ydata(), pair.drawn_mm[:, 2])
        titles = [axes.get_title(loc="left") for axes in figure.axes]
        assert any(pair.name in t and f"×{pair.factor}" in t for t in titles)


def test_record_at_the_target_draws_no_arc_and_says_so():
    a = hand_assessment(
        meshes=False, changes={"record": {"as_scanned": True}, "target": {"as_scanned": True}}
    )
    figure = draw_figure("arcs", a)
    texts = [t.get_text() for axes in figure.axes for t in axes.texts]
    assert any("same pose" in t for t in texts)


def test_arch_figure_places_discs_and_arrows_by_the_record(assessment):
    figure = draw_figure("arch", assessment)
    (discs,) = drawn(figure, "discs")
    (arrows,) = drawn(figure, "shift")
    index = tooth_table(assessment, "pin").index
    points = assessment.landmarks.points_mm[index]
    np.testing.assert_allclose(discs.get_offsets(), np.c_[points[:, 1], -points[:, 0]])
    factor = arrow_factor(assessment, "pin")
    shift = assessment.stops["pin"].error_mm[index]
    np.testing.assert_allclose(arrows.U, factor * shift[:, 1])
    np.testing.assert_allclose(arrows.V, -factor * shift[:, 0])
    assert f"×{factor}" in figure.axes[0].get_title(loc="left")


def test_axis_is_met_at_the_side_asked_for(assessment):
    point = at_side(assessment.arbitrary_axis, 20.0)
    assert point[1] == pytest.approx(20.0)
    assert assessment.arbitrary_axis.distance_mm(point) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("name", list(FIGURES))
def test_every_figure_becomes_one_self_contained_svg_and_a_png(assessment, name):
    figure = draw_figure(name, assessment)
    svg = to_svg(figure, name, "title & <b>")
    assert svg.startswith("<svg")
    assert "://" not in svg
    assert "title &amp; &lt;b&gt;" in svg
    ids = re.findall(r'\bid="([^"]+)"', svg)
    assert len(ids) == len(set(ids))
    assert all(re.fullmatch(rf"{name}-\S+", i) for i in ids)
    used = set(re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', svg))
    assert {a or b for a, b in used} <= set(ids)
    assert f"var(--ink,{LIGHT.ink})" in svg
    assert to_png(figure, dpi=40).startswith(b"\x89PNG")


def test_equal_figures_give_equal_svg(assessment):
    first, second = (to_svg(draw_figure("arcs", assessment), "arcs", "t") for _ in range(2))
    assert first == second


@pytest.mark.parametrize("name", list(FIGURES))
def test_figures_survive_names_that_look_like_formulas_and_one_lone_landmark(name):
    marks = [{"name": r"$\frac{1}{ 41 & x", "tooth": 41, "point_mm": [90.0, 0.0, -36.0]}]
    to_svg(draw_figure(name, hand_assessment(meshes=False, landmarks=marks)), name, "t")


@pytest.mark.parametrize("name", list(FIGURES))
def test_figures_survive_equal_axes_and_unlabelled_landmarks(name):
    marks = [
        {"name": f"a rather long name of site {k}", "point_mm": [50.0 + 4 * k, 20.0 - 3 * k, -36.0]}
        for k in range(10)
    ]
    zero = dict.fromkeys(hand_zero_offsets(), 0.0)
    a = hand_assessment(
        meshes=False,
        landmarks=marks,
        changes={"arbitrary_axis": zero, "record": {"opening_deg": 2.0}},
    )
    assert a.decision.worst.displacement_mm == pytest.approx(0.0, abs=1e-9)
    to_svg(draw_figure(name, a), name, "t")


def hand_zero_offsets():
    return (
        "left_anterior_mm",
        "left_superior_mm",
        "right_anterior_mm",
        "right_superior_mm",
    )


@given(st.floats(1e-6, 1e3), st.floats(1e-3, 1e3))
def test_nice_factor_fits_the_room_or_is_one(size, wanted):
    factor = nice_factor(size, wanted)
    assert factor == 1 or factor * size <= wanted


@given(st.lists(st.floats(-50, 150), min_size=1, max_size=12), st.floats(0.1, 30))
def test_spread_keeps_order_room_and_gaps(values, gap):
    wanted = np.sort(np.array(values))
    at = spread(wanted.copy(), gap, 0.0, 100.0)
    assert at.min() >= -1e-6
    assert at.max() <= 100.0 + 1e-6
    least = min(gap, 100.0 / max(len(values) - 1, 1))
    assert (np.diff(at) >= least - 1e-6).all()


def test_wrapped_names_keep_to_their_lines():
    text = wrapped("left lower second molar distobuccal cusp tip " * 4, 20)
    assert len(text.splitlines()) == 3
    assert max(map(len, text.splitlines())) <= 20
