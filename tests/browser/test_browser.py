"""The viewer in Debian's chromium: what a user does, and who is kept out."""

import asyncio
import io
import re
import signal
import tomllib
from concurrent.futures import ThreadPoolExecutor

import aiohttp
import numpy as np
import pytest
from PIL import Image

from kinematics.case.read import read_case, write_case
from tests.browser.conftest import CHROMIUM, FLAGS, Served, open_page
from tests.makers.cases import landmarks_only
from viewer.app.session import Session

pytestmark = [pytest.mark.browser, pytest.mark.xdist_group("browser")]


def size_of(session):
    return f"{1e3 * session.reading.stops[session.reading.stop].magnitude_mm.max():.0f}"


def wait_text(page, selector, text):
    page.wait_for_function(
        "([s, t]) => document.querySelector(s)?.innerText.trim() === t",
        arg=[selector, text],
        timeout=30_000,
    )


def set_field(page, name, value):
    page.fill(f"#field-{name}", str(value))
    page.press(f"#field-{name}", "Enter")


def click_point(page, point):
    """Click where a point (axis_orbital) of the scene is drawn."""
    x, y, _ = page.evaluate("(p) => window.hingewiseView.pixel(p)", [float(v) for v in point])
    box = page.locator(".stage canvas").bounding_box()
    page.mouse.click(box["x"] + x, box["y"] + y)


@pytest.fixture
def session(served):
    return Session(read_case(served.case))


def test_it_loads_with_the_case_s_numbers_and_asks_no_other_host(page, served, session):
    wait_text(page, "#size", size_of(session))
    assert page.evaluate("window.hingewiseCasts") == 2
    assert page.hosts == {f"127.0.0.1:{served.port}"}
    assert page.problems == []
    assert page.locator("#errors tbody tr").count() == len(session.reading.landmarks)
    assert "not a medical device" in page.inner_text("footer")


def test_the_casts_are_drawn(shown):
    page = shown
    page.wait_for_timeout(1500)
    shot = page.locator(".stage canvas").screenshot()
    picture = np.asarray(Image.open(io.BytesIO(shot)).convert("RGB")).astype(int)
    assert (np.abs(picture - picture[2, 2]).max(axis=2) > 30).mean() > 0.05


def test_a_typed_value_changes_the_numbers_to_those_of_the_case(page, session):
    set_field(page, "left_superior_mm", "9,5")
    session.change("left_superior_mm", 9.5)
    wait_text(page, "#size", size_of(session))
    assert "changed, not saved" in page.inner_text(".case")


def test_a_drag_follows_the_hand_and_is_one_step_to_undo(page, session):
    before = page.inner_text("#size")
    track = page.locator(".control:has(#field-right_anterior_mm) input[type=range]").bounding_box()
    y = track["y"] + track["height"] / 2
    share = (5.5 + 15) / 30
    page.mouse.move(track["x"] + 8 + share * (track["width"] - 16), y)
    page.mouse.down()
    for step in np.linspace(share, 0.1, 25):
        page.mouse.move(track["x"] + 8 + step * (track["width"] - 16), y)
        page.wait_for_timeout(16)
    page.mouse.up()
    page.wait_for_timeout(800)
    value = float(page.input_value("#field-right_anterior_mm"))
    assert value == pytest.approx(-12.0, abs=1.0)
    session.change("right_anterior_mm", value)
    wait_text(page, "#size", size_of(session))
    page.click("#undo")
    wait_text(page, "#size", before)
    assert page.is_disabled("#undo") or page.input_value("#field-right_anterior_mm") == "5.50"


def test_a_refused_value_says_why_and_the_last_good_numbers_stay(page, session):
    before = page.inner_text("#size")
    for value, words in (("77", "50"), ("abc", "a number")):
        set_field(page, "left_anterior_mm", value)
        page.wait_for_selector("#field-left_anterior_mm-why", timeout=20_000)
        page.wait_for_function(
            "(w) => document.querySelector('#field-left_anterior_mm-why')?.innerText.includes(w)",
            arg=words,
        )
        assert page.input_value("#field-left_anterior_mm") == value
        assert page.inner_text("#size") == before
    page.press("#field-left_anterior_mm", "Escape")
    page.wait_for_selector("#field-left_anterior_mm-why", state="detached", timeout=20_000)
    assert page.input_value("#field-left_anterior_mm") == "4.00"


