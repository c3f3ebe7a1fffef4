"""The page of a report: whole, alone, and safe whatever stands in a scenario; `tests/browser` opens it."""

from __future__ import annotations

import json
import re
from hashlib import sha256
from html.parser import HTMLParser
from pathlib import Path

import pytest
from file_cases import scenario

from sim.face.cli import main

ROOT = Path(__file__).parents[1]
VOID = {"meta", "link", "br", "input", "hr", "img"}


class Outline(HTMLParser):
    """Tags that are left open, addresses named, and the text of the page."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.addresses: list[str] = []
        self.data: list[str] = []
        self.wrong: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href", "action", "data")]
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open.pop() != tag:
            self.wrong.append(tag)

    def handle_data(self, data: str) -> None:
        self.data.append(data)


def outline(text: str) -> Outline:
    parsed = Outline()
    parsed.feed(text)
    return parsed


@pytest.fixture
def page(tmp_path: Path) -> str:
    """The page of a short run."""
    path = scenario(tmp_path, requirements="[{id: bus, says: It keeps up., formula: always(bus_v > 20)}]")
    assert main(["run", str(path), "--engine", "interpreted", "--report", str(tmp_path / "r.html"), "--quiet"]) == 0
    return (tmp_path / "r.html").read_text(encoding="utf-8")


def test_the_page_is_well_formed(page: str) -> None:
    """Every element that is opened is closed, in order."""
    parsed = outline(page)
    assert (parsed.open, parsed.wrong) == ([], [])


def test_nothing_outside_is_named(page: str) -> None:
    """No address but those inside the page; no style and no script that fetches."""
    assert all(address.startswith(("data:", "#")) for address in outline(page).addresses)
    assert not re.findall(r"@import|url\(\s*[\"']?http|fetch\(|XMLHttpRequest|https?://(?!www\.w3\.org/)", page)


def test_the_inputs_stand_in_full_with_their_hashes(page: str, tmp_path: Path) -> None:
    """Scenario, vehicle, controller and parameters, each as it was read."""
    text = "".join(outline(page).data)
    for path in (tmp_path / "s.yaml", ROOT / "controllers" / "reference.py", ROOT / "sim" / "moorhen" / "moorhen.yaml"):
        assert sha256(path.read_bytes()).hexdigest() in text
        assert path.read_text(encoding="utf-8").strip() in text


def test_the_page_says_how_to_repeat_it(page: str, tmp_path: Path) -> None:
    """The command line, the seed, the engine, the versions, and the caution."""
    text = "".join(outline(page).data)
    assert f"drydive run {tmp_path / 's.yaml'} --engine interpreted --report {tmp_path / 'r.html'} --quiet" in text
    assert all(word in text for word in ("seed", "interpreted", "numpy", "Simulation replaces no hardware interlock"))


def test_no_text_of_a_scenario_becomes_a_part_of_the_page(tmp_path: Path) -> None:
    """Names that look like elements and ends of scripts stay words."""
    nasty = "</script><script>alert(1)</script><b>&"
    path = scenario(tmp_path, name=json.dumps(nasty), says=json.dumps(nasty))
    assert main(["run", str(path), "--report", str(tmp_path / "r.html"), "--quiet"]) == 0
    text = (tmp_path / "r.html").read_text(encoding="utf-8")
    assert "<script>alert" not in text
    assert text.count("<script") == 2
    assert nasty in outline(text).data


def test_the_timeline_holds_what_was_recorded(page: str) -> None:
    """Its lowest bus voltage is the table's, and its span the run's."""
    data = json.loads(re.search(r'<script type="application/json" id="data">(.*?)</script>', page, re.S)[1])  # type: ignore[index]
    bus = next(panel for panel in data["panels"] if panel["name"] == "Bus voltage (V)")
    measured = re.search(r"bus_v_min</td><td[^>]*>([\d.]+) V", page)
    assert measured is not None
    assert min(bus["signals"][0]["v"]) == pytest.approx(float(measured[1]), rel=1e-3)
    assert data["span"][0] == 0.0


def test_a_page_that_cannot_be_written_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Exit 2, and nothing half written."""
    (tmp_path / "file").write_text("")
    assert main(["run", str(scenario(tmp_path)), "--report", str(tmp_path / "file" / "r.html"), "--quiet"]) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1
