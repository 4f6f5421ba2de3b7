"""How soon a slider shows its numbers and its picture, in a real browser; printed.

The goals of the project are 100 ms (numbers) and 500 ms (picture) at the 95th percentile, with
software drawing and 200k triangles of case data. The asserted bounds are far wider, because the
machines that run this are shared: they catch a backlog or a lost update, not a slow neighbour.
"""

import os
import time

import numpy as np
import pytest
import trimesh

from kinematics.case.read import read_case, write_case
from tests.browser.conftest import Served, open_page
from tests.makers.cases import open_pair
from viewer.app.session import Session
from viewer.app.texts import numbers_state

pytestmark = [pytest.mark.browser, pytest.mark.long, pytest.mark.xdist_group("browser")]
"""Long: these take times, and times belong to runs that one looks at."""

NUMBERS_BOUND_MS, PICTURE_BOUND_MS, DRAG_BOUND_MS = 3000.0, 6000.0, 6000.0

STEPS = """async (n) => {
  const slider = document.querySelector('.control:has(#field-left_anterior_mm) input[type=range]');
  const view = window.hingewiseView, gl = view.gl, px = new Uint8Array(4), out = [];
  const pause = (ms) => new Promise(r => setTimeout(r, ms));
  let numbersAt = 0;
  new MutationObserver(() => { numbersAt = performance.now(); }).observe(
    document.querySelector('#errors'), { subtree: true, characterData: true, childList: true });
  for (let i = 0; i < n; i++) {
    slider.value = String(-6 + (i % 60) * 0.2);
    const start = performance.now();
    slider.dispatchEvent(new Event('input', { bubbles: true }));
    while (numbersAt < start && performance.now() - start < 9000) await pause(2);
    const numbers = numbersAt - start;
    while (!(window.hingewiseSceneAt > start && window.hingewiseDrawn > window.hingewiseSceneAt)
      && performance.now() - start < 9000) await pause(2);
    gl.readPixels(0, 0, 1, 1, gl.RGBA, gl.UNSIGNED_BYTE, px);  // waits until it is really drawn
    out.push([numbers, performance.now() - start]);
    await pause(60);
  }
  slider.dispatchEvent(new Event('change', { bubbles: true }));
  return out;
}"""

DRAG = """async (ms) => {
  const slider = document.querySelector('.control:has(#field-right_anterior_mm) input[type=range]');
  const pause = (t) => new Promise(r => setTimeout(r, t)), start = performance.now();
  let n = 0;
  while (performance.now() - start < ms) {
    slider.value = String(-5 + (n++ % 100) * 0.1);
    slider.dispatchEvent(new Event('input', { bubbles: true }));
    await pause(16);
  }
  slider.value = '7.3';
  slider.dispatchEvent(new Event('input', { bubbles: true }));
  const end = performance.now();
  slider.dispatchEvent(new Event('change', { bubbles: true }));
  while (Math.abs((window.hingewiseValues || {}).right_anterior_mm - 7.3) > 1e-6
    && performance.now() - end < 20000) await pause(5);
  return [n, performance.now() - end];
}"""


@pytest.fixture(scope="module")
def large(scans, tmp_path_factory):
    """The open pair with every triangle cut in four: over 200k triangles."""
    folder = tmp_path_factory.mktemp("large")
    faces = 0
    for arch in ("upper", "lower"):
        mesh = trimesh.load(scans / f"open_pair_{arch}.stl", process=False)
        mesh.merge_vertices()
        mesh = mesh.subdivide()
        faces += len(mesh.faces)
        mesh.export(folder / f"open_pair_{arch}.stl")
    write_case(open_pair(folder), folder / "case.toml")
    running = Served(folder / "case.toml")
    yield running, faces
    running.stop()


def test_a_slider_shows_numbers_and_picture_soon_and_builds_no_backlog(
    chromium, large, capsys, repeats
):
    running, faces = large
    page = open_page(chromium, running.url)
    page.wait_for_function("window.hingewiseCasts === 2", timeout=120_000)
    page.wait_for_timeout(repeats(1500, 4000))
    page.evaluate(STEPS, 3)  # warm
    times = np.array(page.evaluate(STEPS, repeats(12, 60)))
    events, late = page.evaluate(DRAG, repeats(1500, 3000))
    with capsys.disabled():
        print(f"\nviewer, {faces} triangles, load {os.getloadavg()[0]:.1f}, {os.cpu_count()} cores")
        for name, column in zip(("numbers", "picture"), times.T):
            p50, p95 = np.percentile(column, [50, 95])
            print(f"  {name}: p50 {p50:.0f} ms, p95 {p95:.0f} ms ({len(column)} steps)")
        print(f"  drag: {events} events, last value shown {late:.0f} ms after the hand")
    page.context.close()
    assert np.percentile(times[:, 0], 95) < NUMBERS_BOUND_MS
    assert np.percentile(times[:, 1], 95) < PICTURE_BOUND_MS
    assert late < DRAG_BOUND_MS


def test_the_numbers_of_any_slider_position_take_little_of_the_hundred_milliseconds(
    large, capsys, repeats
):
    """Time on the processor, which a busy neighbour does not change."""
    session = Session(read_case(large[0].case))
    session.change("left_anterior_mm", 0.0)  # compiled and warm
    took = []
    for value in np.linspace(-15.0, 15.0, repeats(21, 61)):
        for control in ("left_anterior_mm", "right_superior_mm", "departure_mm"):
            start = time.thread_time()
            session.change(control, 0.6 * value if control == "departure_mm" else value)
            numbers_state(session.reading)
            took.append(1e3 * (time.thread_time() - start))
    p50, p95 = np.percentile(took, [50, 95])
    with capsys.disabled():
        print(f"\nviewer, a slider's numbers: p50 {p50:.0f} ms, p95 {p95:.0f} ms of processor time")
    assert p95 < 50.0
