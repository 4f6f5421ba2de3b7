"""The viewer under an hour of scripted use in a real browser, only with ``--long``.

HINGEWISE_SOAK_VIEW_MINUTES (60) and HINGEWISE_SOAK_SEED (0) set its length and its course. Two
pages look at one server: one stays open all the time, the other is reloaded, loses its
connection, is closed and opened again.
"""

from __future__ import annotations

import os
import statistics
import time
from dataclasses import astuple, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import psutil
import pytest

from tests.browser.conftest import Served, copied_demo
from tests.browser.test_latency import STEPS
from tests.soak.scripted_user import (
    LOADED,
    SOCKETS,
    TRAME,
    ScriptedUser,
    lose_connection,
    settle,
    tidy,
)

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

MINUTES = float(os.environ.get("HINGEWISE_SOAK_VIEW_MINUTES", "60"))
SEED = int(os.environ.get("HINGEWISE_SOAK_SEED", "0"))
MEASURES = 13
"""How often it is measured; the first quarter of the time is taken for warming up."""
SERVER_GROWTH_MB, HEAP_GROWTH_MB, BROWSER_GROWTH_MB = 30.0, 1.0, 150.0
"""Most that the median of the last quarter may exceed that of the third (ours; allocators wander,
and what is done for the first time, in the first half, loads libraries)."""
SLOWER = 2.0
SLACK_MS = 150.0
"""A slider's numbers may come this many times later, and this much, than at the start (ours)."""
DISTURBED = ("ERR_INTERNET_DISCONNECTED", "ERR_NETWORK_CHANGED", "error: Object")
"""What is said of a connection that the test cuts: by the browser, and by a call on its way."""
SHOWN = """async (tabs) => {
  const text = (s) => document.querySelector(s).innerText.trim(), sheets = {};
  for (const tab of tabs) {
    document.querySelector('#tab-' + tab).click();
    await new Promise((r) => setTimeout(r, 300));
    sheets[tab] = text('.sheet');
  }
  return { size: text('#size'), sentence: text('#sentence'), even: text('#even'), sheets,
    set: text('.set'), fields: [...document.querySelectorAll('.control input')].map((e) => e.value),
    charts: ['#arcs', '#curve'].map((s) => document.querySelector(s).innerHTML) };
}"""
TABS = ["errors", "ways", "contacts", "excursions", "findings"]


@dataclass(frozen=True)
class Measure:
    minutes: float
    server_mb: float
    files: int
    threads: int
    browser_mb: float
    heap_mb: float
    nodes: int
    listeners: int
    slider_ms: float
    load: float


def opened(browser: Browser, url: str, problems: list[str]) -> Page:
    context = browser.new_context(
        viewport={"width": 1280, "height": 800}, color_scheme="light", accept_downloads=True
    )
    page = context.new_page()
    page.set_default_timeout(60_000)
    page.add_init_script(SOCKETS)
    page.on("pageerror", lambda error: problems.append(f"error: {error}"))
    page.on("console", lambda m: problems.append(m.text) if m.type == "error" else None)
    page.goto(url)
    page.wait_for_function(LOADED, timeout=120_000)
    return page


def browser_mb() -> float:
    """Resident memory of every process of the browser, shared pages counted once a process."""
    total = 0
    for process in psutil.Process().children(recursive=True):
        try:
            if "chrom" in process.name():
                total += process.memory_info().rss
        except psutil.Error:
            continue
    return total / 1e6


def measured(page: Page, server: psutil.Process, start: float) -> Measure:
    """Bring the page to the case as opened, let all come to rest, and measure."""
    page.set_viewport_size({"width": 1280, "height": 800})
    tidy(page)
    page.evaluate("document.querySelector('#reset').click()")
    page.wait_for_function(f"() => !{TRAME}.state.get('steps').reset", timeout=60_000)
    settle(page)
    client = page.context.new_cdp_session(page)
    client.send("HeapProfiler.collectGarbage")
    client.send("Performance.enable")
    found = {m["name"]: m["value"] for m in client.send("Performance.getMetrics")["metrics"]}
    client.detach()
    with server.oneshot():
        memory, files, threads = (
            server.memory_info().rss / 1e6, server.num_fds(), server.num_threads(),
        )  # fmt: skip
    slider = statistics.median(t[0] for t in page.evaluate(STEPS, 25))
    row = Measure(
        (time.monotonic() - start) / 60, memory, files, threads, browser_mb(),
        found["JSHeapUsedSize"] / 1e6, int(found["Nodes"]), int(found["JSEventListeners"]),
        slider, os.getloadavg()[0],
    )  # fmt: skip
    print(" ".join(f"{v:8.1f}" for v in astuple(row)), flush=True)
    return row


