"""The report is one file, asks for nothing, escapes everything and repeats the record's numbers."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kinematics.assessment import assess
from kinematics.base.errors import Finding
from kinematics.base.words import CAUTIONS
from tests.makers.cases import landmarks_only
from tests.makers.small_assessment import hand_assessment, with_placed
from viewer.figures.draw import FIGURES
from viewer.look import text as text_of
from viewer.look.palette import DARK, LIGHT
from viewer.report import tables
from viewer.report.page import Section, clean, facts, render_report
from viewer.report.plan import OUTCOME_MARK

PNG = b"\x89PNG not a real one"
VOID = {"meta", "link", "img", "br", "hr", "input"}


class Page(HTMLParser):
    """Reads a page strictly: tags must nest; collects tables, ids, links and text."""

    def __init__(self, text):
        super().__init__()
        self.open, self.ids, self.addresses, self.words = [], [], [], []
        self.tables, self.title = {}, ""
        self.tags = set()
        self.feed(text)
        self.close()
        assert self.open == []

    def handle_starttag(self, tag, attributes):
        self.tags.add(tag)
        for name, value in attributes:
            if name == "id":
                self.ids.append(value)
            if name in ("src", "href", "srcset", "action", "data", "poster", "xlink:href"):
                self.addresses.append(value)
        if tag not in VOID:
            self.open.append(tag)
        if tag == "table":
            self.tables[self.title] = []
        if tag == "tr":
            self.tables[self.title].append([])
        if tag in ("td", "th"):
            self.tables[self.title][-1].append("")

    def handle_startendtag(self, tag, attributes):
        self.handle_starttag(tag, attributes)
        if tag not in VOID:
            self.open.pop()

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" in self.open:
            return
        self.words.append(data)
        if self.open and self.open[-1] == "h3":
            self.title = data
        if self.open and self.open[-1] in ("td", "th"):
            self.tables[self.title][-1][-1] += data

    @property
    def text(self):
        return " ".join(" ".join(self.words).split())


def page_of(a, **more):
    given_ = {
        "svgs": {n: f'<svg id="{n}-x"></svg>' for n in FIGURES},
        "plates": {"oblique": {"light": PNG, "dark": PNG}},
        **more,
    }
    return render_report(a, **given_)


@pytest.fixture(scope="module")
def assessment():
    return hand_assessment()


@pytest.fixture(scope="module")
def html(assessment):
    return page_of(assessment)


@pytest.fixture(scope="module")
def page(html):
    return Page(html)


def number(text):
    return float(text.replace("−", "-").replace("+", ""))


def test_page_is_well_formed_with_unique_ids_and_no_script(page):
    assert len(page.ids) == len(set(page.ids))
    assert not page.tags & {"script", "iframe", "object", "embed", "form", "base"}


def test_page_asks_for_nothing_outside_itself(html, page):
    assert all(a.startswith(("data:", "#")) for a in page.addresses)
    assert not re.search(r"(?i)https?:|//[a-z0-9]|@import|url\((?!#|data:)", html)
    assert "default-src 'none'" in html


def test_the_answer_and_the_caution_come_first(page, assessment):
    text = page.text
    answer = text.index(assessment.decision.sentence)
    caution = text.index(CAUTIONS[0])
    assert answer < caution < text.index("Pictures") < text.index("Numbers")
    for sentence in CAUTIONS:
        assert text.count(sentence) == 2
    assert text.count("arrives too early in the mouth") == 1


def test_light_dark_and_print_take_their_colours_from_the_palette(html):
    assert "prefers-color-scheme: dark" in html
    assert "@media print" in html
    light, dark = f"--true: {LIGHT.true};", f"--true: {DARK.true};"
    assert html.count(light) == 2  # screen and print
    assert html.count(dark) == 1
    assert html.rindex(light) > html.index("@media print")
    assert "size: A4" in html


@pytest.mark.parametrize("stop", ["equal_angle", "pin", "contact"])
def test_landmark_table_repeats_the_record(page, assessment, stop):
    rows = page.tables[tables.landmark_table(assessment, stop).title][1:]
    marks, result = assessment.landmarks, assessment.stops[stop]
    assert [r[0] for r in rows] == list(marks.names)
    for i, row in enumerate(rows):
        assert row[1] == (str(marks.teeth[i]) if marks.teeth[i] else "–")
        np.testing.assert_allclose([number(t) for t in row[2:5]], result.true_mm[i], atol=0.051)
        np.testing.assert_allclose(
            [number(t) for t in row[5:8]], 1e3 * result.error_mm[i], atol=0.501
        )
        assert number(row[8]) == pytest.approx(1e3 * result.magnitude_mm[i], abs=0.501)
        assert number(row[9]) == pytest.approx(1e3 * result.high_mm[i], abs=0.501)


def test_angles_repeat_the_record(page, assessment):
    rows = page.tables["Angles by stop"][1:]
    assert number(rows[0][2]) == pytest.approx(assessment.true_closing_deg, abs=5.1e-4)
    results = list(assessment.stops.values())
    assert len(rows) == 1 + len(results)
    for row, result in zip(rows[1:], results):
        assert number(row[2]) == pytest.approx(result.closing_deg, abs=5.1e-4)
        assert number(row[4]) == pytest.approx(1e3 * result.magnitude_mm.max(), abs=0.501)


def test_ways_out_repeat_the_record(page, assessment):
    rows = page.tables["Ways out"][1:]
    assert len(rows) == len(assessment.decision.ways_out)
    for row, way in zip(rows, assessment.decision.ways_out):
        assert row[0] == way.name
        assert f"{way.name[1:]}: {way.what}" in page.text
        assert number(row[1]) == pytest.approx(way.closure_mm, abs=5.1e-3)
        assert number(row[2]) == pytest.approx(1e3 * way.displacement_mm, abs=0.501)
        assert number(row[3]) == pytest.approx(1e3 * way.high_mm, abs=0.501)
        assert row[5] == way.chances.either.words()
        assert row[-1].endswith("yes" if way.holds else "no")


def test_first_contact_inputs_and_findings_are_there(page, assessment):
    rows = page.tables["First contact of the teeth"][1:]
    reports = [assessment.contact_true, assessment.contact_arbitrary, assessment.mouth.contact]
    for row, report in zip(rows, reports):
        assert number(row[2]) == pytest.approx(report.closing_deg, abs=5.1e-4)
        assert row[3:5] == [str(report.lower_tooth), str(report.upper_tooth)]
        assert row[6] == report.message
    casts = page.tables["Casts"][1:]
    assert [r[1] for r in casts] == ["upper.ply", "lower.ply"]
    assert casts[0][-1] == assessment.upper.sha256
    found = page.tables["Findings and warnings"][1:]
    assert found == [["warning", "casts.lower", "3 small holes <b>", "Close them."]]


def test_the_outcome_is_told_in_words_not_by_colour_alone(page, assessment):
    assert OUTCOME_MARK[assessment.decision.outcome] in page.text
    assert assessment.decision.outcome != "not_needed"
    within = hand_assessment(changes={"decision": {"tolerance_mm": 5.0, "stop": "pin"}})
    text = Page(page_of(within)).text
    assert OUTCOME_MARK["not_needed"] in text
    assert "any within hinge range" in text


def test_markup_and_control_characters_of_the_record_do_not_act(assessment):
    evil = "<script>alert(1)</script>\x00\x1b[31m\u202e\"'><img src=x onerror=y>"
    placed = with_placed(
        assessment,
        case=assessment.case.model_copy(update={"label": evil}),
        landmarks=replace(
            assessment.placed.landmarks, names=(evil, *assessment.landmarks.names[1:])
        ),
    )
    a = replace(
        placed,
        findings=(Finding("warning", evil, evil, evil),),
        decision=replace(
            assessment.decision,
            sentence=evil,
            reason=evil,
            ways_out=tuple(replace(w, landmark=evil) for w in assessment.decision.ways_out),
        ),
    )
    text = page_of(a, no_plates_reason=evil, extra=(Section(evil, (evil,)),))
    page = Page(text)
    assert not page.tags & {"script"}
    assert not any(address == "x" for address in page.addresses)
    assert not re.search("[\x00-\x08\x0b-\x1f\u202e]", text)
    assert page.text.count("<script>alert(1)</script>") >= 8


@given(st.text(max_size=40))
def test_clean_marks_exactly_the_characters_that_would_act(text):
    cleaned = clean(text)
    assert len(cleaned) == len(text)
    for before, after in zip(text, cleaned):
        acts = unicodedata.category(before) in {"Cc", "Cf", "Cs", "Co", "Zl", "Zp"}
        assert after == ("\ufffd" if acts else before)


def test_without_pictures_the_reason_stands_where_they_would_be():
    text = Page(page_of(hand_assessment(), plates={}, no_plates_reason="install libegl1")).text
    assert "No 3-D picture: install libegl1" in text


def test_without_casts_the_report_comes_and_says_so():
    a = hand_assessment(meshes=False)
    page = Page(page_of(a, plates={}))
    assert "No casts were given" in page.text
    assert a.closures.unavailable["contact"] in page.text
    assert "no casts given" in page.text


def test_equal_records_give_equal_reports(assessment, html):
    assert page_of(assessment) == html


def test_further_sections_come_before_the_numbers(assessment):
    table = tables.Table("Chance", ("tooth", "chance"), (False, True), (("47", "12 %"),))
    extra = Section("How sure", ("Sure enough.",), (("caption", "<svg></svg>"),), (table,))
    page = Page(page_of(assessment, extra=(extra,)))
    assert page.tables["Chance"] == [["tooth", "chance"], ["47", "12 %"]]
    assert page.text.index("How sure") < page.text.index("Numbers")


@pytest.mark.parametrize(
    ("value", "digits", "text"),
    [(-0.4, 0, "0"), (-0.6, 0, "−1"), (12.34, 1, "+12.3"), (float("nan"), 2, "–"),
     (float("inf"), 0, "–"), (0.0, 3, "0.000")],
)  # fmt: skip
def test_signed_numbers_have_a_true_minus_and_no_signed_zero(value, digits, text):
    assert text_of.signed(value, digits) == text


def test_errors_and_warnings_are_announced_beside_the_answer(assessment):
    def said(*levels):
        found = tuple(Finding(level, "casts.upper", "is odd", "Look.") for level in levels)
        return page_of(replace(assessment, findings=found))

    html = said("warning", "note", "error", "warning")
    page = Page(html)
    assert "Before you rely on it: 1 error and 2 warnings about the inputs" in page.text
    assert "#findings" in page.addresses
    assert "findings" in page.ids
    assert html.index("Before you rely on it") < html.index("Ways out")
    assert "Before you rely on it" not in said("note")


def test_the_interval_of_the_largest_error_stands_beside_it():
    found = assess(landmarks_only(uncertainty={"true_axis_sd_mm": 0.5, "seed": 1}))
    told = dict(facts(found))
    worst = found.uncertainty.worst_displacement_mm["as planned"]
    low, high = (1e3 * np.percentile(worst, end) for end in (2.5, 97.5))
    assert told["largest displacement, 95 % of draws"] == f"{low:.0f} to {high:.0f} µm"
    assert low < 1e3 * found.decision.worst.displacement_mm < high
