import re
from html.parser import HTMLParser

import pytest

from kinematics.base.errors import InputError
from kinematics.case.errors import keys_at
from kinematics.case.template import MEASUREMENTS, MOUNTINGS
from viewer.command.recording_sheet import line, recording_sheet_html


class Reader(HTMLParser):
    """Collects open tags, and complains of tags that are closed out of order."""

    def __init__(self):
        super().__init__()
        self.open, self.links, self.cells = [], [], 0

    def handle_starttag(self, tag, attrs):
        self.cells += tag == "td"
        self.links += [v for k, v in attrs if k in {"src", "href"}]
        if tag != "meta":
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.mark.parametrize("kind", list(MOUNTINGS))
@pytest.mark.parametrize("chosen", [(), tuple(MEASUREMENTS), ("located_axis",)])
def test_every_key_on_the_sheet_is_a_key_of_the_case_file(kind, chosen):
    keys = re.findall("<code>(.*?)</code>", recording_sheet_html(kind, chosen))
    assert len(keys) > 8
    for key in keys:
        for side in ("left", "right") if "*" in key else ("",):
            *parents, last = key.replace("*", side).split(".")
            if parents[0] == "mounting":
                parents.insert(1, kind)
            assert last in keys_at(parents), key


def test_a_key_that_the_case_file_lacks_is_refused():
    with pytest.raises(KeyError):
        line("mounting.left_point_mm", "matrix")
    assert line("mounting.left_point_mm", "axis_points").words == "Left axis point (x, y, z)"
    assert line(("mounting.sd_mm", "Own words"), "axis_points") == (
        "mounting.sd_mm",
        "Own words",
        "mm",
    )


@pytest.mark.parametrize("kind", list(MOUNTINGS))
def test_sheet_is_whole_html_without_links_or_scripts(kind):
    page = recording_sheet_html(kind, MEASUREMENTS)
    reader = Reader()
    reader.feed(page)
    assert reader.open == []
    assert reader.links == []
    assert reader.cells > 20
    assert not re.search(r"<script|https?:|url\(", page)
    assert "not a medical device" in page


def test_label_is_escaped():
    page = recording_sheet_html("average", label="<b>17</b>")
    assert "<b>17" not in page
    assert "&lt;b&gt;17" in page


def test_sheet_asks_only_for_what_exists():
    assert "marks.facial_width_mm" not in recording_sheet_html("matrix")
    assert "marks.facial_width_mm" in recording_sheet_html("matrix", {"marks"})
    assert "mounting.readings.mm" in recording_sheet_html("distances")
    assert "mounting.points.upper_scan_mm" in recording_sheet_html("distances")
    assert "landmarks.point_mm" in recording_sheet_html("none")
    assert "uncertainty.study" not in recording_sheet_html("matrix")
    assert "uncertainty.study" in recording_sheet_html("matrix", {"uncertainty"})


def test_what_lateral_records_tell_is_asked_only_without_them():
    both = recording_sheet_html("axis_points", ("articulator", "guidance_records"))
    alone = recording_sheet_html("axis_points", ("articulator",))
    assert "Bennett angle, without lateral record" in both
    assert "sagittal_inclination" not in both
    assert "without lateral record" not in alone
    assert "sagittal_inclination" in alone


def test_an_unknown_choice_is_refused():
    with pytest.raises(InputError, match="'average'"):
        recording_sheet_html("averages")
