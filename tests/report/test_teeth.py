"""The report's sections on teeth and guidance show the record's own numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from kinematics.assessment import assess
from kinematics.casts.cast import load_cast
from kinematics.casts.clearance import CLEARANCE_LIMIT_MM, NEAR_CONTACT_MM
from tests.excursions.test_details import demo, quick, small_case, wall, wide  # noqa: F401
from tests.report.test_page import Page, number, page_of
from viewer.figures.draw import draw_figure, to_svg
from viewer.figures.teeth import MAP_LIMIT_MM, TOOTH_FIGURES, touching_places
from viewer.look.palette import clearance_colours, signed_colours
from viewer.report import outputs
from viewer.report.captions import FIGURE_TEXT
from viewer.report.excursions import (
    contact_sentence,
    depth_words,
    excursion_sentences,
    way_sentence,
)
from viewer.report.sections import extra_figures, extra_sections
from viewer.report.teeth import (
    clearance_table,
    contact_tables,
    tooth_paragraphs,
)

SHOWN = (*TOOTH_FIGURES, "borders", "arcon")
"""Figures of both sections."""


@pytest.fixture(scope="module")
def biting(tmp_path_factory):
    """The pin guides a level front; a wall stands in the way of the incisor."""
    return assess(small_case(tmp_path_factory.mktemp("biting"), [*wide(), wall(0.5)]))


def patches(figure, start):
    return [
        p for axes in figure.axes for p in axes.patches if (p.get_gid() or "").startswith(start)
    ]


def test_both_sections_come_with_all_their_figures_and_tables(demo):  # noqa: F811
    figures = extra_figures(demo)
    assert set(SHOWN) <= set(figures)
    sections = {s.title: s for s in extra_sections(demo, figures)}
    assert len(sections["Teeth in the excursions"].svgs) == 3
    assert len(sections["Border figure and guidance"].svgs) == 2
    page = Page(page_of(demo, svgs={}, plates={}, extra=tuple(sections.values())))
    assert len(page.ids) == len(set(page.ids))
    assert all(a.startswith(("data:", "#")) for a in page.addresses)
    for name in SHOWN:
        title, text = FIGURE_TEXT[name]
        assert title in page.text
        assert text in page.text
    assert contact_sentence(demo.excursions) in page.text


def test_without_casts_only_the_guidance_is_told(demo):  # noqa: F811
    e = demo.excursions
    bare = replace(demo, excursions=replace(e, details=replace(e.details, pair=None, teeth={})))
    titles = [s.title for s in extra_sections(bare)]
    assert "Teeth in the excursions" not in titles
    assert "Border figure and guidance" in titles
    assert contact_sentence(bare.excursions) == way_sentence(bare.excursions) == ""


def test_the_bars_are_the_spans_of_the_contacts(demo):  # noqa: F811
    d = demo.excursions.details
    figure = draw_figure("contacts", d)
    for kind, both in d.teeth.items():
        for who, along in (("patient", both.patient), ("articulator", both.articulator)):
            half = 0.5 * np.diff(along.way_mm).mean()
            for i in touching_places(both.patient, both.articulator):
                bars = patches(figure, f"touch-{kind}-{who}-{i}-")
                drawn = sorted((b.get_x(), b.get_x() + b.get_width()) for b in bars)
                end = along.way_mm[-1]
                expected = [(max(a - half, 0.0), min(b + half, end)) for a, b in along.spans_mm(i)]
                np.testing.assert_allclose(drawn, expected, atol=1e-9)


def test_the_two_rows_of_bars_differ_in_place_and_colour(demo):  # noqa: F811
    figure = draw_figure("contacts", demo.excursions.details)
    mouth, machine = (patches(figure, f"touch-left_lateral-{w}")[0] for w in
                      ("patient", "articulator"))  # fmt: skip
    assert mouth.get_facecolor() != machine.get_facecolor()
    assert mouth.get_y() + mouth.get_height() < machine.get_y()


def test_the_traces_drawn_are_the_records(demo):  # noqa: F811
    d = demo.excursions.details
    figure = draw_figure("traces", d)
    lines = {x.get_gid(): x for axes in figure.axes for x in axes.lines if x.get_gid()}
    for panel in ("lower", "upper"):
        drawn = [t for t in d.traces if t.traced_on == panel]
        for k, trace in enumerate(drawn):
            for who in ("patient", "articulator"):
                points = trace.path_mm[who]
                shown = lines[f"trace-{panel}-{k}-{who}"].get_xydata()
                np.testing.assert_allclose(shown, np.stack([points[:, 1], -points[:, 0]], axis=1))
    assert any(name.startswith("trace-zoom") for name in lines)


def test_the_map_is_coloured_by_the_clearance_at_each_vertex(demo):  # noqa: F811
    d = demo.excursions.details
    figure = draw_figure("clearance", d)
    drawn = {c.get_gid(): c for axes in figure.axes for c in axes.collections if c.get_gid()}
    assert set(drawn) == {f"clearance-{k}-{w}" for k in d.teeth for w in ("patient", "articulator")}
    along = d.teeth["left_lateral"].patient
    colours = drawn["clearance-left_lateral-patient"].get_facecolors()[:, :3]
    # Green where it is clear, and darkest where it touches: red is least there.
    darkest = colours[:, 0].min()
    touching = clearance_colours([0.0], MAP_LIMIT_MM, NEAR_CONTACT_MM)[0, 0]
    assert darkest < touching + 0.15
    assert np.nanmin(along.vertex_end_mm) == pytest.approx(0.0, abs=NEAR_CONTACT_MM)


def test_clearance_colours_are_halves_of_the_signed_map():
    value = np.array([0.0, 1.5, 3.0, np.inf, -0.05, -0.0501, -3.0, -9.0])
    got = clearance_colours(value, CLEARANCE_LIMIT_MM, NEAR_CONTACT_MM)
    open_end, neutral, high_end = signed_colours([-1.0, 0.0, 1.0], 1.0)
    np.testing.assert_allclose(got[0], open_end)
    np.testing.assert_allclose(got[2], neutral)
    np.testing.assert_allclose(got[3], neutral)
    np.testing.assert_allclose(got[4], open_end)  # within a foil's thickness it touches
    np.testing.assert_allclose(got[6], high_end)
    np.testing.assert_allclose(got[7], high_end)
    assert got[5][1] < got[5][0]  # magenta: less green than red
    # Lightness tells clear apart from touching without any hue.
    grey = got @ [0.2126, 0.7152, 0.0722]
    assert grey[0] < grey[1] < grey[2]


def test_tables_repeat_the_record(demo):  # noqa: F811
    d = demo.excursions.details
    table = clearance_table(d)
    kinds = list(d.teeth)
    assert [r[0] for r in table.rows] == [
        "47", "46", "45", "44", "43", "42", "41", "31", "32", "33", "34", "35", "36", "37"
    ]  # fmt: skip
    for row in table.rows:
        for k, kind in enumerate(kinds):
            for w, who in enumerate(("patient", "articulator")):
                along = getattr(d.teeth[kind], who)
                end = along.end_mm[along.places.index(row[0])]
                shown = row[1 + 2 * k + w]
                if np.isinf(end):
                    assert shown == "over 3"
                else:
                    assert number(shown) == pytest.approx(end, abs=0.0051)
    (contacts,) = contact_tables(d)
    assert len(contacts.rows) == sum(
        len(touching_places(b.patient, b.articulator)) for b in d.teeth.values()
    )
    canine = next(r for r in contacts.rows if r[2] == "left lateral" and r[0] == "33")
    assert (canine[1], canine[3]) == ("23", "working")
    assert canine[4] == canine[5] == "0.00 to 5.00"


def test_a_tooth_in_the_way_of_the_pin_is_told_with_its_depth(biting):
    e = biting.excursions
    assert e.front == "pin"
    along = e.details.teeth["protrusion"].patient
    i = along.places.index("31")
    deep = -along.least_mm[i]
    assert deep > 2 * NEAR_CONTACT_MM
    words = way_sentence(e)
    deepest = max(deep, -e.details.teeth["protrusion"].articulator.least_mm[i])
    assert f"31 into 11 ({depth_words(deepest)})" in words
    assert words in excursion_sentences(e)[1]
    assert "Casts do not yield" in " ".join(tooth_paragraphs(e))
    figure = draw_figure("contacts", e.details)
    assert patches(figure, "deep-protrusion-patient")
    one = way_sentence(e, 1)
    assert one.count("(") == 1
    assert one.endswith(f"; and {words.count('(') - 1} more.")


def test_a_depth_near_the_limit_of_the_search_is_told_as_a_lower_bound_alone():
    assert depth_words(0.9) == "0.90 mm"
    assert depth_words(0.901) == depth_words(1.0) == "over 0.9 mm"


def test_every_figure_is_a_picture_that_keeps_to_itself(demo):  # noqa: F811
    for name, figure in extra_figures(demo).items():
        if name in SHOWN:
            svg = to_svg(figure, name, "a <title>")
            assert 'href="http' not in svg
            assert "var(--true," in svg or name in ("arcon",)
            assert svg == to_svg(figure, name, "a <title>")


def test_the_border_figure_draws_both_parts_of_both(demo):  # noqa: F811
    b = demo.excursions.details.border
    figure = draw_figure("borders", b)
    lines = {x.get_gid(): x for axes in figure.axes for x in axes.lines if x.get_gid()}
    for who in ("patient", "articulator"):
        for part, places in (("hinge", b.hinge_mm), ("protrusion", b.protrusive_mm)):
            move = places[who] - b.hinge_mm["patient"][0]
            np.testing.assert_allclose(
                lines[f"border-{part}-{who}"].get_xydata(), move[:, [0, 2]], atol=1e-12
            )


def test_the_arcon_figure_draws_before_and_after_in_micrometres(demo):  # noqa: F811
    c = demo.excursions.details.arcon
    figure = draw_figure("arcon", c)
    lines = {x.get_gid(): x for axes in figure.axes for x in axes.lines if x.get_gid()}
    for kind in c.difference_mm:
        for role, moves in (("ink", c.difference_mm), ("quiet", c.unchanged_mm)):
            size = 1e3 * np.linalg.norm(moves[kind], axis=2).max(axis=1)
            np.testing.assert_allclose(lines[f"arcon-{kind}-{role}"].get_ydata(), size)
    assert figure.axes[0].get_ylim()[1] > 1e3 * max(
        np.linalg.norm(d, axis=2).max() for d in c.difference_mm.values()
    )


def test_a_locked_excursion_is_marked_where_it_stops(tmp_path):
    a = quick(small_case(tmp_path, [*wide(), wall()], front="teeth"))
    figure = draw_figure("contacts", a.excursions.details)
    protrusion, lateral = figure.axes[0], figure.axes[1]
    said = {t.get_text().strip() for t in protrusion.texts}
    assert said == {"patient stops", "articulator stops"}
    assert not lateral.texts
    stops = sorted(line.get_xdata()[0] for line in protrusion.lines)
    both = a.excursions.details.teeth["protrusion"]
    assert stops == sorted([both.patient.way_mm[-1], both.articulator.way_mm[-1]])


def test_files_of_the_teeth_are_written_with_the_maps_numbers(biting, tmp_path):
    written = {p.name for p in outputs.write_outputs(biting, tmp_path, pictures=False)}
    assert set(outputs.TOOTH_FILES.values()) | {"lower_clearance.ply"} <= written
    cast, _ = load_cast(tmp_path / "lower_clearance.ply", "lower")
    assert len(cast.vertices_mm) == len(biting.closures.lower_target.vertices_mm)
    fields = outputs.clearance_fields(biting)
    assert set(fields) == {
        f"{when}_{kind}_{who}_um"
        for when in ("end", "least")
        for kind in ("protrusion", "left_lateral", "right_lateral")
        for who in ("patient", "articulator")
    }
    along = biting.excursions.details.teeth["protrusion"].patient
    np.testing.assert_allclose(
        fields["end_protrusion_patient_um"][biting.closures.occlusal_index],
        1e3 * along.vertex_end_mm,
    )
    head = (tmp_path / "lower_clearance.ply").read_bytes()[:1500]
    for name in fields:
        assert name.encode() in head
