"""The figures of the uncertainty draw the record's own numbers."""

from __future__ import annotations

from dataclasses import replace

import matplotlib.colors
import numpy as np
import pytest

from kinematics.uncertainty.departure import DecisionChart
from tests.makers.small_assessment import RIGHT_TO_LEFT, hand_assessment, with_placed
from viewer.figures.draw import draw_figure, to_png, to_svg
from viewer.figures.risk import RISK_FIGURES, WAY, tooth_chances
from viewer.look.palette import LIGHT


@pytest.fixture(scope="module")
def assessment():
    return hand_assessment(meshes=False, changes={"uncertainty": {"true_axis_sd_mm": 0.7}})


def by_gid(figure, kind):
    """Everything of a figure whose gid starts with ``kind``."""
    found = [a for a in figure.findobj() if str(a.get_gid() or "").startswith(kind)]
    return {a.get_gid(): a for a in found}


def with_chart(a, chart):
    return replace(a, risk=replace(a.risk, chart=chart))


def product_chart(tolerance_mm=0.1, size=20.0):
    """A chart of our own: error (µm) = ``size`` times departure times axis error (mm)."""
    d, e = np.linspace(0.0, 6.0, 13), np.linspace(0.0, 12.0, 13)
    worst = 1e-3 * size * np.outer(d, e)
    return DecisionChart(d, e, worst, 0.8 * worst, (worst > tolerance_mm) * 1.0, tolerance_mm)


def test_chance_of_a_tooth_is_that_of_its_worst_landmark(assessment):
    spread = assessment.risk.spread
    doubled = replace(
        spread,
        names=(*spread.names, "47 second"),
        teeth=(*spread.teeth, 47),
        ways=tuple(replace(w, beyond=np.append(w.beyond, 0.99)) for w in spread.ways),
    )
    labels, chance, at = tooth_chances(
        replace(assessment, risk=replace(assessment.risk, spread=doubled)), "as planned"
    )
    assert labels == tuple(str(t) for t in RIGHT_TO_LEFT)
    assert (chance[0], at[0]) == (0.99, "47 second")
    before = tooth_chances(assessment, "as planned")
    np.testing.assert_array_equal(chance[1:], before[1][1:])
    assert at[1:] == before[2][1:]


@pytest.mark.parametrize("role", ["arbitrary", "located"])
def test_bars_are_the_chances_of_the_teeth_then_of_the_whole_arch(assessment, role):
    bars = by_gid(draw_figure("probability", assessment), f"chance-{role}-")
    way = assessment.risk.spread.way(WAY[role])
    heights = [bars[f"chance-{role}-{i}"].get_height() for i in range(len(bars))]
    # One landmark a tooth here, in the order of the arch.
    names = [f"{t} highest point" for t in RIGHT_TO_LEFT]
    beyond = [way.beyond[assessment.risk.spread.names.index(n)] for n in names]
    np.testing.assert_allclose(
        heights, [*(100.0 * b for b in beyond), 100.0 * way.chances.closure.value]
    )


def test_the_two_axes_differ_by_more_than_colour(assessment):
    bars = by_gid(draw_figure("probability", assessment), "chance-")
    assert bars["chance-arbitrary-0"].get_hatch()
    assert not bars["chance-located-0"].get_hatch()
    drawn = by_gid(draw_figure("worst", assessment), "interval-")
    styles = {name: line.get_linestyle() for name, line in drawn.items()}
    assert styles["interval-arbitrary"] != styles["interval-located"]


@pytest.mark.parametrize("role", ["arbitrary", "located"])
def test_spread_holds_every_trial_and_its_bar_the_coverage(assessment, role):
    figure = draw_figure("worst", assessment)
    values = 1e3 * assessment.risk.spread.worst_displacement_mm[WAY[role]]
    stairs = by_gid(figure, f"spread-{role}")[f"spread-{role}"].get_data()
    assert stairs.values.sum() == pytest.approx(100.0)
    mean = np.average(0.5 * (stairs.edges[1:] + stairs.edges[:-1]), weights=stairs.values)
    assert mean == pytest.approx(values.mean(), abs=0.5 * np.diff(stairs.edges)[0])
    low, high = by_gid(figure, f"interval-{role}")[f"interval-{role}"].get_xdata()
    assert np.mean((values >= low) & (values <= high)) == pytest.approx(0.95, abs=1e-3)
    assert np.mean(values < low) == pytest.approx(0.025, abs=1e-3)


def test_tolerance_stands_where_the_case_put_it(assessment):
    line = by_gid(draw_figure("worst", assessment), "tolerance")["tolerance"]
    np.testing.assert_allclose(line.get_xdata(), 100.0)


def test_a_tolerance_far_beyond_every_error_leaves_the_errors_legible(assessment):
    told = assessment.risk.spread
    wide = told.decision.model_copy(update={"tolerance_mm": 9.0})
    spread = replace(told, decision=wide)
    figure = draw_figure("worst", replace(assessment, risk=replace(assessment.risk, spread=spread)))
    largest = 1e3 * max(v.max() for v in spread.worst_displacement_mm.values())
    assert figure.axes[0].get_xlim()[1] == pytest.approx(2.0 * largest)
    assert any("9000 µm →" in t.get_text() for t in figure.axes[0].texts)


