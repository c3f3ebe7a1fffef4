"""What ``check`` prints: the worst of every requirement first, then what changed and what was never tried (row 5)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.table import Table as Grid
from rich.text import Text

from sim.face.junit import story
from sim.face.text import STYLES
from sim.jobs.branches import shares
from sim.jobs.check import SUFFIX, Outcome, merged
from sim.verdict.words import quantity

ORDER = {"fail": 0, "undecided": 1, "pass": 2}


def short(path: str) -> str:
    """A scenario's file without its folder and ending."""
    return Path(path).name.removesuffix(SUFFIX)


def suite(console: Console, outcomes: Sequence[Outcome]) -> None:
    """Every requirement with the scenario that came nearest to failing it, failures first; then what could not run."""
    rows: dict[str, list[tuple[Mapping[str, Any], str]]] = {}
    for outcome in outcomes:
        for entry in outcome.result["requirements"] if outcome.result is not None else ():
            rows.setdefault(entry["id"], []).append((entry, short(outcome.path)))
    grid = Grid(box=None, pad_edge=False, header_style="dim")
    for name in ("", "requirement", "margin", "worst in", "of", "why"):
        grid.add_column(name, justify="right" if name in ("margin", "of") else "left")
    worst = {name: min(entries, key=_nearness) for name, entries in rows.items()}
    for name, (entry, where) in sorted(worst.items(), key=lambda item: _nearness(item[1])):
        margin = "" if entry["margin"] is None else quantity(entry["margin"], entry["unit"])
        word = Text(entry["verdict"], STYLES[entry["verdict"]])
        grid.add_row(word, Text(name), margin, Text(where), str(len(rows[name])), Text(entry["why"]))
    console.print(grid)
    for outcome in outcomes:
        if outcome.verdict in ("fail", "error"):
            console.print(Text.assemble((outcome.verdict, STYLES["fail"]), f"  {short(outcome.path)}"))
            for line in story(outcome):
                console.print(Text(f"  {line}"))


def _nearness(item: tuple[Mapping[str, Any], str]) -> tuple[int, float]:
    entry = item[0]
    return ORDER[entry["verdict"]], float("inf") if entry["margin"] is None else entry["margin"]


def changes(console: Console, lines: Sequence[str]) -> None:
    """What behaves otherwise than the baseline."""
    console.print(Text("against the baseline", "dim"))
    for line in lines or ("  no change of behaviour",):
        console.print(Text(line if line.startswith(" ") else f"  {line}"))


def coverage(console: Console, outcomes: Sequence[Outcome]) -> None:
    """What of each controller the suite went through, and what it never visited."""
    console.print(Text("coverage", "dim"))
    for name, seen in merged(outcomes).items():
        counts = [
            f"{word} {len(visited & set(words))} of {len(words)}"
            for word, words, visited in (
                ("modes", seen.mode_words, seen.modes),
                ("reasons", seen.reason_words, seen.reasons),
            )
        ]
        console.print(Text(f"  {name}: {', '.join(counts)}, {len(seen.changes)} different changes of mode"))
        for what, words, visited in (
            ("mode", seen.mode_words, seen.modes),
            ("reason", seen.reason_words, seen.reasons),
        ):
            for code, text in words.items():
                if code not in visited:
                    console.print(Text(f"    never: {what} {code} {text}"))
        for before, after in sorted(seen.changes):
            console.print(
                Text(f"    {seen.mode_words.get(before, before)} -> {seen.mode_words.get(after, after)}", "dim")
            )
    traces = [outcome.arcs for outcome in outcomes if outcome.arcs is not None]
    if not traces:
        console.print(Text("  lines and branches were not measured: the package coverage is not installed"))
        return
    for share in shares(traces):
        lines = f"{share.lines} of {share.of_lines} lines"
        console.print(Text(f"  {shown_path(share.path)}: {lines}, {share.branches} of {share.of_branches} branches"))
        for what, numbers in (("lines", share.missing_lines), ("ways out of lines", share.missing_branches)):
            if numbers:
                console.print(Text(f"    never: {what} {', '.join(map(str, numbers))}"))


def shown_path(path: str) -> str:
    """A path as it is named from here, where it lies below."""
    return str(Path(path).relative_to(Path.cwd())) if Path(path).is_relative_to(Path.cwd()) else path
