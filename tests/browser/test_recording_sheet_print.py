"""The recording sheet as Debian's chromium prints it."""

import re

import pytest

from kinematics.case.template import MEASUREMENTS, MOUNTINGS
from viewer.command.recording_sheet import recording_sheet_html

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


@pytest.mark.parametrize("kind", MOUNTINGS)
@pytest.mark.parametrize(
    "have", [(), ("third_point",), ("uncertainty",), tuple(MEASUREMENTS)], ids=len
)
def test_the_sheet_is_one_page_with_everything_on_it(chromium, kind, have):
    page = chromium.new_page()
    page.set_content(recording_sheet_html(kind, have))
    printed = page.pdf(prefer_css_page_size=True)
    assert len(re.findall(rb"/Type\s*/Page[^s]", printed)) == 1
    cut = page.evaluate(
        "[...document.querySelectorAll('td, th')].filter(e => e.scrollWidth > e.clientWidth + 1)"
        ".map(e => e.textContent)"
    )
    assert cut == []
    page.close()