def trouble(
    page: Page, browser: Browser, url: str, problems: list[str], user: ScriptedUser
) -> Page:
    """Reload the page, cut its connection, or close it and open another."""
    what = user.rng.choice(("reload", "lost connection", "another page"))
    user.done[what] += 1
    if what == "reload":
        page.reload()
        page.wait_for_function(LOADED, timeout=120_000)
    elif what == "lost connection":
        mine: list[str] = problems.copy()
        lose_connection(page)
        new = problems[len(mine) :]
        problems[:] = mine + [p for p in new if not any(d in p for d in DISTURBED)]
    else:
        page.context.close()
        page = opened(browser, url, problems)
    return page


def flat(rows: list[Measure], name: str) -> float:
    """Median of the last quarter less that of the third."""
    values = [getattr(r, name) for r in rows]
    n = max(1, len(values) // 4)
    return statistics.median(values[-n:]) - statistics.median(values[-2 * n : -n] or values[:1])


@pytest.mark.long
@pytest.mark.browser
@pytest.mark.xdist_group("browser")
@pytest.mark.timeout(4 * 3600)
def test_an_hour_of_use_leaves_memory_flat_sliders_quick_and_the_case_right(chromium, tmp_path):
    served = Served(copied_demo(tmp_path))
    fresh: Served | None = None
    try:
        problems: list[str] = []
        faults: list[str] = []
        user, server = ScriptedUser(SEED), psutil.Process(served.process.pid)
        stays, comes = (opened(chromium, served.url, problems) for _ in range(2))
        for kind in ("report", "all", "gif", "mp4"):  # what is loaded once is no growth
            user.export(stays, kind)
        start = time.monotonic()
        print(
            "\n  minute server_mb  files threads browser_mb heap_mb nodes listeners slider_ms load"
        )
        rows = [measured(stays, server, start)]
        disturbed = 0
        while (passed := (time.monotonic() - start) / 60) < MINUTES:
            if passed > MINUTES * len(rows) / (MEASURES - 1):
                rows.append(measured(stays, server, start))
            if passed > MINUTES * (disturbed + 1) / 24:
                disturbed += 1
                comes = trouble(comes, chromium, served.url, problems, user)
            page = stays if user.rng.random() < 0.7 else comes
            try:
                user.act(page)
                seen = "" if not problems else f"{user.last}: {problems}"
            except Exception as error:  # noted, and the use goes on
                seen = f"{user.last}: {str(error)[:600]}"
                tidy(page)
            if seen:
                faults.append(f"minute {passed:.1f}, {seen}")
                print(faults[-1], flush=True)
                problems.clear()
            assert served.process.poll() is None, "".join(served.output)
            assert len(faults) < 30, faults
        rows.append(measured(stays, server, start))
        print(dict(user.done))

        for _ in range(6):  # a case that is not the one opened, for the comparison
            user.slide(stays)
        tidy(stays)
        settle(stays)
        stays.click("#save")
        stays.fill("#file", "last.toml")
        stays.click("#save-now")
        stays.locator(".notice >> text=Saved last.toml").wait_for(timeout=60_000)
        factor = stays.input_value("#factor")
        fresh = Served(Path(tmp_path) / "last.toml")
        other = opened(chromium, fresh.url, problems)
        other.select_option("#factor", factor)
        settle(other)
        other.wait_for_timeout(1500)
        assert stays.evaluate(SHOWN, TABS) == other.evaluate(SHOWN, TABS)

        assert faults == []
        assert problems == []
        log = "".join(served.output)
        assert log.count("\n") == 2, log
        assert flat(rows, "server_mb") < SERVER_GROWTH_MB
        assert flat(rows, "heap_mb") < HEAP_GROWTH_MB
        assert flat(rows, "browser_mb") < BROWSER_GROWTH_MB
        assert flat(rows, "files") <= 3
        assert flat(rows, "threads") <= 2
        assert flat(rows, "nodes") < 500
        assert flat(rows, "listeners") < 50
        first, last = rows[0].slider_ms, statistics.median(r.slider_ms for r in rows[-3:])
        assert last < max(SLOWER * first, first + SLACK_MS)
    finally:
        served.stop()
        if fresh is not None:
            fresh.stop()
