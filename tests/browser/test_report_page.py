"""The page in a real browser: it loads alone, and its timeline answers to mouse and keys.

Needs Chromium (``DRYDIVE_CHROMIUM``, or ``chromium`` on the path), which the
other tests do not; so it is run by name: ``pytest tests/browser``.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect
from test_tune_command import asked

from sim.face.cli import main

ROOT = Path(__file__).parents[2]
SCENARIO = ROOT / "sim" / "moorhen" / "3_first_draft_tired_pack.scenario.yaml"
# "tune" is on a vehicle whose drive has a closed form, where it takes seconds.
PAGES = {
    "run": ["run", str(SCENARIO)],
    "replay": ["replay", str(ROOT / "traces" / "lake_wet_button.csv")],
    "compare": ["compare", str(ROOT / "traces" / "lake_wet_button.csv"), "--with-controller", "first_draft"],
    "fit": ["fit", str(ROOT / "sim" / "moorhen" / "moorhen.yaml"), str(ROOT / "traces" / "bench_dry.csv")],
    "tune": [],
    "check": ["check", str(ROOT / "sim" / "moorhen")],
}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Each command's page, made once."""
    folder = tmp_path_factory.mktemp("pages")
    for name, command in {**PAGES, "tune": asked(folder, esc__cut_v=43.0)}.items():
        assert main([*command, "--report", str(folder / f"{name}.html"), "--quiet"]) in (0, 1)
    return {name: folder / f"{name}.html" for name in PAGES}


