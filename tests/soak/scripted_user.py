"""A user of the viewer made of seeded random actions: what a person does to it, and worse."""

from __future__ import annotations

import random
from collections import Counter
from collections.abc import Callable
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from playwright.sync_api import Page

NUMBERS = {
    "departure_mm": (-8.0, 6.0),
    "left_anterior_mm": (-12.0, 12.0),
    "left_superior_mm": (-12.0, 12.0),
    "right_anterior_mm": (-12.0, 12.0),
    "right_superior_mm": (-12.0, 12.0),
    "tolerance_mm": (0.05, 1.0),
}
"""Controls that are slid and typed, and the values they are given, mm."""
BAD_VALUES = ("abc", "77", "1e999", "nan", "--3", "3,,5", "<b>7</b>", "\u202e12", "9" * 400)
TABS = ("errors", "ways", "contacts", "excursions", "findings")
VIEWS = ("oblique", "left", "front", "occlusal")
STOPS = ("equal_angle", "pin", "contact")
LAYERS = (
    "upper",
    "lower",
    "map",
    "ghost",
    "record",
    "axes",
    "arcs",
    "landmarks",
    "contact",
    "plane",
)
MALFORMED = (
    ["change", ["nonsense", {"a": 1}, ""]],
    ["change", ["departure_mm", {"a": [1]}, ""]],
    ["change", ["stop", ["pin"], ""]],
    ["remove_landmark", ["x"]],
    ["remove_landmark", [10**9]],
    ["pick", ["lower", "a", [1]]],
    ["add_point", ["landmark", "x", "y", None]],
    ["exaggerate", [{}]],
    ["export", ["../../x", "", ""]],
    ["save", ["../../x.toml", True]],
)
"""Messages that no page of ours sends."""
TRAME = "document.querySelector('#app').__vue_app__._context.provides.trame"
SOCKETS = """const Plain = window.WebSocket;
window.WebSocket = class extends Plain {
  constructor(...args) { super(...args); window.lastSocket = this; }
};"""
SLIDE = """async ([name, values]) => {
  const e = document.querySelector(`.control:has(#field-${name}) input[type=range]`);
  for (const v of values) {
    e.value = String(v);
    e.dispatchEvent(new Event('input', { bubbles: true }));
    await new Promise((r) => setTimeout(r, 16));
  }
  e.dispatchEvent(new Event('change', { bubbles: true }));
}"""
MARK = """() => {
  const v = window.hingewiseView, at = v.scene.points.filter((p) => p.layer === 'landmarks');
  return at.map((p) => v.pixel(p.at).slice(0, 2));
}"""
UPPER = """() => {
  const v = window.hingewiseView, p = v.casts.upper.position, out = [];
  for (let i = 0; i + 2 < p.length; i += 3 * Math.max(1, Math.floor(p.length / 150)))
    out.push(v.pixel([p[i], p[i + 1], p[i + 2]]).slice(0, 2));
  return out;
}"""
LOADED = "window.hingewiseCasts !== undefined"
AT_REST = f"""() => {{
  const s = {TRAME}.state, now = s.get('rev'), spread = s.get('later').spread;
  return !s.get('waiting') && !s.get('busy') && s.get('excursions').rev === now
    && (!window.spreadComes || (spread.length > 0 && !spread[0].includes('% done')));
}}"""
MOST_LANDMARKS, MOST_FIDUCIALS = 6, 6


def state(page: Page, name: str) -> object:
    """One value of the page's shared state."""
    return page.evaluate(f"(n) => {TRAME}.state.get(n)", name)


def settle(page: Page, seconds: float = 240.0) -> None:
    """Wait until everything about the present case is there, the uncertainty included."""
    page.evaluate("window.spreadComes = true")
    page.wait_for_function(AT_REST, timeout=1000.0 * seconds, polling=200)


def tidy(page: Page) -> None:
    """No panel, nothing to pick, the first tab and view."""
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("Escape")
    page.click("#tab-errors")
    page.click("#view-oblique")


