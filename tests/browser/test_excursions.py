"""The tab "Excursions" in Debian's chromium."""

import pytest

from kinematics.case.read import read_case
from viewer.app.excursions import excursions_state
from viewer.app.session import Session

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


def test_the_tab_shows_the_worst_error_and_a_row_for_each_excursion(page, excursions):
    page.click("#tab-excursions")
    page.wait_for_function(
        "(t) => document.querySelector('#excursions-worst')?.innerText.trim() === t",
        arg=excursions["sentence"],
        timeout=60_000,
    )
    page.wait_for_selector("#excursions:not(.stale)", timeout=60_000)
    rows = page.locator("#excursions-table tbody tr")
    assert [rows.nth(i).inner_text().split("\t")[0] for i in range(rows.count())] == [
        row["name"] for row in excursions["rows"]
    ]
    assert page.locator("#excursions-settings tbody tr").count() == len(excursions["settings"])
    assert page.problems == []


def test_the_slider_moves_the_patient_s_lower_along_the_way_and_back_to_closed(page, excursions):
    page.click("#tab-excursions")
    page.wait_for_selector("#excursions:not(.stale) #way", timeout=60_000)
    page.select_option("#way-kind", "left_lateral")
    last = len(excursions["moves"]["left_lateral"]) - 1
    slide = "(v) => { const e = document.querySelector('#way'); e.value = v; "
    slide += "e.dispatchEvent(new Event('input', { bubbles: true })); }"
    page.evaluate(slide, last)
    page.wait_for_function("window.hingewiseView.away !== null", timeout=30_000)
    assert page.evaluate("window.hingewiseView.away") == excursions["moves"]["left_lateral"][last]
    assert page.inner_text("#way-share") == "100 %"
    assert "left lateral" in page.inner_text("#moved")
    at = "() => { const v = window.hingewiseView; "
    at += "const p = v.scene.points.find((q) => q.layer === 'landmarks'); return v.place(p); }"
    there = page.evaluate(at)
    page.evaluate(slide, 0)
    page.wait_for_function("window.hingewiseView.away === null", timeout=30_000)
    closed = page.evaluate(at)
    m = excursions["moves"]["left_lateral"][last]
    expected = [sum(m[4 * k + i] * ([*closed, 1.0][k]) for k in range(4)) for i in range(3)]
    assert there == pytest.approx(expected, abs=1e-6)
    assert page.inner_text("#way-share") == "closed"
    page.evaluate(slide, last)
    page.wait_for_function("window.hingewiseView.away !== null", timeout=30_000)
    page.click("#tab-errors")
    page.wait_for_function("window.hingewiseView.away === null", timeout=30_000)
    assert page.problems == []


def test_the_articulator_goes_along_as_a_ghost_and_both_ways_are_drawn(page, excursions):
    page.click("#tab-excursions")
    page.wait_for_selector("#excursions:not(.stale) #way", timeout=60_000)
    page.wait_for_function("window.hingewiseView.ways.length > 0", timeout=30_000)
    roles = page.evaluate("window.hingewiseView.ways.map((w) => w.role)")
    assert roles.count("true") == roles.count("arbitrary") > 0
    slide = "(v) => { const e = document.querySelector('#way'); e.value = v; "
    slide += "e.dispatchEvent(new Event('input', { bubbles: true })); }"
    page.evaluate(slide, 4)
    page.wait_for_function("window.hingewiseView.ghostAway !== null", timeout=30_000)
    assert page.evaluate("window.hingewiseView.ghostAway") == excursions["ghosts"]["protrusion"][4]
    page.wait_for_selector("#excursions-teeth tbody tr", timeout=60_000)
    assert page.locator("#excursions-teeth tbody tr").count() == len(excursions["teeth"]["rows"])
    page.click("#tab-errors")
    page.wait_for_function("window.hingewiseView.ways.length === 0", timeout=30_000)
    assert page.problems == []


def test_what_guides_the_front_is_chosen_there_and_can_be_undone(page, served):
    session = Session(read_case(served.case))
    session.change("front", "teeth")
    state = excursions_state(session.reading, 1)
    page.click("#tab-excursions")
    page.select_option("#front", "teeth")
    page.wait_for_function(
        "(t) => document.querySelector('#excursions:not(.stale) #excursions-worst')"
        "?.innerText.trim() === t",
        arg=state["sentence"],
        timeout=90_000,
    )
    assert page.is_enabled("#undo")
    page.click("#undo")
    page.wait_for_function("document.querySelector('#front').value === 'pin'", timeout=30_000)
    assert page.problems == []
