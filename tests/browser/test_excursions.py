"""The tab "Excursions" in Debian's chromium."""

import pytest

from kinematics.case import read_case
from viewer.app_excursions import excursions_state
from viewer.app_state import Session

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


def test_the_tab_shows_the_worst_error_and_a_row_for_each_excursion(page, served):
    state = excursions_state(Session(read_case(served.case)).reading, 1)
    page.click("#tab-excursions")
    page.wait_for_function(
        "(t) => document.querySelector('#excursions-worst')?.innerText.trim() === t",
        arg=state["sentence"],
        timeout=60_000,
    )
    page.wait_for_selector("#excursions:not(.stale)", timeout=60_000)
    rows = page.locator("#excursions-table tbody tr")
    assert [rows.nth(i).inner_text().split("\t")[0] for i in range(rows.count())] == [
        row["name"] for row in state["rows"]
    ]
    assert page.locator("#excursions-settings tbody tr").count() == len(state["settings"])
    assert page.problems == []
