"""From a finished job to its figures on disk (row 5)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from sim.bench.events import Event
from sim.face.figures import Picture, side_by_side, timeline
from sim.face.figures import Verdict as Told
from sim.face.look import save
from sim.jobs.case import Judged
from sim.jobs.replay import Replay
from sim.jobs.result import closest
from sim.record.table import Table, write_csv
from sim.verdict.requirement import Verdict


def picture_of_run(judged: Judged) -> Picture:
    """What the figure of a run shows."""
    run = judged.run
    scenario = run.bench.scenario
    return Picture(
        title=scenario.name,
        subtitle=f"{run.bench.vehicle.name}, {run.bench.controller.name}, {scenario.water.kind}"
        f" at {run.bench.water.temperature_degc:g} degC, {scenario.attitude}, pack"
        f" {100 * scenario.pack.charge_frac:.0f} % charged, seed {scenario.seed}",
        table=run.table,
        events=run.events,
        limits=run.limits,
        modes=run.bench.controller.modes,
        verdicts=told(judged.verdicts),
        closest=closest(judged.requirements, judged.verdicts, run.table),
    )


def picture_of_replay(done: Replay) -> Picture:
    """What the figure of a replay shows; stretches that differ from the record stand among the events."""
    differences = [
        Event(
            each.from_s,
            f"recorded {each.recorded_us:.0f} us, here {each.computed_us:.0f} us (to {each.to_s:.2f} s)",
            each.why,
            "controller",
        )
        for each in done.differences or ()
    ]
    return Picture(
        title=done.path.name,
        subtitle=f"recorded sensors and contacts through controller {done.controller.name}",
        table=done.table,
        events=tuple(sorted((*done.events, *differences), key=lambda event: event.t_s)),
        limits=done.limits,
        modes=done.controller.modes,
        verdicts=told(done.verdicts),
        closest=closest(done.requirements, done.verdicts, done.table),
    )


def told(verdicts: Sequence[Verdict]) -> tuple[Told, ...]:
    """What did not pass, each in words, and how many did."""
    open_ones = [
        Told(verdict.verdict, f"{verdict.id}: {verdict.why}") for verdict in verdicts if verdict.verdict != "pass"
    ]
    passed = len(verdicts) - len(open_ones)
    if passed:
        open_ones.append(Told("pass", f"{passed} of {len(verdicts)} requirements"))
    return tuple(open_ones)


def save_run(judged: Judged, out: Path) -> list[str]:
    """Timeline and table of a run; the paths written."""
    stem = judged.run.bench.path.name.removesuffix(".yaml").removesuffix(".scenario")
    return _saved(out / stem, picture_of_run(judged), judged.run.table)


def save_replay(done: Replay, out: Path) -> list[str]:
    """Timeline and table of a replay; the paths written."""
    return _saved(out / done.path.stem, picture_of_replay(done), done.table)


def save_demo(told_runs: Sequence[Judged], out: Path) -> list[str]:
    """The one page of the story, and a timeline of each dive; the paths written."""
    pictures = [picture_of_run(judged) for judged in told_runs]
    paths = [*save(side_by_side(pictures), out / "moorhen")]
    for judged, picture in zip(told_runs, pictures, strict=True):
        stem = judged.run.bench.path.name.removesuffix(".scenario.yaml")
        paths += save(timeline(picture), out / stem)
    return [str(path) for path in paths]


def _saved(stem: Path, picture: Picture, table: Table) -> list[str]:
    paths = [*save(timeline(picture), stem)]
    table_path = stem.with_name(f"{stem.name}.table.csv")
    write_csv(table, table_path, [f"{picture.title}: {picture.subtitle}"])
    return [str(path) for path in (*paths, table_path)]