def test_trials_that_never_differ_are_drawn(assessment):
    spread = replace(
        assessment.risk.spread,
        worst_displacement_mm={"as planned": np.full(50, 0.12), "located axis": np.zeros(50)},
    )
    figure = draw_figure("worst", replace(assessment, risk=replace(assessment.risk, spread=spread)))
    for role in ("arbitrary", "located"):
        stairs = by_gid(figure, f"spread-{role}")[f"spread-{role}"].get_data()
        np.testing.assert_allclose(stairs.values, [100.0])


def test_tolerance_line_of_the_chart_is_the_hyperbola_of_a_product_error(assessment):
    figure = draw_figure("decision", with_chart(assessment, product_chart()))
    for gid, share in (("tolerance-dotted", 1.0), ("tolerance-dashed", 0.8)):
        path = by_gid(figure, gid)[gid].get_paths()[0].vertices
        # 20 d a = 100 µm; both grids are fine enough for linear pieces between their lines.
        np.testing.assert_allclose(share * 20.0 * path[:, 0] * path[:, 1], 100.0, rtol=2e-3)
        assert len(path) > 20


def test_the_chart_marks_this_case_at_its_departure_and_its_axis_errors(assessment):
    mark = by_gid(draw_figure("decision", assessment), "this-case")["this-case"]
    off = sorted([np.hypot(4.0, 3.0), np.hypot(5.5, 1.0)])
    np.testing.assert_allclose(mark.get_xdata(), abs(assessment.departure_mm))
    np.testing.assert_allclose(mark.get_ydata(), off)


def test_a_case_of_a_population_is_marked_by_its_departure_alone(assessment):
    table = assessment.case.uncertainty.model_copy(
        update={"arbitrary_axis": "disc", "radius_mm": 5.0}
    )
    a = with_placed(assessment, case=assessment.case.model_copy(update={"uncertainty": table}))
    mark = by_gid(draw_figure("decision", a), "this-case")["this-case"]
    np.testing.assert_allclose(mark.get_xdata(), abs(assessment.departure_mm))
    assert list(mark.get_ydata()) == [0, 1]  # from the bottom of the chart to its top


@pytest.mark.parametrize("tolerance", [1e-4, 50.0])
def test_a_chart_wholly_on_one_side_of_the_tolerance_is_drawn(assessment, tolerance):
    a = with_chart(assessment, product_chart(tolerance))
    figure = draw_figure("decision", a)
    assert ("tolerance-dotted" in by_gid(figure, "tolerance-")) == (tolerance < 1.0)


def test_a_case_off_the_chart_is_kept_at_its_edge_and_says_so(assessment):
    chart = product_chart()
    small = replace(chart, axis_error_mm=chart.axis_error_mm / 4.0)
    figure = draw_figure("decision", with_chart(assessment, small))
    assert max(by_gid(figure, "this-case")["this-case"].get_ydata()) == 3.0
    assert any("beyond the chart" in t.get_text() for t in figure.axes[0].texts)


def test_ranking_bars_are_the_total_shares_largest_on_top(assessment):
    figure = draw_figure("ranking", assessment)
    bars = by_gid(figure, "share-")
    widths = [bars[f"share-{i}"].get_width() for i in range(len(bars))]
    np.testing.assert_allclose(widths, [100.0 * r.total for r in assessment.risk.ranking])
    assert widths == sorted(widths, reverse=True)
    assert figure.axes[0].yaxis_inverted()


@pytest.mark.parametrize("name", list(RISK_FIGURES))
def test_figures_become_svg_with_the_palette_and_png(assessment, name):
    figure = draw_figure(name, assessment)
    svg = to_svg(figure, name, "title")
    roles = {value: role for role, value in vars(LIGHT).items()}
    for text in {part[:7] for part in svg.split("#")[1:] if len(part) > 6}:
        value = "#" + text[:6]
        if value in roles:  # a role's colour only stands behind its variable
            assert svg.count(value) == svg.count(f"var(--{roles[value]},{value})")
    assert "var(--" in svg
    assert to_png(figure, dpi=30).startswith(b"\x89PNG")


@pytest.mark.parametrize("name", list(RISK_FIGURES))
def test_equal_records_give_equal_figures(assessment, name):
    first, second = (to_svg(draw_figure(name, assessment), name, "t") for _ in range(2))
    assert first == second


def test_bars_wear_the_colours_of_the_axes(assessment):
    bars = by_gid(draw_figure("probability", assessment), "chance-")
    seen = {r: matplotlib.colors.to_hex(bars[f"chance-{r}-0"].get_edgecolor()) for r in
            ("arbitrary", "located")}  # fmt: skip
    assert seen == {"arbitrary": LIGHT.arbitrary, "located": LIGHT.true}


def test_before_the_chances_are_known_there_is_nothing_to_draw():
    bare = replace(hand_assessment(meshes=False), risk=None)
    for name in RISK_FIGURES:
        with pytest.raises(ValueError, match="without risk"):
            draw_figure(name, bare)
