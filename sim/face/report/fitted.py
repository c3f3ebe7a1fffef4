"""The report of ``drydive fit`` (row 5)."""

from __future__ import annotations

from collections.abc import Iterator

from sim.face.fit_figure import figure
from sim.face.fit_text import band, digits
from sim.face.report.page import Fact, Report, Section, inline, inputs
from sim.jobs.fit.fit import Fitted
from sim.jobs.fit.told import Estimate, Topic

NUMBERS = ("number", "value", "95 % interval", "unit", "how", "rows", "from")
READ = ("recording", "", "what")


def of_fit(found: Fitted, vehicle: str) -> Report:
    """What goes into the vehicle file first, then each thing fitted with its figure, and how the files were read."""
    of_vehicle = list(found.of_vehicle.values())
    others = len(found.estimates) - len(of_vehicle)
    untold = [untold for topic in found.topics for untold in topic.untold]
    files = [("vehicle", found.vehicle_path), *(("recording", trace.path) for trace in found.traces)]
    files += [("map", trace.recording.map_file) for trace in found.traces if trace.recording.map_file is not None]
    return Report(
        title=f"{vehicle}, as its recordings tell",
        says="Numbers of the vehicle file with their 95 % intervals, each beside the data that it was fitted to.",
        facts=(
            Fact("recordings", str(len(found.traces))),
            Fact("numbers for the vehicle file", str(len(of_vehicle) + len(found.curves))),
            Fact("other numbers", str(others)),
            Fact("not told by the data", str(len(untold))),
        ),
        lines=[f"{curve.key}: {curve.note}" for curve in found.curves],
        sections=(
            Section("For the vehicle file", columns=NUMBERS, rows=[_row(each) for each in of_vehicle]),
            *(_topic(topic, vehicle) for topic in found.topics if topic.estimates or topic.findings),
            Section("Not told", columns=("", "it needs", "there is"), rows=untold),
            Section("How the recordings were read", columns=READ, rows=list(_read(found))),
        ),
        inputs=inputs(files),
    )


def _topic(topic: Topic, vehicle: str) -> Section:
    """Its figure, which has the findings in it, and all its numbers, those that are not the vehicle file's too."""
    return Section(
        topic.name.capitalize(),
        says="" if topic.panels else " ".join(topic.findings),
        figure=inline(figure(topic, vehicle)) if topic.panels else None,
        columns=NUMBERS,
        rows=[_row(each) for each in topic.estimates],
    )


def _row(each: Estimate) -> tuple[str, ...]:
    return (each.key, digits(each.value, each), band(each), each.unit, each.how, str(each.rows), ", ".join(each.files))


def _read(found: Fitted) -> Iterator[tuple[str, str, str]]:
    for trace in found.traces:
        for note in trace.recording.notes:
            yield trace.name, "taken as", note
        for mended in trace.recording.mended:
            yield trace.name, "mended", mended
