"""Offline and private: no connection but loopback, no patient data in logs, markup inert."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from html.parser import HTMLParser

import pytest

from kinematics.case.read import case_from_dict, case_to_dict, write_case
from tests import REPO
from tests.makers.cases import landmarks_only
from viewer.command.recording_sheet import recording_sheet_html

GUARD = """
import os, sys
LOCAL = ("127.", "::1", "localhost")

def guard(event, args):
    if event in ("socket.connect", "socket.bind", "socket.sendto", "socket.sendmsg"):
        address = args[1]
        host = address[0] if isinstance(address, tuple) else None   # None: a local (unix) socket
    elif event in ("socket.getaddrinfo", "socket.gethostbyname"):
        host = args[0]
    elif event in ("urllib.Request", "webbrowser.open"):
        host = str(args[0])
    else:
        return
    if host is not None and not str(host).startswith(LOCAL):
        with open(os.environ["GUARD_LOG"], "a") as log:
            log.write(f"{event} {host}\\n")
        raise OSError(f"the test allows no connection: {event} {host}")

sys.addaudithook(guard)
with open(os.environ["GUARD_LOG"], "a") as log:
    log.write("guarded\\n")
"""
STUDY = """schema = "hingewise-study/1"
case = "case.toml"
samples = 20
chunk = 10
[[vary]]
field = "arbitrary_axis.left_anterior_mm"
low = 0.0
high = 8.0
"""


@pytest.fixture
def guarded(tmp_path):
    """Run Python under the guard; gives the process and what was refused."""
    (tmp_path / "guard").mkdir()
    (tmp_path / "guard" / "sitecustomize.py").write_text(GUARD)
    log = tmp_path / "guard.log"
    env = os.environ | {
        "PYTHONPATH": f"{tmp_path / 'guard'}{os.pathsep}{REPO}",
        "GUARD_LOG": str(log),
        "HINGEWISE_NO_GL": "1",
    }

    def run(*words: str) -> tuple[subprocess.CompletedProcess[str], list[str]]:
        log.write_text("")
        done = subprocess.run(
            [sys.executable, *words], capture_output=True, text=True, timeout=400, env=env,
            cwd=tmp_path,
        )  # fmt: skip
        lines = log.read_text().splitlines()
        assert "guarded" in lines, "the guard did not load"
        return done, [line for line in lines if line != "guarded"]

    return run


@pytest.mark.parametrize(
    "attempt",
    ["socket.create_connection(('192.0.2.1', 80), 1)", "socket.getaddrinfo('example.invalid', 80)",
     "urllib.request.urlopen('http://192.0.2.1/', timeout=1)"],
)  # fmt: skip
def test_the_guard_catches_connections(guarded, attempt):
    done, refused = guarded("-c", f"import socket, urllib.request; {attempt}")
    assert done.returncode != 0
    assert refused


EVERY_COMMAND = """
from viewer.command.cli import main
if __name__ == "__main__":  # workers of the sweep start here too
    for words in (
        ["assess", "case.toml", "-o", "out"],
        ["inspect", "case.toml"],
        ["start", "new"],
        ["sweep", "study.toml", "-o", "rows", "--workers", "2"],
    ):
        assert main(words) == 0, words
"""


def test_every_command_makes_no_connection_but_loopback(guarded, tmp_path):
    data = case_to_dict(landmarks_only())
    write_case(case_from_dict(data), tmp_path / "case.toml")
    (tmp_path / "study.toml").write_text(STUDY)
    done, refused = guarded("-c", EVERY_COMMAND)
    assert done.returncode == 0, done.stderr
    assert refused == []
    assert (tmp_path / "out" / "report.html").is_file()


class Tags(HTMLParser):
    """Tags, attributes and addresses of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.attributes: set[str] = set()
        self.addresses: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        for name, value in attrs:
            self.attributes.add(name)
            if name in ("src", "href", "xlink:href", "action") and value:
                self.addresses.append(value)


LOGGED = """
import logging, sys
logging.basicConfig(level=logging.DEBUG, filename="all.log")
from viewer.command.cli import main
sys.exit(main(["assess", sys.argv[1], "-o", "out", "--no-pictures", "--quiet"]))
"""


def test_outputs_hold_no_folder_name_and_logs_no_patient_data_and_markup_is_inert(
    guarded, tmp_path
):
    folder = tmp_path / "Doe_Jane_1970"
    folder.mkdir()
    sample = REPO / "sample_meshes"
    upper, lower = "<img src=x onerror=alert(1)>.ply", "l & \"'><script>alert(2).ply"
    shutil.copy(sample / "upper.ply", folder / upper)
    shutil.copy(sample / "lower.ply", folder / lower)
    text = (sample / "demo_case.toml").read_text()
    quoted = lower.replace('"', '\\"')
    text = text.replace('"upper.ply"', f'"{upper}"').replace('"lower.ply"', f'"{quoted}"')
    text = text.replace("demo: worn dentition", "zz&amp;\\\"' onmouseover=1 pseudonym")
    (folder / "case.toml").write_text(text)
    done, refused = guarded("-c", LOGGED, str(folder / "case.toml"))
    assert done.returncode == 0, done.stderr
    assert done.stdout == ""
    assert refused == []
    log = (tmp_path / "all.log").read_text()
    for secret in ("pseudonym", "Doe_Jane", "onerror"):
        assert secret not in log
    written = sorted((tmp_path / "out").iterdir())
    assert {"report.html", "result.json", "lower_error_map.ply"} <= {f.name for f in written}
    for file in written:
        assert b"Doe_Jane" not in file.read_bytes(), file.name
        assert str(tmp_path).encode() not in file.read_bytes(), file.name
    page = Tags((tmp_path / "out" / "report.html").read_text(encoding="utf-8"))
    assert "script" not in page.tags
    assert not {a for a in page.attributes if a.startswith("on")}
    assert "x" not in page.addresses
    assert all(a.startswith(("#", "data:")) for a in page.addresses)


EVIL = "</p><script>alert(1)</script>&amp;\"' onload=x \u202e"


def test_recording_sheet_shows_any_label_as_text():
    page = Tags(recording_sheet_html("distances", [], label=EVIL))
    plain = Tags(recording_sheet_html("distances", [], label="x"))
    assert page.tags == plain.tags
    assert page.attributes == plain.attributes
    assert "script" not in page.tags
