"""The tutorial in docs/first-hour.md can be followed: commands, changes and quoted output, from top to bottom."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

from sim.face.cli import main

PAGE = Path(__file__).parents[1] / "docs" / "first-hour.md"


class Block(NamedTuple):
    """A fenced block of the page: its line number, its kind and its lines."""

    line: int
    kind: str
    lines: list[str]


def blocks(page: str) -> list[Block]:
    """All fenced blocks in order."""
    found = re.finditer(r"^```(\w*)\n(.*?)^```$", page, re.MULTILINE | re.DOTALL)
    return [Block(page.count("\n", 0, each.start()) + 1, each[1], each[2].splitlines()) for each in found]


BLOCKS = blocks(PAGE.read_text(encoding="utf-8"))


def plain(text: str) -> str:
    """Text with every run of blanks and line ends as one blank, since the terminal's width is nobody's matter."""
    return " ".join(text.split())


def unprinted(quoted: list[str], printed: str) -> list[str]:
    """Quoted lines that are not in the output, each looked for behind the one before."""
    missing = []
    at = 0
    whole = plain(printed)
    for line in quoted:
        place = whole.find(plain(line), at)
        if place < 0:
            missing.append(line)
        else:
            at = place + len(plain(line))
    return missing


def expected_exit(quoted: list[str]) -> int:
    """The exit code that goes with an output: its first word is the verdict, or the first line a fault."""
    first = quoted[0] if quoted else ""
    if first.startswith("FAIL"):
        return 1
    return 2 if ": expected " in first else 0


def changed(text: str, lines: list[str]) -> str:
    """A file's text with a change made as the page shows it: what stands there now, once, becomes what shall."""
    before = "".join(f"{line[1:]}\n" for line in lines if line[0] in " -")
    after = "".join(f"{line[1:]}\n" for line in lines if line[0] in " +")
    assert text.count(before) == 1, f"stands there {text.count(before)} times: {before}"
    return text.replace(before, after)


def test_every_block_is_a_command_or_a_change():
    """Nothing on the page is left untried: each block begins with a command, or names the file that it changes."""
    starts = {"text": "$ ", "diff": "--- "}
    assert [block for block in BLOCKS if not block.lines[0].startswith(starts.get(block.kind, "\0"))] == []


def test_the_page_goes_through_the_whole_job():
    """The page has each of the commands that a first hour is about."""
    commands = {" ".join(block.lines[0].split()[1:3]) for block in BLOCKS if block.kind == "text"}
    wanted = {"drydive new", "drydive check", "drydive run", "drydive replay", "drydive tune", "drydive sheet"}
    assert wanted - commands == set()


@pytest.mark.parametrize(
    ("quoted", "printed", "missing"),
    [
        (["a  b", "d"], "a b c\nd\n", []),
        (["d", "a b"], "a b c\nd\n", ["a b"]),
        (["PASS  12"], "FAIL  12\n", ["PASS  12"]),
    ],
)
def test_a_quoted_line_that_was_not_printed_is_seen(quoted: list[str], printed: str, missing: list[str]):
    """The comparison itself finds a line that is wrong, or in another order."""
    assert unprinted(quoted, printed) == missing


def test_the_page_can_be_followed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Done in order in an empty folder, every command ends and prints as quoted, and every change finds its place."""
    monkeypatch.chdir(tmp_path)
    wrong = []
    for block in BLOCKS:
        where = f"{PAGE.name}:{block.line}: {block.lines[0]}"
        if block.kind == "diff":
            file = Path(block.lines[0].removeprefix("--- "))
            file.write_text(changed(file.read_text(encoding="utf-8"), block.lines[1:]), encoding="utf-8")
            continue
        program, *arguments = shlex.split(block.lines[0].removeprefix("$ "))
        quoted = block.lines[1:]
        if program == "cd":
            monkeypatch.chdir(arguments[0])
            continue
        if program == "drydive":
            code = main(arguments)
            shown = capsys.readouterr()
            printed = shown.out + shown.err
        else:
            assert program == "pytest", where
            done = subprocess.run(
                [sys.executable, "-m", *shlex.split(block.lines[0][2:])], capture_output=True, text=True
            )
            code, printed = done.returncode, done.stdout + done.stderr
        if code != expected_exit(quoted):
            wrong.append(f"{where}: exit code {code}\n{printed}")
        wrong += [f"{where}: not printed: {line}\n{printed}" for line in unprinted(quoted, printed)]
    assert not wrong, "\n".join(wrong)


def test_the_page_leaves_the_files_as_they_were_but_for_what_it_keeps(tmp_path: Path) -> None:
    """All changes made in order undo each other, but for the one of the ramp."""
    files = {block.lines[0].removeprefix("--- ") for block in BLOCKS if block.kind == "diff"}
    assert main(["new", str(tmp_path / "sled"), "--quiet"]) == 0
    before = {name: (tmp_path / "sled" / name).read_text(encoding="utf-8") for name in files}
    after = dict(before)
    for block in BLOCKS:
        if block.kind == "diff":
            name = block.lines[0].removeprefix("--- ")
            after[name] = changed(after[name], block.lines[1:])
    assert [name for name in sorted(files) if before[name] != after[name]] == ["controller.yaml"]
