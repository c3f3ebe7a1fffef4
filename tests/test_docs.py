"""The documents: what they must name, where their links go, and that the output they quote is what is printed."""

from __future__ import annotations

import re
import shlex
from collections.abc import Iterator
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from sim.base.quantity import Toleranced
from sim.bench import tapes
from sim.bench.scenario import AMOUNTS, FaultKind, Scenario
from sim.bench.vehicle import Vehicle, load_vehicle
from sim.face.cli import main
from sim.jobs.case import SIGNALS, CaseFile
from sim.record import meaning
from sim.verdict.entry import RequirementEntry

ROOT = Path(__file__).parent.parent
DOCS = ROOT / "docs"
MOORHEN = ROOT / "sim" / "moorhen"
PAGES = sorted(DOCS.glob("*.md"))
LINKING = [*PAGES, *(page for page in [ROOT / "README.md"] if page.is_file())]

FILES = (DOCS / "files.md").read_text(encoding="utf-8")
PHYSICS = (DOCS / "physics.md").read_text(encoding="utf-8")
REPLAYING = (DOCS / "replaying.md").read_text(encoding="utf-8")


def tables(page: str) -> dict[str, dict[str, list[str]]]:
    """The rows of a page's tables by each name in a ``###`` heading, and by each name in the first cell."""
    found: dict[str, dict[str, list[str]]] = {}
    headings: list[str] = []
    for line in page.splitlines():
        if line.startswith("#"):
            headings = re.findall(r"`([^`]+)`", line)
        elif line.startswith("| `"):
            cells = [cell.strip() for cell in line.strip("|").split("|")]
            for name in re.findall(r"`([^`]+)`", cells[0]):
                for heading in headings:
                    found.setdefault(heading, {})[name] = cells
    return found


def models_in(annotation: Any) -> set[type[BaseModel]]:
    """The models a key's type speaks of, within lists and unions too."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return {annotation}
    return {model for inner in get_args(annotation) for model in models_in(inner)}


def sections_in(field: FieldInfo) -> set[type[BaseModel]]:
    """The models of a key that has a table of its own; requirements have another."""
    return models_in(field.annotation) - {RequirementEntry}


def keys_of(model: type[BaseModel], top: str, prefix: str = "") -> Iterator[tuple[str, str, FieldInfo]]:
    """Section, key and field of every key of a file."""
    for key, field in model.model_fields.items():
        yield prefix.rstrip(".") or top, key, field
        for entry in sections_in(field):
            yield from keys_of(entry, top, f"{prefix}{key}.")


def written(field: FieldInfo) -> str:
    """A key's default as the tables write it."""
    default = field.default
    if field.is_required():
        return "needed"
    if isinstance(default, bool):
        return str(default).lower()
    if default is None or default in ({}, ()):
        return "none"
    return f"{default:g}" if isinstance(default, Toleranced | float | int) else str(default) or "empty"


SCENARIO_KEYS = [
    (section if section == "scenario" else f"scenario.{section}", key, field)
    for section, key, field in keys_of(CaseFile, "scenario")
]
FILE_KEYS = [*keys_of(Vehicle, "vehicle"), *SCENARIO_KEYS]
PLAIN_KEYS = [each for each in FILE_KEYS if not sections_in(each[2])]


@pytest.mark.parametrize(("section", "key", "field"), PLAIN_KEYS, ids=[f"{part}.{key}" for part, key, _ in PLAIN_KEYS])
def test_every_key_of_vehicle_and_scenario_stands_in_its_table(section: str, key: str, field: FieldInfo) -> None:
    """docs/files.md names the key in its section's table, with the default that the model has."""
    row = tables(FILES).get(section, {}).get(key)
    assert row is not None, f"no row for {key} under a heading with `{section}`"
    assert row[2] == written(field)


@pytest.mark.parametrize("section", sorted({part for part, _, _ in PLAIN_KEYS}))
def test_no_table_names_a_key_that_is_gone(section: str) -> None:
    """Every name in a table of docs/files.md is a key of its section, or a fault kind among the faults."""
    known = {key for part, key, _ in FILE_KEYS if part == section}
    kinds = set(get_args(FaultKind)) if section == "scenario.faults" else set()
    # The three contacts share one table, in which one key says that it is the kill cord's.
    cords = {"closed_when"} if section in ("deadman", "mode_button") else set()
    assert set(tables(FILES)[section]) - known - kinds - cords == set()


@pytest.mark.parametrize("key", sorted({key for _, key, field in FILE_KEYS if sections_in(field)}))
def test_every_section_is_named(key: str) -> None:
    """docs/files.md names the key of each section, part or list."""
    assert f"`{key}`" in FILES


