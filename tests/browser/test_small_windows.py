"""Small windows and close labels: everything stays in reach, and no text meets another."""

import pytest

from kinematics.case.read import read_case
from tests.browser.test_browser import set_field, size_of, wait_text
from viewer.app.session import Session
from viewer.app.texts import numbers_state

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]

NARROW_PX = 1100
SIZES = [(1024, 768), (1024, 640), (800, 600), (1280, 800), (1920, 1080)]
OUTSIDE = """() => [...document.querySelectorAll(
  'header button, .answer > *, .bar button, .bar select, .tabs button, .stage, .sheet, footer')]
  .filter((e) => e.checkVisibility({ visibilityProperty: true }))
  .map((e) => [e.id || e.className || e.innerText, e.getBoundingClientRect()])
  .filter(([, r]) => r.left < -1 || r.top < -1 || r.right > innerWidth + 1
    || r.bottom > innerHeight + 1).map(([name]) => name)"""
MEET = """(selector) => {
  const all = [...document.querySelectorAll(selector + ' text')].map((e) => [e.textContent.trim(),
    e.getBoundingClientRect()]);
  const meet = ([, a], [, b]) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 0
    && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 3;  // the room between two lines
  const box = document.querySelector(selector).getBoundingClientRect();
  return [all.flatMap((a, i) => all.slice(i + 1).filter((b) => meet(a, b)).map((b) => a[0] + ' | ' +
      b[0])),
    all.filter(([, r]) => r.left < box.left - 1 || r.right > box.right + 1).map(([t]) => t)];
}"""


@pytest.mark.parametrize("size", SIZES)
def test_at_every_size_all_is_in_the_window_or_can_be_scrolled_to(shown, size):
    page = shown
    page.set_viewport_size({"width": size[0], "height": size[1]})
    tabs = ["errors", "ways", "contacts", "excursions", "findings"]
    tabs += ["charts"] if size[0] <= NARROW_PX else []
    page.wait_for_function(
        "(n) => document.querySelectorAll('.tabs button').length === n",
        arg=len(tabs),
        timeout=10_000,
    )
    for tab in tabs:
        page.click(f"#tab-{tab}", timeout=10_000)
        page.wait_for_timeout(200)
        assert page.evaluate(OUTSIDE) == []
        wide, high = page.evaluate(
            "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
        )
        assert wide <= size[0]
        assert high <= size[1]
        if tab == "charts" or size[0] > NARROW_PX:
            for chart in ("#arcs", "#curve"):
                page.locator(chart).scroll_into_view_if_needed(timeout=5_000)
                box = page.locator(chart).bounding_box()
                assert min(box["width"], box["height"]) > 150
                room = page.locator(".why-side").bounding_box()
                assert box["x"] >= room["x"]
                assert box["x"] + box["width"] <= room["x"] + room["width"]
                assert page.evaluate(MEET, chart)[1] == []
        else:
            assert page.is_hidden("#arcs")
            assert page.locator(".stage canvas").bounding_box()["height"] > 120
    page.locator("#field-tolerance_mm").scroll_into_view_if_needed(timeout=5_000)
    assert page.problems == []


def test_a_long_answer_pushes_nothing_out_of_the_window(page):
    page.wait_for_selector("#chance:not(.stale)", timeout=60_000)
    page.evaluate("document.querySelector('#sentence').textContent = 'some words. '.repeat(70)")
    for size in SIZES:
        page.set_viewport_size({"width": size[0], "height": size[1]})
        for tab in ("errors", "excursions"):
            page.click(f"#tab-{tab}", timeout=10_000)
            sheet, foot = (page.locator(s).bounding_box() for s in (".sheet", "footer"))
            assert sheet["height"] > 100, size
            assert sheet["y"] + sheet["height"] <= foot["y"] + 1, size
            assert page.evaluate(OUTSIDE) == [], size


def test_the_picture_comes_back_from_the_charts_and_a_wider_window_has_no_such_tab(page):
    page.set_viewport_size({"width": 1024, "height": 768})
    page.click("#tab-charts")
    page.click("#tab-errors")
    page.wait_for_timeout(300)
    before = page.evaluate("window.hingewiseView.camera")
    page.click("#tab-charts")
    page.wait_for_timeout(300)
    page.click("#tab-errors")
    assert page.evaluate("window.hingewiseView.camera") == before
    assert page.locator(".stage canvas").bounding_box()["height"] > 200
    page.click("#tab-charts")
    page.set_viewport_size({"width": 1280, "height": 800})
    page.wait_for_selector("#tab-charts", state="detached", timeout=10_000)
    assert page.get_attribute("#tab-errors", "aria-selected") == "true"
    assert page.is_visible("#errors")
    assert page.is_visible("#curve")


def test_at_departure_0_the_arcs_say_so_once_and_each_stop_has_its_own_number(page, served):
    session = Session(read_case(served.case))
    session.change("departure_mm", 0.0)
    set_field(page, "departure_mm", 0)
    page.wait_for_function(
        "[...document.querySelectorAll('#arcs text')].filter((t) =>"
        " t.textContent.includes('no path, no error')).length === 1",
        timeout=30_000,
    )
    assert page.evaluate(MEET, "#arcs") == [[], []]
    for row in numbers_state(session.reading)["stops"]:
        wait_text(page, f"#stop-{row['stop']} b", f"{row['size']} µm")
        assert page.get_attribute(f"#stop-{row['stop']}", "title") == row["meaning"]


@pytest.mark.parametrize("left_mm", [0.0, 0.3])
def test_names_of_axes_that_coincide_do_not_meet(page, served, left_mm):
    session = Session(read_case(served.case))
    for name in ("left_superior_mm", "right_anterior_mm", "right_superior_mm", "left_anterior_mm"):
        value = left_mm if name == "left_anterior_mm" else 0.0
        set_field(page, name, value)
        session.change(name, value)
    wait_text(page, "#size", size_of(session))
    page.wait_for_timeout(1500)
    assert page.evaluate(MEET, "#arcs") == [[], []]
    names = page.evaluate("window.hingewiseView.visibleLabels().filter((l) => l.role !== 'tooth')")
    for i, a in enumerate(names):
        for b in names[i + 1 :]:
            across = min(a["tx"] + a["width"], b["tx"] + b["width"]) - max(a["tx"], b["tx"])
            assert across <= 0 or abs(a["ty"] - b["ty"]) >= 15, (a["text"], b["text"])


def test_the_headline_s_landmark_is_named_on_the_picture_also_when_it_is_behind(shown, served):
    page = shown
    at = numbers_state(Session(read_case(served.case)).reading)["at"]
    for view in ("oblique", "left", "front"):
        page.click(f"#view-{view}")
        page.wait_for_function(
            "(t) => [...document.querySelectorAll('.names .strong')].some((e) =>"
            " e.innerText === t)",
            arg=at,
            timeout=20_000,
        )


def test_the_first_rows_of_the_teeth_table_show_at_1280_by_800(shown, excursions):
    page = shown
    page.click("#tab-excursions")
    page.wait_for_selector("#excursions-teeth tbody tr", timeout=60_000)
    row = page.locator("#excursions-teeth tbody tr").first.bounding_box()
    sheet = page.locator(".sheet").bounding_box()
    assert row["y"] + row["height"] <= sheet["y"] + sheet["height"]
    heads = page.locator("#excursions-teeth th")
    assert [heads.nth(i).get_attribute("title") for i in range(heads.count())] == [
        h["whole"] for h in excursions["teeth"]["head"]
    ]
    assert page.locator("#excursions-teeth thead").bounding_box()["height"] < 45
