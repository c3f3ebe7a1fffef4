"""A suite's outcomes as JUnit XML, for the build servers that read it (row 5)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from xml.etree import ElementTree

from sim.base.files import written_whole
from sim.jobs.check import SUFFIX, Outcome


def write_junit(outcomes: Sequence[Outcome], path: Path) -> None:
    """One test case for each scenario; undecided ones count as skipped.

    Raises
    ------
    InputError
        The place cannot be written.
    """
    counts = {word: sum(outcome.verdict == word for outcome in outcomes) for word in ("fail", "error", "undecided")}
    suite = ElementTree.Element(
        "testsuite",
        name="drydive",
        tests=str(len(outcomes)),
        failures=str(counts["fail"]),
        errors=str(counts["error"]),
        skipped=str(counts["undecided"]),
    )
    for outcome in outcomes:
        file = Path(outcome.path)
        case = ElementTree.SubElement(
            suite, "testcase", classname=file.parent.as_posix(), name=file.name.removesuffix(SUFFIX)
        )
        text = "\n".join(story(outcome))
        if outcome.verdict == "fail":
            ElementTree.SubElement(case, "failure", message="a requirement failed").text = text
        elif outcome.verdict == "error":
            ElementTree.SubElement(case, "error", message="could not be run").text = text
        elif outcome.verdict == "undecided":
            ElementTree.SubElement(case, "skipped", message="not decided").text = text
    with written_whole(path) as temporary:
        ElementTree.ElementTree(suite).write(temporary, encoding="utf-8", xml_declaration=True)


def story(outcome: Outcome) -> list[str]:
    """What did not pass in a scenario, a line each, and how to repeat it."""
    if outcome.result is None:
        return [*outcome.faults, *([outcome.crash] if outcome.crash else []), f"repeat: drydive run {outcome.path}"]
    lines = [
        f"{entry['verdict']} {entry['id']}: {entry['why']}"
        for entry in outcome.result["requirements"]
        if entry["verdict"] != "pass"
    ]
    return [*lines, f"seed {outcome.result['seed']}; repeat: drydive run {outcome.path}"]