class ScriptedUser:
    """Acts on a page at random.

    Attributes
    ----------
    done : Counter
        How often each action was done.
    last : str
        The action done last, or being done.
    """

    def __init__(self, seed: int) -> None:
        self.rng = random.Random(seed)
        self.done: Counter[str] = Counter()
        self.last = ""
        self.actions: dict[str, tuple[float, Callable[[Page], None]]] = {
            "slide": (10, self.slide),
            "type": (5, self.type_value),
            "bad value": (2, self.bad_value),
            "malformed message": (1, self.malformed),
            "stop": (4, self.stop),
            "tolerance": (2, self.tolerance),
            "tab": (5, self.tab),
            "view": (4, self.view),
            "layers": (3, self.layer),
            "keys": (3, self.keys),
            "turn": (3, self.turn),
            "factor": (1, self.factor),
            "steps": (6, self.step),
            "excursions": (3, self.excursions),
            "front": (1, self.front),
            "uncertainty": (1.5, self.uncertainty),
            "landmark": (2, self.landmark),
            "remove landmark": (1.5, self.remove),
            "fiducial": (0.7, self.fiducial),
            "save": (1, self.save),
            "picture": (0.7, self.picture),
            "report": (0.35, lambda page: self.export(page, "report")),
            "archive": (0.15, lambda page: self.export(page, "all")),
            "animation": (0.15, lambda page: self.export(page, self.rng.choice(("gif", "mp4")))),
            "resize": (0.5, self.resize),
            "rest": (2, lambda page: page.wait_for_timeout(3000)),
        }

    def act(self, page: Page) -> None:
        """Do one action."""
        weights = [w for w, _ in self.actions.values()]
        self.last = self.rng.choices(list(self.actions), weights)[0]
        self.done[self.last] += 1
        self.actions[self.last][1](page)
        page.wait_for_timeout(self.rng.uniform(100, 900))

    def slide(self, page: Page) -> None:
        name, (low, high) = self.rng.choice(list(NUMBERS.items()))
        a, b, n = self.rng.uniform(low, high), self.rng.uniform(low, high), self.rng.randint(3, 40)
        page.evaluate(SLIDE, [name, [round(a + (b - a) * i / n, 2) for i in range(n + 1)]])

    def type_value(self, page: Page) -> None:
        name, (low, high) = self.rng.choice(list(NUMBERS.items()))
        text = f"{self.rng.uniform(low, high):.2f}".replace("-", self.rng.choice("-−"))
        page.fill(f"#field-{name}", text.replace(".", self.rng.choice(".,")))
        page.press(f"#field-{name}", "Enter")

    def bad_value(self, page: Page) -> None:
        name = self.rng.choice(list(NUMBERS))
        page.fill(f"#field-{name}", self.rng.choice(BAD_VALUES))
        page.press(f"#field-{name}", "Enter")
        page.locator(f"#field-{name}-why").wait_for(timeout=60_000)
        page.press(f"#field-{name}", "Escape")
        page.locator(f"#field-{name}-why").wait_for(state="detached", timeout=60_000)

    def malformed(self, page: Page) -> None:
        page.evaluate(f"([n, a]) => {TRAME}.trigger(n, a)", self.rng.choice(MALFORMED))

    def stop(self, page: Page) -> None:
        button = page.locator(f"#stop-{self.rng.choice(STOPS)}")
        if button.is_enabled():
            button.click()

    def tolerance(self, page: Page) -> None:
        page.locator(".chips button").nth(self.rng.randrange(4)).click()

    def tab(self, page: Page) -> None:
        page.click(f"#tab-{self.rng.choice(TABS)}")

    def view(self, page: Page) -> None:
        page.click(f"#view-{self.rng.choice(VIEWS)}")

    def layer(self, page: Page) -> None:
        page.click("details.shown summary")
        for name in self.rng.sample(LAYERS, 2):
            page.click(f"#show-{name}")
        page.click("details.shown summary")

    def keys(self, page: Page) -> None:
        page.evaluate("document.activeElement.blur()")
        for key in self.rng.choices(("1", "2", "3", "4", "m", "g", "l", "?", "Escape"), k=3):
            page.keyboard.press(key)
        page.keyboard.press("Escape")

    def turn(self, page: Page) -> None:
        box = page.locator(".stage canvas").bounding_box()
        assert box is not None
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + self.rng.uniform(-90, 90), y + self.rng.uniform(-60, 60), steps=6)
        page.mouse.up()
        page.mouse.wheel(0, self.rng.choice((-240, -120, 120, 240)))

    def factor(self, page: Page) -> None:
        page.select_option("#factor", index=self.rng.randrange(5))

    def step(self, page: Page) -> None:
        name = self.rng.choices(("undo", "redo", "reset"), (5, 3, 1))[0]
        page.evaluate(f"document.querySelector('#{name}').click()")  # does nothing where disabled

    def excursions(self, page: Page) -> None:
        page.click("#tab-excursions")
        page.locator("#excursions:not(.stale)").wait_for(timeout=240_000)
        if not page.locator("#way").count():
            return
        kinds = page.locator("#way-kind option").count()
        page.select_option("#way-kind", index=self.rng.randrange(kinds))
        for _ in range(6):
            page.evaluate(
                "(share) => { const e = document.querySelector('#way'); if (!e) return;"
                "e.value = Math.round(share * e.max);"
                "e.dispatchEvent(new Event('input', { bubbles: true })); }",
                self.rng.random(),
            )
            page.wait_for_timeout(120)

    def front(self, page: Page) -> None:
        page.click("#tab-excursions")
        page.select_option("#front", index=self.rng.randrange(3))

    def uncertainty(self, page: Page) -> None:
        page.click("#tab-ways")
        if page.get_attribute("#stop-contact", "aria-checked") == "true":
            page.wait_for_timeout(8000)  # its trials take long: seen coming, and given up
        else:
            settle(page)

    def landmark(self, page: Page) -> None:
        if page.locator(".list button").count() >= MOST_LANDMARKS:
            return
        page.click("#view-occlusal")
        self._pick(page, "landmark", MARK)
        if page.locator("#picked").count():
            page.fill("#point-name", f"mark {self.rng.randrange(10**6)}")
            page.fill("#point-tooth", self.rng.choice(("", "36", "46", "31", "99", "x")))
            page.click("#point-add")
            page.wait_for_timeout(500)
        page.keyboard.press("Escape")

    def fiducial(self, page: Page) -> None:
        if len(state(page, "points")["fiducials"]) >= MOST_FIDUCIALS:  # type: ignore[index]
            return
        page.click("#view-front")
        self._pick(page, "fiducial", UPPER)
        if page.locator("#picked").count() and page.locator("#at-1").count():
            for i in (1, 2, 3):
                page.fill(f"#at-{i}", self.rng.choice(("90", "-30,5", "12.25", "", "z")))
            page.click("#point-add")
            page.wait_for_timeout(500)
        page.keyboard.press("Escape")

    def _pick(self, page: Page, kind: str, where: str) -> None:
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("Escape")
        page.click("#marks")
        page.click(f"#pick-{kind}")
        page.wait_for_timeout(300)
        x, y = self.rng.choice(page.evaluate(where) or [[0, 0]])
        box = page.locator(".stage canvas").bounding_box()
        assert box is not None
        if 0 < x < box["width"] and 0 < y < box["height"]:
            page.mouse.click(box["x"] + x, box["y"] + y)
        page.wait_for_timeout(1500)

    def remove(self, page: Page) -> None:
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("Escape")
        page.click("#marks")
        buttons = page.locator(".list button")
        if count := buttons.count():
            buttons.nth(self.rng.randrange(count)).click()
            page.wait_for_timeout(300)
        page.keyboard.press("Escape")

    def save(self, page: Page) -> None:
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("Escape")
        page.click("#save")
        page.fill("#file", self.rng.choice(("kept", "kept.toml", "../kept.toml", "", "a" * 200)))
        page.set_checked("#overwrite", self.rng.random() < 0.7)
        page.click("#save-now")
        page.wait_for_timeout(600)
        page.keyboard.press("Escape")
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("Escape")

    def picture(self, page: Page) -> None:
        self._open_exports(page)
        with page.expect_download(timeout=60_000) as waiting:
            page.click("#keep-picture")
        waiting.value.delete()
        page.keyboard.press("Escape")

    def export(self, page: Page, kind: str) -> None:
        self._open_exports(page)
        page.wait_for_function(f"() => !{TRAME}.state.get('busy')", timeout=400_000)
        page.click(f"#keep-{kind}")
        page.wait_for_function(f"() => {TRAME}.state.get('busy')", timeout=60_000)
        page.wait_for_function(f"() => !{TRAME}.state.get('busy')", timeout=400_000)
        errors = state(page, "errors")
        assert not errors.get("export"), errors  # type: ignore[attr-defined]
        with page.expect_download(timeout=60_000) as waiting:
            page.click("#made")
        waiting.value.delete()
        page.keyboard.press("Escape")

    def _open_exports(self, page: Page) -> None:
        page.evaluate("document.activeElement.blur()")
        page.keyboard.press("Escape")
        page.click("#keep")

    def resize(self, page: Page) -> None:
        page.set_viewport_size(
            {"width": self.rng.randint(1100, 1600), "height": self.rng.randint(720, 1000)}
        )


def lose_connection(page: Page) -> None:
    """Cut the page's connection, and wait until it has come back by itself."""
    page.evaluate("window.before = true")
    page.context.set_offline(True)
    page.evaluate("window.lastSocket.close()")
    page.locator("#gone").wait_for(timeout=60_000)
    page.wait_for_timeout(1500)
    page.context.set_offline(False)
    page.wait_for_function(f"window.before === undefined && {LOADED}", timeout=120_000)
