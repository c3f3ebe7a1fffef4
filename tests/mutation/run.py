"""Mutation testing of the controllers by the scenario suite: every mutant of Cosmic Ray, tried by `judge.py`.

``python tests/mutation/run.py`` copies the project into a temporary folder and
mutates there, in memory. The session, with each mutant's change and fate, is
Cosmic Ray's own (`cr-report`, `cr-html` read it). See docs/mutation.md.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections import Counter, defaultdict
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from cosmic_ray.commands.init import init
from cosmic_ray.config import load_config
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator
from cosmic_ray.work_db import WorkDB, use_db
from cosmic_ray.work_item import MutationSpec, TestOutcome, WorkerOutcome, WorkItem, WorkResult

ROOT = Path(__file__).parents[2]
COPIED = ("controllers", "sim", "tests/scenarios", "tests/mutation")
CONFIG = Path(__file__).with_name("cosmic-ray.toml")
DOCUMENT = ROOT / "docs" / "mutation.md"
KILLED = ("requirement", "crash", "timeout")
COLUMNS = ("mutants", *KILLED, "equivalent", "accepted", "unexplained", "baseline alone")
# Mutants of one function that one process tries in a row.
TOGETHER = 20


@contextmanager
def copy_of_the_project() -> Iterator[Path]:
    """A copy of what a scenario needs, which nobody edits while mutants are tried."""
    with tempfile.TemporaryDirectory(prefix="drydive-mutation-") as folder:
        for name in COPIED:
            shutil.copytree(ROOT / name, Path(folder) / name, ignore=shutil.ignore_patterns("__pycache__"))
        yield Path(folder)


def prepared(tree: Path, db: WorkDB) -> None:
    """A new session with every mutant, those of excluded operators skipped."""
    config = load_config(CONFIG)
    here = os.getcwd()
    os.chdir(tree)
    try:
        init([Path(path) for path in config["module-path"]], db, {})
    finally:
        os.chdir(here)
    exclude = re.compile("|".join(config.sub("filters", "operators-filter")["exclude-operators"]))
    skipped = WorkResult(WorkerOutcome.SKIPPED, output="excluded operator")
    for item in db.pending_work_items:
        if exclude.fullmatch(item.mutations[0].operator_name):
            db.set_result(item.job_id, skipped)


def untried(db: WorkDB) -> list[WorkItem]:
    """Mutants without a fate; at first that is all of them."""
    results = dict(db.results)
    return [item for item in db.work_items if item.job_id not in results]


def survivors(db: WorkDB) -> list[WorkItem]:
    """What was not killed the last time, but for what is explained as equivalent, and what was never tried."""
    known = explained()
    results = dict(db.results)
    found = untried(db)
    for item in db.work_items:
        result = results.get(item.job_id)
        if result is not None and result.test_outcome == TestOutcome.SURVIVED:
            place = (place_of(item.mutations[0]), (result.diff or "").split("\n+ ")[1])
            found += [item] if known.get(place) != "equivalent" else []
    return found


def place_of(mutation: MutationSpec) -> str:
    """Module and function of a mutant."""
    return f"{mutation.module_path.stem}.{mutation.definition_name or 'constants'}"


def mutated(tree: Path, mutation: MutationSpec) -> tuple[str, str]:
    """A module's source and the mutant's."""
    source = (tree / mutation.module_path).read_text(encoding="utf-8")
    changed = mutate_code(source, get_operator(mutation.operator_name)(), mutation.occurrence)
    assert changed is not None, f"no such mutant: {mutation}"
    return source, changed


def change(source: str, changed: str) -> str:
    """The line that differs, before and after."""
    pairs = zip(source.splitlines(), changed.splitlines(), strict=True)
    number, (before, after) = next((n, pair) for n, pair in enumerate(pairs, 1) if pair[0] != pair[1])
    return f"{number}\n- {before.strip()}\n+ {after.strip()}"


def tried(tree: Path, db: WorkDB, items: list[WorkItem], workers: int) -> None:
    """Try mutants, those of one function together, for one scenario often kills them all."""
    changes: dict[str, str] = {}
    before = dict(db.results)
    by_function: dict[tuple[str, str], list[dict[str, Any]]] = defaultdict(list)
    for item in items:
        mutation = item.mutations[0]
        source, changed = mutated(tree, mutation)
        changes[item.job_id] = change(source, changed)
        if item.job_id in before and before[item.job_id].diff != changes[item.job_id]:
            raise SystemExit("the controllers are not those of the last session: begin a new one, without --again")
        module = ".".join(mutation.module_path.with_suffix("").parts)
        asked = {"id": item.job_id, "module": module, "function": mutation.definition_name, "source": changed}
        by_function[module, mutation.definition_name or ""].append(asked)
    groups = [
        those[start : start + TOGETHER] for those in by_function.values() for start in range(0, len(those), TOGETHER)
    ]
    # The copy stands before an installed project on the path.
    environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    command = [sys.executable, str(tree / "tests/mutation/judge.py"), str(tree / "tests/scenarios"), str(workers)]
    done = Counter[str]()
    with subprocess.Popen(
        command, cwd=tree, env=environment, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as judge:
        assert judge.stdin is not None
        assert judge.stdout is not None
        json.dump(groups, judge.stdin)
        judge.stdin.close()
        for line in judge.stdout:
            told = json.loads(line)
            outcome = TestOutcome.KILLED if told["kind"] in KILLED else TestOutcome.SURVIVED
            result = WorkResult(WorkerOutcome.NORMAL, json.dumps(told), outcome, changes[told["id"]])
            db.set_result(told["id"], result)
            done[told["kind"]] += 1
            if sum(done.values()) % 50 == 0:
                print(f"{sum(done.values())} of {len(items)}: {dict(done)}", file=sys.stderr, flush=True)
    if sum(done.values()) != len(items):
        raise SystemExit("not every mutant was judged; what went wrong stands above")


def explained() -> dict[tuple[str, str], str]:
    """Each survivor that docs/mutation.md explains, by place and changed line: equivalent or accepted."""
    found = {}
    for line in DOCUMENT.read_text(encoding="utf-8").splitlines():
        row = re.fullmatch(r"\| `([\w.]+)` \| `(.+)` \| (equivalent|accepted) \| .+ \|", line)
        if row:
            found[row[1], row[2]] = row[3]
    return found


def report(db: WorkDB) -> tuple[str, int]:
    """Counts for each file, every survivor that nobody has explained, and how many of these there are."""
    known = explained()
    items = {item.job_id: item.mutations[0] for item in db.work_items}
    counts: dict[str, Counter[str]] = defaultdict(Counter)
    strangers: list[tuple[str, int, str]] = []
    for job_id, result in db.results:
        if result.worker_outcome == WorkerOutcome.SKIPPED:
            continue
        told, mutation = json.loads(result.output or "{}"), items[job_id]
        file = mutation.module_path.name
        counts[file]["mutants"] += 1
        counts[file][told["kind"]] += 1
        if told["kind"] in KILLED:
            continue
        number, before, after = (result.diff or "").split("\n")
        place = place_of(mutation)
        kind = known.get((place, after[2:]), "unexplained")
        counts[file][kind] += 1
        if kind == "unexplained":
            seen = f"{told['kind']}: {told['scenario']} {told['why']}"
            strangers.append((file, int(number), f"{place}, line {number}\n  {before}\n  {after}\n  {seen}"))
    total = sum(counts.values(), Counter())
    rows = [[file, *(str(each[name]) for name in COLUMNS), share(each)] for file, each in sorted(counts.items())]
    rows.append(["all", *(str(total[name]) for name in COLUMNS), share(total)])
    table = [["file", *COLUMNS, "killed of not equivalent"], ["---"] * (len(COLUMNS) + 2), *rows]
    lines = [f"| {' | '.join(row)} |" for row in table]
    return "\n".join([*lines, *(text for *_, text in sorted(strangers))]), len(strangers)


def share(counts: Counter[str]) -> str:
    """Of the mutants that are not equivalent, how many are killed."""
    living = counts["mutants"] - counts["equivalent"]
    return f"{100 * sum(counts[kind] for kind in KILLED) / living:.1f} %"


def main() -> int:
    """Try all mutants, or again those that survived; 1 if one survived that docs/mutation.md does not explain."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--out", type=Path, default=ROOT / "build" / "mutation", help="folder of session and report")
    parser.add_argument("--again", action="store_true", help="only what the last session did not kill")
    parser.add_argument("--workers", type=int, default=2)
    options = parser.parse_args()
    options.out.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    with copy_of_the_project() as tree, use_db(str(options.out / "session.sqlite"), WorkDB.Mode.create) as db:
        if not options.again:
            prepared(tree, db)
        tried(tree, db, survivors(db) if options.again else untried(db), options.workers)
        text, unexplained = report(db)
    (options.out / "report.txt").write_text(text + "\n", encoding="utf-8")
    print(text)
    print(f"took {time.monotonic() - began:.0f} s")
    return 1 if unexplained else 0


if __name__ == "__main__":
    sys.exit(main())