class Opened:
    """A page with what it asked for and what went wrong in it."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.requested: list[str] = []
        self.errors: list[str] = []
        page.on("request", lambda request: self.requested.append(request.url))
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("console", lambda message: self.errors.append(message.text) if message.type == "error" else None)

    def go(self, path: Path) -> Opened:
        self.page.goto(path.as_uri())
        self.page.wait_for_load_state("networkidle")
        return self

    def window(self) -> tuple[float, float]:
        """The time the timeline shows."""
        self.page.evaluate("new Promise(done => requestAnimationFrame(() => requestAnimationFrame(done)))")
        box = self.page.locator("#timeline")
        return float(box.get_attribute("data-from") or "nan"), float(box.get_attribute("data-to") or "nan")


@pytest.fixture
def opened(browser: Browser) -> Iterator[Opened]:
    page = browser.new_page(viewport={"width": 1200, "height": 900})
    yield Opened(page)
    page.close()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_loads_without_errors_and_asks_for_nothing_else(
    opened: Opened, pages: dict[str, Path], name: str
) -> None:
    """The file itself is the only thing that is fetched; icons and figures are inside."""
    opened.go(pages[name])
    outside = [url for url in opened.requested if not url.startswith(("data:", pages[name].as_uri()))]
    assert (outside, opened.errors) == ([], [])


def test_the_keys_zoom_and_move(opened: Opened, pages: dict[str, Path]) -> None:
    """Plus halves the time shown about its middle, an arrow moves it, minus and 0 give all back."""
    opened.go(pages["run"])
    first, last = opened.window()
    opened.page.locator("#timeline").focus()
    opened.page.keyboard.press("+")
    start, stop = opened.window()
    assert (stop - start) == pytest.approx((last - first) / 2)
    assert (start + stop) == pytest.approx(first + last)
    opened.page.keyboard.press("ArrowRight")
    assert opened.window()[0] > start
    opened.page.keyboard.press("0")
    assert opened.window() == (first, last)


def test_every_control_is_reached_with_the_tab_key(opened: Opened, pages: dict[str, Path]) -> None:
    """The timeline, its buttons and its boxes take the focus in turn."""
    opened.go(pages["run"])
    seen = set()
    for _ in range(30):
        opened.page.keyboard.press("Tab")
        seen.add(opened.page.evaluate("(e => e.dataset.do || e.dataset.signal || '')(document.activeElement)"))
    assert {"in", "out", "left", "right", "all", "bus"} <= seen


def test_the_wheel_zooms_about_the_pointer(opened: Opened, pages: dict[str, Path]) -> None:
    """What is under the pointer stays there."""
    opened.go(pages["run"])
    first, last = opened.window()
    panel = opened.page.locator(".panel svg").first.bounding_box()
    assert panel is not None
    opened.page.mouse.move(panel["x"] + 58, panel["y"] + 20)
    opened.page.mouse.wheel(0, -100)
    start, stop = opened.window()
    assert start == pytest.approx(first, abs=0.02 * (last - first))
    assert stop - start == pytest.approx(0.8 * (last - first))


def test_dragging_moves_the_time(opened: Opened, pages: dict[str, Path]) -> None:
    """The time follows the hand, once there is something outside the window."""
    opened.go(pages["run"])
    opened.page.get_by_role("button", name="Zoom in").click()
    start, _ = opened.window()
    panel = opened.page.locator(".panel svg").first.bounding_box()
    assert panel is not None
    opened.page.mouse.move(panel["x"] + 500, panel["y"] + 20)
    opened.page.mouse.down()
    opened.page.mouse.move(panel["x"] + 400, panel["y"] + 20)
    opened.page.mouse.up()
    assert opened.window()[0] > start


def test_a_box_hides_its_signal_and_shows_it_again(opened: Opened, pages: dict[str, Path]) -> None:
    """Also from the keyboard: the space bar on the focused box."""
    opened.go(pages["run"])
    line = opened.page.locator("path.signal[data-name=bus]")
    expect(line).to_have_count(1)
    opened.page.locator("input[data-signal=bus]").focus()
    opened.page.keyboard.press("Space")
    expect(line).to_have_count(0)
    opened.page.keyboard.press("Space")
    expect(line).to_have_count(1)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_from_the_paper(browser: Browser, pages: dict[str, Path], scheme: str) -> None:
    """Body, quiet and verdict colours have at least the contrast that WCAG 2.1, 1.4.3 asks for: 4.5 to 1."""
    page = browser.new_page(color_scheme=scheme)
    page.goto(pages["run"].as_uri())
    colours = page.evaluate(
        """() => ['.says', 'h1', '.verdict', 'th', 'td.pass', 'td.fail'].map(name =>
        getComputedStyle(document.querySelector(name)).color).concat(getComputedStyle(document.body).backgroundColor)"""
    )
    page.close()
    lights = [luminance(colour) for colour in colours]
    for light in lights[:-1]:
        high, low = max(light, lights[-1]), min(light, lights[-1])
        assert (high + 0.05) / (low + 0.05) >= 4.5


def luminance(colour: str) -> float:
    """Relative luminance of ``rgb(r, g, b)``, WCAG 2.1."""
    parts = [int(part) / 255 for part in colour[colour.index("(") + 1 : -1].split(",")[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", PAGES)
def test_a_phone_scrolls_only_down(browser: Browser, pages: dict[str, Path], name: str) -> None:
    """At 390 pixels no part of the page but its tables and figures is wider than the screen."""
    page = browser.new_page(viewport={"width": 390, "height": 800})
    page.goto(pages[name].as_uri())
    wide = page.evaluate("document.documentElement.scrollWidth")
    page.close()
    assert wide <= 390


def test_on_paper_everything_is_there(browser: Browser, pages: dict[str, Path], tmp_path: Path) -> None:
    """Printed, the controls go and every input is open; the PDF has several pages."""
    page = browser.new_page()
    page.goto(pages["run"].as_uri())
    page.pdf(path=str(tmp_path / "run.pdf"))
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    assert page.evaluate("[...document.querySelectorAll('details')].every(each => each.open)")
    assert not page.locator(".controls").is_visible()
    page.close()
    assert len(re.findall(rb"/Type\s*/Page\b", (tmp_path / "run.pdf").read_bytes())) >= 2
