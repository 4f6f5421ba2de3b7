"""The report's further sections: there only with their material, and the record's own numbers."""

from __future__ import annotations

import io
import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.console import Console

from kinematics.base.words import room_words
from kinematics.decision.words import how_sure
from kinematics.uncertainty.chance import wilson_interval
from tests.makers.small_assessment import hand_assessment
from tests.report.test_page import Page, number, page_of
from viewer.command.terminal import print_assessment
from viewer.figures.risk import RISK_FIGURES
from viewer.look.text import chance
from viewer.report import outputs
from viewer.report.captions import FIGURE_TEXT
from viewer.report.excursions import excursion_paragraphs, excursion_table
from viewer.report.sections import extra_figures, extra_sections
from viewer.report.tables import what_would_add

TITLES = (
    "How sure is it",
    "When does it matter",
    "What the spread comes from",
    "The transfer",
    "Excursions",
    "Border figure and guidance",
)
TABLES = {
    "uncertainty": {"true_axis_sd_mm": 0.7, "seed": 5},
    "articulator": {"sagittal_inclination_left_deg": 38.0},
    "third_point": {"kind": "orbitale", "error_superior_mm": 3.0, "reach_mm": 73.0},
}


@pytest.fixture(scope="module")
def bare():
    return hand_assessment(meshes=False)


@pytest.fixture(scope="module")
def full():
    return hand_assessment(meshes=False, changes=TABLES)


@pytest.fixture(scope="module")
def sections(full):
    return {s.title: s for s in extra_sections(full)}


@pytest.fixture(scope="module")
def page(full, sections):
    return Page(page_of(full, svgs={}, plates={}, extra=tuple(sections.values())))


def only(full, *names):
    """The full assessment with the material of some sections only."""
    empty = replace(full.transfer, third_point=None, side_extension=None, slip=None, sentences=())
    return replace(
        full,
        risk=full.risk if "risk" in names else None,
        excursions=full.excursions if "excursions" in names else None,
        transfer=full.transfer if "transfer" in names else empty,
    )


def test_a_case_with_every_table_has_every_section_in_order(sections):
    assert tuple(sections) == TITLES


def test_a_bare_case_has_its_chances_by_defaults_and_is_told_what_would_add(bare):
    assert tuple(s.title for s in extra_sections(bare)) == TITLES[:3]
    assert set(extra_figures(bare)) == {"probability", "worst", "decision", "ranking"}
    said = " ".join(line for _, lines in extra_sections(bare)[0].lists for line in lines)
    assert "The case does not say it: a default" in said
    text = Page(page_of(bare, plates={})).text
    assert what_would_add(bare) in text
    for name in TABLES:
        assert f"[{name}]" in what_would_add(bare)
    assert not any(title in text for title in TITLES[3:])


def test_a_case_with_every_table_is_told_nothing_more(full, page):
    assert what_would_add(full) == ""
    assert "can add to this report" not in page.text


@pytest.mark.parametrize(
    ("names", "titles"),
    [(("risk",), TITLES[:3]), (("transfer",), TITLES[3:4]), (("excursions",), TITLES[4:])],
)
def test_each_section_comes_with_its_own_material_alone(full, names, titles):
    assert tuple(s.title for s in extra_sections(only(full, *names))) == titles


def test_no_section_is_empty_and_every_table_has_rows(sections):
    for section in sections.values():
        assert section.paragraphs
        assert all(t.rows for t in section.tables)
        for table in section.tables:
            assert {len(r) for r in table.rows} == {len(table.head)} == {len(table.numeric)}


def test_without_anything_that_varies_there_is_no_ranking(full):
    a = replace(full, risk=replace(full.risk, ranking=()))
    assert "What the spread comes from" not in [s.title for s in extra_sections(a)]
    assert "ranking" not in extra_figures(a)


def test_the_page_with_all_sections_is_well_formed_with_unique_ids(page):
    assert len(page.ids) == len(set(page.ids))
    assert all(a.startswith(("data:", "#")) for a in page.addresses)
    for name in (*RISK_FIGURES, "paths", "error"):
        assert FIGURE_TEXT[name][0] in page.text


def test_sentences_of_the_record_are_in_the_report(full, page):
    spread = full.risk.spread
    for sentence in (*how_sure(spread), *spread.assumptions, *full.transfer.sentences):
        assert sentence in page.text
    assert full.risk.ranking[0].sentence in page.text
    assert spread.population in page.text
    assert "seed 5" in page.text
    assert "had settled" in page.text


