"""A served case and a real browser; without chromium every test here skips and says so."""

from __future__ import annotations

import contextlib
import os
import queue
import shutil
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from kinematics.case.read import read_case
from tests import REPO
from viewer.app.excursions import excursions_state
from viewer.app.session import Session

CHROMIUM = Path("/usr/bin/chromium")
FLAGS = [
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]
START_S = 240.0  # a cold start compiles the contact kernels


class Served:
    """A running `hingewise view` and its address."""

    def __init__(self, case: Path, **environment: str) -> None:
        self.case = case
        self.process = subprocess.Popen(
            [sys.executable, "-m", "viewer.command.cli", "view", str(case), "--no-browser"],
            cwd=REPO,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env={**os.environ, "PYTHONPATH": str(REPO), **environment},
        )
        lines: queue.Queue[str] = queue.Queue()
        self.output: list[str] = []

        def read() -> None:
            for line in self.process.stdout:
                self.output.append(line)
                lines.put(line)
            lines.put("")

        threading.Thread(target=read, daemon=True).start()
        while True:
            line = lines.get(timeout=START_S)
            if "http://" in line:
                break
            if not line:
                raise AssertionError("the server ended: " + "".join(self.output))
        self.url = line[line.index("http://") :].strip()
        self.port = int(self.url.split(":")[2].split("/")[0])
        self.token = self.url.rstrip("/").split("/")[-1]

    def stop(self) -> None:
        self.process.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(20)
        self.process.kill()


@pytest.fixture(scope="session")
def chromium():
    if not CHROMIUM.exists():
        pytest.skip(f"NO BROWSER: {CHROMIUM} is absent, the viewer was not tried in a browser")
    sync_api = pytest.importorskip("playwright.sync_api", reason="NO PLAYWRIGHT")
    with sync_api.sync_playwright() as p:
        browser = p.chromium.launch(executable_path=str(CHROMIUM), args=FLAGS)
        yield browser
        browser.close()


def copied_demo(folder: Path) -> Path:
    for name in ("demo_case.toml", "upper.ply", "lower.ply"):
        shutil.copy(REPO / "sample_meshes" / name, folder / name)
    return folder / "demo_case.toml"


@pytest.fixture(scope="session")
def served(tmp_path_factory):
    """One server of the demo for all of them; `page` takes back what a test before changed."""
    running = Served(copied_demo(tmp_path_factory.mktemp("demo")), HINGEWISE_NO_GL="1")
    yield running
    running.stop()


def open_page(browser, url, **options):
    """A new page with what went wrong on it, and every host it asked."""
    context = browser.new_context(
        viewport={"width": 1280, "height": 800}, color_scheme="light", **options
    )
    page = context.new_page()
    page.problems, page.hosts = [], set()
    page.on("pageerror", lambda error: page.problems.append(str(error)))
    page.on("console", lambda m: page.problems.append(m.text) if m.type == "error" else None)
    page.on("request", lambda r: page.hosts.add(r.url.split("/")[2] if "//" in r.url else r.url))
    page.on("websocket", lambda w: page.hosts.add(w.url.split("/")[2]))
    page.goto(url)
    page.wait_for_selector("#size", timeout=60_000)
    return page


def as_opened(page):
    """Take back what a test before changed of the case."""
    page.wait_for_function("window.hingewiseCasts !== undefined", timeout=60_000)
    if page.is_enabled("#reset"):
        page.click("#reset")
        page.wait_for_selector("#reset[disabled]", timeout=30_000)


@pytest.fixture
def page(chromium, served):
    opened = open_page(chromium, served.url)
    as_opened(opened)
    yield opened
    opened.context.close()


@pytest.fixture(scope="module")
def kept_open(chromium, served):
    opened = open_page(chromium, served.url)
    yield opened
    opened.context.close()


@pytest.fixture
def shown(kept_open):
    """One page for the tests of a module that only look: they choose size, tab and view."""
    as_opened(kept_open)
    kept_open.set_viewport_size({"width": 1280, "height": 800})
    kept_open.problems.clear()
    return kept_open


@pytest.fixture(scope="session")
def excursions(served):
    """State of the tab "Excursions" for the demo as it is opened."""
    return excursions_state(Session(read_case(served.case)).reading, 1)