def test_the_keyboard_alone_changes_undoes_and_turns(page):
    before = page.inner_text("#size")
    page.focus("#field-left_superior_mm")
    page.keyboard.press("Shift+ArrowUp")
    page.keyboard.press("Tab")
    page.wait_for_function(
        "(t) => document.querySelector('#size').innerText !== t", arg=before, timeout=20_000
    )
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Control+z")
    wait_text(page, "#size", before)
    page.keyboard.press("4")
    assert page.get_attribute("#view-occlusal", "aria-pressed") == "true"
    assert page.is_visible(".scale")
    page.keyboard.press("1")
    az = page.evaluate("window.hingewiseView.camera.az")
    page.focus(".stage canvas")
    page.keyboard.press("ArrowLeft")
    assert page.evaluate("window.hingewiseView.camera.az") != az
    page.focus("#tab-errors")
    page.keyboard.press("ArrowLeft")
    page.keyboard.press("Enter")
    assert page.get_attribute("#tab-findings", "aria-selected") == "true"
    assert page.get_attribute(".sheet", "aria-labelledby") == "tab-findings"


def test_another_stop_changes_the_verdict(page, session):
    page.click("#stop-equal_angle")
    session.change("stop", "equal_angle")
    wait_text(page, "#size", size_of(session))
    page.wait_for_function(
        "document.querySelector('#sentence').innerText.includes('equal angle')", timeout=30_000
    )


def test_the_exaggeration_is_written_where_it_is_drawn(page):
    page.select_option("#factor", "50")
    page.wait_for_function(
        "[...document.querySelectorAll('#arcs text')].filter(t => "
        "t.textContent.includes('×50')).length === 2",
        timeout=20_000,
    )
    # The key follows with the picture, which comes after the numbers
    page.wait_for_function(
        "document.querySelector('.key').textContent.includes('×50')", timeout=20_000
    )


def test_a_picked_landmark_is_saved_with_the_case(page, served, session):
    marks = session.reading.landmarks
    index = next(i for i, t in enumerate(marks.teeth) if t == 36)
    page.click("#view-occlusal")
    page.click("#marks")
    page.wait_for_timeout(800)
    click_point(page, marks.points_mm[index])
    page.wait_for_selector("#picked", timeout=30_000)
    assert "tooth 36" in page.inner_text("#picked")
    page.fill("#point-name", "my cusp")
    page.click("#point-add")
    page.wait_for_selector(".list >> text=my cusp", timeout=60_000)
    page.click("#save")
    page.fill("#file", "picked.toml")
    page.click("#save-now")
    page.wait_for_selector(".notice >> text=Saved picked.toml", timeout=20_000)
    saved = tomllib.loads((served.case.parent / "picked.toml").read_text(encoding="utf-8"))
    assert saved["landmarks"][-1]["name"] == "my cusp"
    assert saved["landmarks"][-1]["tooth"] == 36
    again = Session(read_case(served.case.parent / "picked.toml")).reading.landmarks
    picked = again.points_mm[again.names.index("my cusp")]
    assert np.linalg.norm(picked - marks.points_mm[index]) < 1.0  # a click is a pixel wide
    page.click("#save-now")
    page.wait_for_selector(".panel .why >> text=exists", timeout=20_000)


def test_a_fiducial_is_picked_on_the_upper(page, session):
    page.click("#view-front")
    page.click("#marks")
    page.click("#pick-fiducial")
    page.wait_for_timeout(800)
    upper = session.reading.placed.upper.vertices_mm
    click_point(page, upper[np.argmax(upper[:, 0])] + [0, 0, 1.0])
    page.wait_for_selector("#picked", timeout=30_000)
    assert page.inner_text("#picked").startswith("upper_scan")
    for i, value in enumerate(("90", "0", "-30"), start=1):
        page.fill(f"#at-{i}", value)
    page.click("#point-add")
    page.wait_for_selector(".list >> text=fiducial 1", timeout=30_000)
    assert page.is_disabled("#mount-fiducials")


