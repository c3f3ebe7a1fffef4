"""The page: what a report holds, and how it becomes one HTML file (row 5)."""

from __future__ import annotations

import json
import platform
import re
import shlex
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup
from matplotlib.figure import Figure

import sim
from sim.base.files import write_text
from sim.face import look
from sim.face.text import CAUTION

HERE = Path(__file__).parent
# A recording may be long; a page is to be sent. What is larger is named by its hash alone.
TEXT_MAX = 200_000


@dataclass(frozen=True, slots=True)
class Fact:
    """A name and a value."""

    name: str
    value: str


@dataclass(frozen=True, slots=True)
class Section:
    """A part of the evidence: a sentence, a figure, a table, or some of them.

    rows : cells as text, one for each column.
    """

    title: str
    says: str = ""
    figure: Markup | None = None
    columns: Sequence[str] = ()
    rows: Sequence[Sequence[str]] = ()


@dataclass(frozen=True, slots=True)
class Input:
    """A file that went in; its text is None where it is too long, or no text."""

    role: str
    name: str
    hash: str
    size: int
    text: str | None


@dataclass(frozen=True, slots=True)
class Report:
    """What a page holds, from what matters first.

    verdict : pass, fail or undecided; empty where nothing was judged.
    timeline : from `timeline.timeline`.
    command : that repeats it.
    """

    title: str
    verdict: str = ""
    says: str = ""
    facts: Sequence[Fact] = ()
    lines: Sequence[str] = ()
    timeline: Mapping[str, Any] | None = None
    sections: Sequence[Section] = ()
    inputs: Sequence[Input] = ()
    command: str = ""
    seed: int | None = None
    engine: str = ""
    versions: Mapping[str, str] = field(
        default_factory=lambda: {
            "drydive": sim.__version__,
            "python": platform.python_version(),
            "numpy": np.__version__,
        }
    )
    caution: str = CAUTION


def inputs(files: Iterable[tuple[str, Path | None]]) -> tuple[Input, ...]:
    """The files that went in, each once, those that are not there left out."""
    found: dict[Path, Input] = {}
    for role, path in files:
        if path is None or not path.is_file() or path.resolve() in found:
            continue
        data = path.read_bytes()
        text: str | None = None
        if len(data) <= TEXT_MAX:
            try:
                text = data.decode("utf-8")
            except UnicodeDecodeError:
                text = None
        found[path.resolve()] = Input(role, path.name, sha256(data).hexdigest(), len(data), text)
    return tuple(found.values())


def repeated(arguments: Sequence[str]) -> str:
    """The command line that makes the same again."""
    return f"drydive {shlex.join(arguments)}"


def inline(figure: Figure) -> Markup:
    """A figure as SVG that may stand in a page."""
    text = StringIO()
    with look.styled():
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": "drydive"})
    drawn = text.getvalue()
    # Without the prologue of a file of its own; its names stand beside those of other figures.
    drawn = drawn[drawn.index("<svg") :]
    own = sha256(drawn.encode()).hexdigest()[:6]
    names = set(re.findall(r'id="([^"]+)"', drawn))

    def own_name(match: re.Match[str]) -> str:
        return f"{match[1]}f{own}-{match[2]}" if match[2] in names else match[0]

    return Markup(re.sub(r'(id="|#)([\w.-]+)', own_name, drawn))


def html(report: Report) -> str:
    """The page as one text."""
    data = json.dumps(report.timeline, separators=(",", ":"), allow_nan=False)
    return rendered(
        "page.html",
        ("page.css",),
        report=report,
        script=Markup((HERE / "page.js").read_text(encoding="utf-8")),
        # No text of a scenario may end the script.
        data=Markup(data.replace("<", "\\u003c")),
    )


def rendered(template: str, styles: Sequence[str], **given: Any) -> str:
    """A template of this folder with what it is given, the style sheets put into it as `css`."""
    environment = Environment(
        loader=FileSystemLoader(HERE), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    css = "".join((HERE / name).read_text(encoding="utf-8") for name in styles)
    return environment.get_template(template).render(css=Markup(css), **given)


def write(report: Report, path: Path) -> None:
    """Write the page, whole or not at all.

    Raises
    ------
    InputError
        A place that cannot be written to.
    """
    write_text(path, html(report))