def test_the_chance_stands_beside_the_answer(page):
    assert page.text.index("chance beyond tolerance") < page.text.index("Ways out")


def test_a_run_that_did_not_settle_says_so(full):
    spread = replace(full.risk.spread, status="not_stabilised", failed_trials=12)
    found = extra_sections(replace(only(full), risk=replace(full.risk, spread=spread)))
    text = " ".join(found[0].paragraphs)
    assert "NOT settled" in text
    assert "12 draws could not be closed" in text


def test_chances_repeat_the_record(full, page):
    spread = full.risk.spread
    rows = page.tables["Chance of an error beyond 100 µm, by tooth"]
    assert rows[0][2:] == [way.name for way in spread.ways]
    for row in rows[1:-1]:
        at = spread.names.index(row[1])
        assert str(spread.teeth[at]) == row[0]
        for text, way in zip(row[2:], spread.ways):
            assert text == chance(float(way.beyond[at]), spread.trials)
    assert rows[-1][0] == "anywhere"
    assert rows[-1][2] == spread.ways[0].chances.closure.words()


def test_coverage_intervals_repeat_the_record_worst_first(full, page):
    q = full.risk.spread.quantities["magnitude"]
    rows = page.tables["Size of the error where it is largest, 95 % coverage"][1:]
    means = [number(r[1]) for r in rows]
    assert means == sorted(means, reverse=True)
    assert means[0] == pytest.approx(1e3 * q.mean.max(), abs=0.501)
    for row in rows:
        i = full.risk.spread.names.index(row[0])
        assert number(row[2]) == pytest.approx(1e3 * q.uncertainty[i], abs=0.501)
        for text, ends in ((row[3], q.symmetric), (row[4], q.shortest), (row[7], q.gum_interval)):
            shown = [number(t) for t in text.split(" to ")]
            np.testing.assert_allclose(shown, 1e3 * ends[i], atol=0.501)
        assert row[8].endswith("yes" if q.gum_validated[i] else "no")


def test_largest_closures_and_value_of_locating_are_said(full, page):
    spread = full.risk.spread
    points = 100.0 * spread.value_of_locating
    note = re.search(r"Locating the axis lowers that chance by (\S+) percentage", page.text)
    if points < 1.0:
        assert "does not lower that chance by as much as one percentage point" in page.text
    else:
        assert number(note[1]) == pytest.approx(points, abs=0.501)
    room = room_words(spread.largest_closure_mm)
    assert f"may reach {room} at the incisors on the arbitrary axis" in page.text


def test_third_point_table_repeats_the_record(full, page):
    effect = full.transfer.third_point
    rows = page.tables["Third reference point"][1:]
    assert [number(t) for t in rows[0][1:3]] == pytest.approx(effect.sagittal_deg, abs=0.051)
    assert number(rows[2][2]) == pytest.approx(effect.tilt_deg, abs=0.0051)


def test_readings_and_residuals_of_the_mounting_are_shown_largest_first(full):
    k = len(full.landmarks.names)
    sd = np.tile([0.1, 0.2, 0.2], (k, 1)) * np.arange(1, k + 1)[:, None] / k
    told = replace(full.mounting, influences=(("orbitale to left", 0.4), ("width", 0.1)))
    geometry = replace(full.geometry, placed=replace(full.placed, mounting=told))
    a = replace(only(full), closures=replace(full.closures, geometry=geometry))
    a = replace(a, transfer=replace(a.transfer, mounting_sd_mm=sd))
    (section,) = extra_sections(a)
    readings, where = section.tables
    assert readings.rows == (("orbitale to left", "400"), ("width", "100"))
    assert where.rows[0][0] == full.landmarks.names[-1]
    assert number(where.rows[0][-1]) == pytest.approx(300.0)
    assert where.head[-1] == "all, µm"
    far = replace(a, transfer=replace(a.transfer, mounting_sd_mm=10.0 * sd))
    where = extra_sections(far)[0].tables[1]
    assert where.head[-1] == "all, mm"
    assert number(where.rows[0][-1]) == pytest.approx(3.0)