def test_the_picture_is_a_png_of_the_view(page):
    page.click("#keep")
    with page.expect_download(timeout=30_000) as waiting:
        page.click("#keep-picture")
    assert waiting.value.suggested_filename == "hingewise-demo-worn-dentition.png"
    with Image.open(waiting.value.path()) as image:
        picture = np.asarray(image.convert("RGB")).astype(int)
    assert picture.shape[0] > 300
    assert np.ptp(picture) > 150


def test_the_report_is_made_and_downloaded(page):
    page.click("#keep")
    page.click("#keep-report")
    page.wait_for_selector("#made", timeout=180_000)
    with page.expect_download(timeout=30_000) as waiting:
        page.click("#made")
    text = waiting.value.path().read_text(encoding="utf-8")
    assert "demo: worn dentition" in text


def test_without_opengl_on_the_server_an_animation_says_what_to_install(page):
    page.click("#keep")
    page.click("#keep-gif")
    page.wait_for_selector(".panel .why >> text=OpenGL", timeout=120_000)
    assert page.is_enabled("#keep-gif")


def test_a_reload_and_a_second_tab_show_the_same_changed_case(page, chromium, served, session):
    set_field(page, "right_superior_mm", "6.25")
    session.change("right_superior_mm", 6.25)
    wait_text(page, "#size", size_of(session))
    page.reload()
    page.wait_for_selector("#size", timeout=60_000)
    wait_text(page, "#size", size_of(session))
    other = open_page(chromium, served.url)
    try:
        wait_text(other, "#size", size_of(session))
        set_field(other, "right_superior_mm", "1.5")
        session.change("right_superior_mm", 1.5)
        wait_text(page, "#size", size_of(session))
        assert page.input_value("#field-right_superior_mm") == "1.50"
    finally:
        other.context.close()


def test_light_and_dark_differ_and_are_remembered(page):
    light = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.click("#theme")
    dark = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert light != dark
    page.reload()
    page.wait_for_selector("#size", timeout=60_000)
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == dark


@pytest.mark.parametrize("size", [(1280, 800), (1920, 1080)])
def test_nothing_sticks_out_of_the_window(shown, size):
    page = shown
    page.set_viewport_size({"width": size[0], "height": size[1]})
    page.wait_for_timeout(500)
    wide, high = page.evaluate(
        "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
    )
    assert (wide, high) <= size
    for selector in ("#size", "#sentence", "footer", "#arcs", "#curve", ".stage canvas"):
        box = page.locator(selector).bounding_box()
        assert box["x"] >= 0
        assert box["x"] + box["width"] <= size[0] + 1
        assert box["y"] + box["height"] <= size[1] + 1


@pytest.mark.parametrize("width", [1280, 1180, 1110, 1024])
def test_every_tab_can_be_clicked_in_a_narrow_window(shown, width):
    page = shown
    page.set_viewport_size({"width": width, "height": 800})
    for name in ("errors", "ways", "contacts", "excursions", "findings"):
        page.click(f"#tab-{name}", timeout=10_000)
        assert page.get_attribute(f"#tab-{name}", "aria-selected") == "true"
        right = page.locator(f"#tab-{name}").bounding_box()
        see = page.locator(".see").bounding_box()
        assert right["x"] + right["width"] <= see["x"] + see["width"]


def test_text_is_at_least_twelve_pixels_and_controls_have_names(shown):
    page = shown
    small = page.evaluate(
        """() => [...document.querySelectorAll('.page *')].filter(e => e.childNodes.length &&
        [...e.childNodes].some(n => n.nodeType === 3 && n.textContent.trim()) &&
        parseFloat(getComputedStyle(e).fontSize) < 11).map(e => e.outerHTML.slice(0, 80))"""
    )
    assert small == []
    nameless = page.evaluate(
        """() => [...document.querySelectorAll('button, input, select')].filter(e =>
        !(e.innerText || '').trim() && !e.getAttribute('aria-label') && !(e.labels || []).length)
        .map(e => e.outerHTML.slice(0, 80))"""
    )
    assert nameless == []