@pytest.mark.parametrize("kind", get_args(FaultKind))
def test_every_fault_kind_stands_in_the_table(kind: str) -> None:
    """docs/files.md names the fault kind, and an amount where it needs one and only there."""
    cells = tables(FILES)["scenario.faults"][kind]
    assert bool(cells[1]) == (kind in AMOUNTS)


@pytest.mark.parametrize("name", [*SIGNALS, *RequirementEntry.model_fields])
def test_every_name_for_requirements_is_told(name: str) -> None:
    """docs/files.md names each column that a requirement may name, and each key of a requirement."""
    assert f"`{name}`" in FILES


def test_every_limit_is_told() -> None:
    """docs/files.md names each of the vehicle's limits that a requirement may name."""
    limits = load_vehicle(MOORHEN / "moorhen.yaml").limits()
    assert [name for name in limits if f"`{name}`" not in FILES] == []


@pytest.mark.parametrize("part", sorted(path.name for path in (ROOT / "sim" / "world").glob("[!_]*.py")))
def test_every_part_of_the_world_has_its_place(part: str) -> None:
    """docs/physics.md names the file of the part."""
    assert f"`sim/world/{part}`" in PHYSICS


def test_every_stream_of_chance_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    """docs/physics.md names each stream that a run's tapes are drawn from."""
    drawn: list[str] = []
    make = tapes.stream
    monkeypatch.setattr(tapes, "stream", lambda seed, name: (drawn.append(name), make(seed, name))[1])
    scenario = Scenario.model_validate(
        {
            "name": "chance",
            "vehicle": "moorhen.yaml",
            "controller": "reference",
            "water": {"kind": "pool"},
            "attitude": "held",
            "rider": [{"at_s": 0.1, "deadman": True, "mode_button": True}],
            "duration_s": 0.2,
        }
    )
    tapes.draw(scenario, load_vehicle(MOORHEN / "moorhen.yaml"), tapes.water_of(scenario))
    assert drawn
    assert [name for name in drawn if f"`{name}`" not in PHYSICS] == []


@pytest.mark.parametrize("signal", meaning.SIGNALS)
def test_every_signal_of_a_recording_is_told(signal: str) -> None:
    """docs/replaying.md names the signal."""
    assert f"`{signal}`" in REPLAYING


def links(page: Path) -> list[str]:
    """Targets of a page's relative links."""
    found = re.findall(r"\]\(([^)\s]+)\)", page.read_text(encoding="utf-8"))
    return [target for target in found if not re.match(r"[a-z]+:", target)]


def anchors(page: Path) -> set[str]:
    """The names that a page's headings are linked by: lower case, no signs, blanks as hyphens."""
    headings = re.findall(r"^#+ (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


@pytest.mark.parametrize("page", LINKING, ids=lambda page: str(page.relative_to(ROOT)))
def test_every_link_leads_somewhere(page: Path) -> None:
    """Each relative link of a page points to a file, and to a heading of it where it names one."""
    broken = []
    for target in links(page):
        name, _, anchor = target.partition("#")
        path = page.parent / name if name else page
        if not path.exists() or (anchor and anchor not in anchors(path)):
            broken.append(target)
    assert broken == []


def test_the_index_lists_every_page() -> None:
    """docs/README.md links to every other page of the folder."""
    listed = links(DOCS / "README.md")
    assert [page.name for page in PAGES if page.name not in ("README.md", *listed)] == []


def quoted(page: str) -> dict[str, list[str]]:
    """Each command that a page quotes behind a ``$``, with the lines quoted of its output."""
    blocks = re.findall(r"```text\n\$ drydive (.+)\n((?:.+\n)+?)```", page)
    return {command: lines.splitlines() for command, lines in blocks}


def plain(text: str) -> str:
    """Text with every run of blanks and line ends as one blank, since the terminal's width is nobody's matter."""
    return " ".join(text.split())


@pytest.mark.parametrize("command", quoted(REPLAYING))
def test_quoted_output_of_a_replay_is_what_it_prints(
    command: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each line that docs/replaying.md quotes of a command's output is in its output."""
    monkeypatch.chdir(ROOT)
    main(shlex.split(command))
    printed = plain(capsys.readouterr().out)
    assert [line for line in quoted(REPLAYING)[command] if plain(line) not in printed] == []


def test_quoted_faults_are_what_a_broken_scenario_gives(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The two fault lines in docs/files.md are those of Moorhen's second scenario with two words broken."""
    (original,) = MOORHEN.glob("2_*.scenario.yaml")
    text = original.read_text(encoding="utf-8").replace("kind: pool", "kind: pol")
    (tmp_path / "broken.scenario.yaml").write_text(text.replace("lever_frac: 1.0", "throttle_frac: 1.0"))
    monkeypatch.chdir(tmp_path)
    assert main(["run", "broken.scenario.yaml"]) == 2
    assert capsys.readouterr().err.splitlines() == quoted(FILES)["run broken.scenario.yaml"]