@pytest.mark.parametrize("kind", ["protrusion", "left_lateral", "right_lateral"])
def test_excursion_tables_repeat_the_record_one_row_a_tooth(full, kind):
    e = full.excursions
    error = e.kinds[kind]
    table = excursion_table(e, kind, full.landmarks.teeth)
    end = np.linalg.norm(error.error_mm[-1], axis=1)
    assert number(table.rows[0][1]) == pytest.approx(1e3 * end.max(), abs=0.501)
    assert len({full.landmarks.teeth[e.names.index(r[0])] for r in table.rows}) == 5
    for row in table.rows:
        j = e.names.index(row[0])
        shown = [number(t) for t in row[2:5]]
        np.testing.assert_allclose(shown, 1e3 * error.error_mm[-1, j], atol=0.501)
        way = error.articulator_mm[-1, j] - error.articulator_mm[0, j]
        # The descent's tangent and the heading, from the chord itself.
        down = np.degrees(np.arctan(-way[2] / np.hypot(way[0], way[1])))
        assert number(row[7]) == pytest.approx(down, abs=0.051)
        assert number(row[9]) == pytest.approx(
            np.degrees(np.angle(complex(way[0], way[1]))), abs=0.051
        )
    assert "Both go to the end." in table.note


def test_an_excursion_that_stops_early_is_told_with_its_reason(full):
    e = full.excursions
    halted = SimpleNamespace(
        complete=False, message="47 meets 17.", side_shift_mm=[0.0], way_mm=[0.0, 1.25]
    )
    stopped = replace(e, kinds={"protrusion": replace(e.kinds["protrusion"], articulator=halted)})
    text = " ".join(excursion_paragraphs(stopped, 0.1))
    assert (
        "The protrusion movement of the articulator stops early, after 1.25 mm: 47 meets 17."
        in text
    )
    note = excursion_table(stopped, "protrusion", full.landmarks.teeth).note
    assert "articulator stops early, after 1.25 mm: 47 meets 17." in note
    assert "The patient goes to the end" in note


def test_the_excursions_carry_the_caution_and_the_worst_error(full, sections):
    text = " ".join(sections["Excursions"].paragraphs)
    kind, name, size = full.excursions.worst()
    assert "not a medical device" in text
    assert "a third reference point +3.0 mm off" in text
    assert "of the axis alone" in " ".join(excursion_paragraphs(full.excursions, 0.1))
    assert f"up to {1e3 * size:.0f} µm: in the {kind.replace('_', ' ')} movement, at {name}" in text
    assert "No excursion leaves" in " ".join(excursion_paragraphs(full.excursions, 50.0))


@given(st.integers(0, 20_000), st.integers(1, 20_000))
def test_a_chance_never_claims_more_than_its_trials_can_carry(hits, trials):
    share = min(hits, trials) / trials
    text = chance(share, trials)
    high = wilson_interval(share, trials)[1]
    if text.startswith("under") and text != "under 0.1 %":
        assert float(text.split()[1]) / 100.0 >= high - 1e-12
    if text == "under 0.1 %":
        assert high <= 0.001 or share > 0.0


def test_no_hit_in_a_thousand_trials_is_not_called_under_a_tenth_of_a_percent():
    assert chance(0.0, 1_000) == "under 0.4 %"
    assert chance(0.0, 20_000) == "under 0.1 %"


def test_markup_in_names_does_not_act(full):
    evil = "<script>alert(1)</script>"
    names = (evil, *full.risk.spread.names[1:])
    a = replace(
        full,
        risk=replace(
            full.risk,
            spread=replace(full.risk.spread, population=evil, assumptions=(evil,)),
        ),
        excursions=replace(full.excursions, names=names),
    )
    page = Page(page_of(a, svgs={}, plates={}, extra=extra_sections(a)))
    assert "script" not in page.tags
    assert page.text.count(evil) >= 2


def test_the_figures_are_written_beside_the_report(full, bare, tmp_path):
    written = {p.name for p in outputs.write_outputs(full, tmp_path, pictures=False)}
    assert set(outputs.EXTRA_FILES.values()) <= written
    for name in outputs.EXTRA_FILES.values():
        assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")
    outputs.write_outputs(bare, tmp_path, pictures=False)
    extra = {p.name for p in tmp_path.iterdir()} & set(outputs.EXTRA_FILES.values())
    assert extra == {outputs.EXTRA_FILES[name] for name in extra_figures(bare)}


def test_the_terminal_says_the_chance_and_the_worst_excursion_in_few_lines(full, bare):
    def said(a):
        console = Console(width=400, record=True, file=io.StringIO())
        print_assessment(console, a, ())
        return console.export_text()

    text = said(full)
    assert how_sure(full.risk.spread)[0] in text
    assert "In excursions the articulator is off by up to" in text
    assert len(text.splitlines()) - len(said(bare).splitlines()) <= 5