def run(ask):
    """Run a coroutine in a thread of its own: playwright keeps a loop running in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(lambda: asyncio.run(ask())).result(60)


def http(url, **headers):
    async def ask():
        async with (
            aiohttp.ClientSession() as client,
            client.get(url, headers=headers, allow_redirects=False) as answer,
        ):
            return answer.status, await answer.text(), answer.headers

    return run(ask)


def socket_status(url, **headers):
    async def ask():
        async with aiohttp.ClientSession() as client:
            try:
                async with client.ws_connect(url, headers=headers):
                    return 101
            except aiohttp.WSServerHandshakeError as error:
                return error.status

    return run(ask)


@pytest.mark.usefixtures("chromium")
def test_a_wrong_or_missing_token_opens_neither_page_nor_socket(served):
    root = f"127.0.0.1:{served.port}"
    wrong = served.token[:-1] + ("0" if served.token[-1] != "0" else "1")
    for path in ("", "index.html", "ws", f"{wrong}/", f"{wrong}/casts", "casts"):
        status, text, _ = http(f"http://{root}/{path}")
        assert status == 404
        assert served.token not in text
    assert socket_status(f"ws://{root}/ws") == 404
    assert socket_status(f"ws://{root}/{wrong}/ws") == 404
    assert socket_status(f"ws://{root}/{served.token}/ws") == 101


@pytest.mark.usefixtures("chromium")
def test_a_foreign_origin_and_a_foreign_host_are_refused(served):
    socket = f"ws://127.0.0.1:{served.port}/{served.token}/ws"
    assert socket_status(socket, Origin="http://evil.example") == 403
    assert socket_status(socket, Origin="null") == 403
    assert socket_status(socket, Host="evil.example") == 403
    assert socket_status(socket, Origin=f"http://127.0.0.1:{served.port}") == 101
    assert http(served.url, Host="evil.example")[0] == 403


@pytest.mark.usefixtures("chromium")
def test_every_answer_carries_the_policy_and_no_folder_is_open(served):
    status, _, headers = http(served.url)
    assert status == 200
    assert "default-src 'none'" in headers["Content-Security-Policy"]
    assert headers["Cache-Control"] == "no-store"
    for path in ("client/", "assets/", "made/", "client/../../app.py", "made/..%2f..%2fetc"):
        assert http(served.url + path)[0] in (403, 404)


def test_a_page_of_another_origin_cannot_read_the_viewer(chromium, served):
    page = chromium.new_page()
    page.route(
        "http://evil.example/", lambda r: r.fulfill(body="<p>hi</p>", content_type="text/html")
    )
    page.goto("http://evil.example/")
    got = page.evaluate(
        """async (url) => {
          const read = await fetch(url).then(r => 'read ' + r.status, () => 'refused');
          const open = await new Promise(done => {
            const w = new WebSocket(url.replace('http', 'ws') + 'ws');
            w.onopen = () => done('open'); w.onerror = () => done('refused'); });
          return [read, open]; }""",
        served.url,
    )
    assert got == ["refused", "refused"]
    page.close()


@pytest.mark.usefixtures("chromium")
def test_only_the_loopback_is_bound(served):
    with open("/proc/net/tcp", encoding="ascii") as table:
        rows = [line.split() for line in table.readlines()[1:]]
    bound = {
        r[1].split(":")[0]
        for r in rows
        if r[3] == "0A" and int(r[1].split(":")[1], 16) == served.port
    }
    assert bound == {"0100007F"}


def test_a_case_without_casts_shows_numbers_and_diagrams(chromium, tmp_path):
    write_case(landmarks_only(), tmp_path / "case.toml")
    running = Served(tmp_path / "case.toml")
    try:
        page = open_page(chromium, running.url)
        wait_text(page, "#size", "118")
        assert page.locator("#arcs path").count() > 6
        assert "no casts" in page.inner_text(".key")
        assert page.is_disabled("#stop-contact")
        assert page.problems == []
        # The server stops in mid-use: the page says so and keeps what it showed.
        running.process.send_signal(signal.SIGINT)
        page.wait_for_selector("#gone", timeout=30_000)
        assert "has stopped" in page.inner_text("#gone")
        assert page.inner_text("#size") == "118"
        page.context.close()
        assert running.process.wait(60) == 0
    finally:
        running.stop()
    assert "Traceback" not in "".join(running.output)


def test_without_webgl_the_numbers_go_on(chromium, served, session):
    flags = [f for f in FLAGS if "gl" not in f] + ["--disable-3d-apis"]
    browser = chromium.browser_type.launch(executable_path=str(CHROMIUM), args=flags)
    try:
        page = open_page(browser, served.url)
        page.wait_for_selector(".nogl", timeout=30_000)
        before = page.inner_text("#size")
        set_field(page, "left_superior_mm", "8.8")
        session.change("left_superior_mm", 8.8)
        wait_text(page, "#size", size_of(session))
        assert before != page.inner_text("#size")
        assert page.is_disabled("#keep-picture") if page.is_visible("#keep-picture") else True
        assert re.search("another browser", page.inner_text(".nogl"))
        page.click("#reset")
        page.wait_for_selector("#reset[disabled]", timeout=20_000)
    finally:
        browser.close()


def test_a_lost_connection_comes_back_by_itself_with_the_same_picture(chromium, served, session):
    """The socket goes and the server stays: first with the way to it blocked, then open."""
    sockets = []

    def through(ws):
        ws.connect_to_server()
        sockets.append(ws)

    context = chromium.new_context(viewport={"width": 1280, "height": 800})
    page = context.new_page()
    page.route_web_socket(re.compile("/ws"), through)
    page.goto(served.url)
    page.wait_for_function("window.hingewiseCasts !== undefined", timeout=60_000)
    if page.is_enabled("#reset"):  # what another test left
        page.click("#reset")
        page.wait_for_selector("#reset[disabled]", timeout=30_000)
    set_field(page, "left_anterior_mm", "7.7")
    session.change("left_anterior_mm", 7.7)
    wait_text(page, "#size", size_of(session))
    page.click("#view-left")
    page.click("#tab-contacts")
    page.focus(".stage canvas")
    page.keyboard.press("ArrowLeft")
    camera = page.evaluate("window.hingewiseView.camera")
    page.evaluate("window.before = true")
    context.set_offline(True)
    sockets[-1].close()
    page.wait_for_selector("#gone >> text=connects again by itself", timeout=30_000)
    assert page.is_visible("#reconnect")
    assert page.inner_text("#size") == size_of(session)
    context.set_offline(False)
    page.wait_for_function("window.before === undefined && window.hingewiseCasts", timeout=60_000)
    wait_text(page, "#size", size_of(session))
    assert page.locator("#gone").count() == 0
    assert page.get_attribute("#tab-contacts", "aria-selected") == "true"
    page.wait_for_function(
        "(c) => JSON.stringify(window.hingewiseView.camera) === JSON.stringify(c)",
        arg=camera,
        timeout=20_000,
    )
    set_field(page, "left_anterior_mm", "4")  # and it works again
    session.change("left_anterior_mm", 4.0)
    wait_text(page, "#size", size_of(session))
    context.close()


@pytest.mark.parametrize("view", ["oblique", "left", "front"])
def test_no_name_stands_on_the_casts_and_no_leader_runs_through_its_name(shown, view):
    page = shown
    page.click("#tab-contacts")
    page.click(f"#view-{view}")
    page.wait_for_timeout(1500)
    covered, crossed = page.evaluate(
        """() => {
          const v = window.hingewiseView;
          const names = v.visibleLabels().filter((l) => l.role !== 'tooth');
          const inside = (l, x, y) => x > l.tx && x < l.tx + l.width && Math.abs(y - l.ty) < 8;
          const drawn = v.extent(true).map((p) => v.pixel(p));
          const lead = [...v.leaders.getAttribute('d').matchAll(/L([-\\d.]+) ([-\\d.]+)/g)];
          const on = (l) => drawn.some((p) => inside(l, p[0], p[1]));
          const through = (l) => lead.some((m) => inside(l, Number(m[1]), Number(m[2])));
          return [names.filter(on), names.filter(through)]
            .map((list) => list.map((l) => l.text));
        }"""
    )
    assert covered == []
    assert crossed == []
