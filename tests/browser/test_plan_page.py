"""The plan's page in a real browser: it loads alone, fits a phone, and prints without splitting what belongs together.

Needs Chromium, as `test_report_page` says; run by name: ``pytest tests/browser``.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from plan_cases import moorhen, recorded
from playwright.sync_api import Browser, Page

from sim.face.cli import main

ROOT = Path(__file__).parents[2]

# A4 less the margins that the page asks for, at 96 pixels an inch.
SHEET = {"width": round((210 - 26) / 25.4 * 96), "height": round((297 - 29) / 25.4 * 96)}


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The plan, blank, and a stage of it filled in."""
    from sim.face.report.plan import of_plan, write

    folder = tmp_path_factory.mktemp("pages")
    plan, there = moorhen()
    write(of_plan(plan, ["plan"]), folder / "blank.html")
    log = recorded(3, folder / "r.csv", numbers={"leads.joint_ohm": 0.02}, build=1)
    command = ["replay", str(log), "--plan", str(there), "--stage", "3", "--report", str(folder / "filled.html")]
    assert main([*command, "--quiet"]) == 1
    return {name: folder / f"{name}.html" for name in ("blank", "filled")}


def opened(browser: Browser, path: Path, **options: object) -> Page:
    page = browser.new_page(**options)  # type: ignore[arg-type]
    page.goto(path.as_uri())
    return page


@pytest.mark.parametrize("name", ["blank", "filled"])
def test_the_page_loads_without_errors_and_asks_for_nothing_else(
    browser: Browser, pages: dict[str, Path], name: str
) -> None:
    """The file itself is the only thing that is fetched."""
    page = browser.new_page()
    asked: list[str] = []
    wrong: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(pages[name].as_uri())
    page.close()
    assert ([url for url in asked if not url.startswith(("data:", pages[name].as_uri()))], wrong) == ([], [])


@pytest.mark.parametrize("name", ["blank", "filled"])
def test_a_phone_scrolls_only_down(browser: Browser, pages: dict[str, Path], name: str) -> None:
    """At 390 pixels nothing, tables of figures included, is wider than the screen."""
    page = opened(browser, pages[name], viewport={"width": 390, "height": 800})
    wide = page.evaluate(
        """() => [document.documentElement.scrollWidth,
        ...[...document.querySelectorAll('.figures')].map(each => each.getBoundingClientRect().right)]"""
    )
    page.close()
    assert max(wide) <= 390


def test_every_stage_begins_a_sheet_and_no_try_is_split(browser: Browser, pages: dict[str, Path]) -> None:
    """Printed, stages break before themselves, tries never within, and each try is lower than a sheet."""
    page = opened(browser, pages["blank"], viewport=SHEET)
    page.emulate_media(media="print")
    found = page.evaluate(
        """() => ({
        stages: [...document.querySelectorAll('.stage')].map(each => getComputedStyle(each).breakBefore),
        tries: [...document.querySelectorAll('.try, .block')].map(each => getComputedStyle(each).breakInside),
        heights: [...document.querySelectorAll('.try, .block')].map(each => each.getBoundingClientRect().height)})"""
    )
    page.close()
    assert set(found["stages"]) == {"page"}
    assert len(found["stages"]) == 5
    assert set(found["tries"]) == {"avoid"}
    assert max(found["heights"]) < SHEET["height"]


def test_on_paper_it_is_black_on_white_with_boxes(browser: Browser, pages: dict[str, Path]) -> None:
    """Also where the reader's screen is dark: paper and ink, drawn boxes, no wide tables, an A4 page for all stages."""
    page = opened(browser, pages["blank"], viewport=SHEET, color_scheme="dark")
    page.emulate_media(media="print", color_scheme="dark")
    look = page.evaluate(
        """() => { const of = name => getComputedStyle(document.querySelector(name));
        return [of('body').backgroundColor, of('body').color, of('.tick input').borderTopStyle,
        of('.hand').borderTopColor, document.documentElement.scrollWidth] }"""
    )
    pdf = page.pdf(prefer_css_page_size=True)
    page.close()
    assert look[:4] == ["rgb(255, 255, 255)", "rgb(0, 0, 0)", "solid", "rgb(0, 0, 0)"]
    assert look[4] <= SHEET["width"]
    # Points: 210 by 297 mm.
    sizes = {tuple(round(float(each)) for each in box.split()) for box in re.findall(rb"/MediaBox\s*\[([^\]]+)\]", pdf)}
    assert sizes <= {(0, 0, 595, 842), (0, 0, 596, 842), (0, 0, 595, 843), (0, 0, 596, 843)}


def test_boxes_are_reached_and_ticked_by_keys(browser: Browser, pages: dict[str, Path]) -> None:
    """Tab goes to the boxes, and the space bar ticks one."""
    page = opened(browser, pages["blank"])
    page.locator(".ticks input").first.focus()
    page.keyboard.press("Space")
    assert page.locator(".ticks input").first.is_checked()
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.type") == "checkbox"
    page.close()


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_from_the_paper(browser: Browser, pages: dict[str, Path], scheme: str) -> None:
    """Verdicts of figures and quiet words have the 4.5 to 1 that WCAG 2.1, 1.4.3 asks for."""
    page = opened(browser, pages["filled"], color_scheme=scheme)
    colours = page.evaluate(
        """() => ['.within', '.outside', '.kept', '.not-measured', '.says', 'th'].map(name =>
        getComputedStyle(document.querySelector(name)).color).concat(getComputedStyle(document.body).backgroundColor)"""
    )
    page.close()
    lights = [luminance(colour) for colour in colours]
    for light in lights[:-1]:
        assert (max(light, lights[-1]) + 0.05) / (min(light, lights[-1]) + 0.05) >= 4.5


def luminance(colour: str) -> float:
    """Relative luminance of ``rgb(r, g, b)``, WCAG 2.1."""
    parts = [int(part) / 255 for part in colour[colour.index("(") + 1 : -1].split(",")[:3]]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
