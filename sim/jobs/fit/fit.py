"""Everything asked for, from all recordings; the vehicle file with what was found (row 4)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sim
from sim.base.errors import Fault, InputError
from sim.bench.run import fingerprint
from sim.jobs.fit.contacts import fit_contacts
from sim.jobs.fit.drag import fit_drag
from sim.jobs.fit.interval import CONFIDENCE
from sim.jobs.fit.lever import fit_lever
from sim.jobs.fit.noise import fit_noise
from sim.jobs.fit.pack import fit_pack
from sim.jobs.fit.thrust import fit_thrust
from sim.jobs.fit.told import Curve, Estimate, Topic
from sim.jobs.fit.trace import Given, Trace
from sim.record.table import Table, write_csv

TOPICS: Mapping[str, Callable[[Sequence[Trace], Given], Topic]] = {
    "lever": fit_lever,
    "noise": fit_noise,
    "contacts": fit_contacts,
    "pack": fit_pack,
    "thrust": fit_thrust,
    "drag": fit_drag,
}
"""What can be fitted, in the order in which it is told."""


@dataclass(frozen=True, slots=True)
class Fitted:
    """What recordings told of a vehicle.

    topics : in the order asked for. inputs : each file that went in, with a short hash of its contents.
    """

    vehicle_path: Path
    traces: tuple[Trace, ...]
    topics: tuple[Topic, ...]
    inputs: Mapping[str, str]

    @property
    def estimates(self) -> list[Estimate]:
        """All of them."""
        return [estimate for topic in self.topics for estimate in topic.estimates]

    @property
    def of_vehicle(self) -> dict[str, Estimate]:
        """Those that are numbers of the vehicle file, by their keys."""
        return {estimate.key: estimate for estimate in self.estimates if estimate.of_vehicle}

    @property
    def curves(self) -> list[Curve]:
        """Lists of points for the vehicle file."""
        return [topic.curve for topic in self.topics if topic.curve is not None]

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        return {
            "vehicle": self.vehicle_path.name,
            "confidence": CONFIDENCE,
            "topics": [
                {
                    "topic": topic.name,
                    "estimates": [
                        {
                            "key": each.key,
                            "value": each.value,
                            "low": each.low,
                            "high": each.high,
                            "unit": each.unit,
                            "how": each.how,
                            "rows": each.rows,
                            "files": list(each.files),
                            "of_vehicle": each.of_vehicle,
                        }
                        for each in topic.estimates
                    ],
                    "curve": {"key": topic.curve.key, "points": topic.curve.points} if topic.curve else None,
                    "untold": [each._asdict() for each in topic.untold],
                    "findings": list(topic.findings),
                }
                for topic in self.topics
            ],
            "recordings": [
                {"file": trace.name, "notes": list(trace.recording.notes), "mended": list(trace.recording.mended)}
                for trace in self.traces
            ],
            "versions": {"drydive": sim.__version__},
            "inputs": dict(self.inputs),
        }

    def write_series(self, folder: Path) -> list[Path]:
        """What a scenario can use as it was recorded, each as CSV; the paths.

        Raises
        ------
        InputError
            A place that cannot be written to.
        """
        paths = []
        for topic in self.topics:
            for series in topic.series:
                paths.append(folder / f"{series.name}.csv")
                table = Table(series.t_us, {series.column: series.values})
                from_files = ", ".join(trace.name for trace in self.traces)
                write_csv(table, paths[-1], [f"{series.column}, as recorded in {from_files}"])
        return paths


def fit(
    traces: Sequence[Trace],
    vehicle_path: Path,
    given: Given,
    what: Sequence[str],
    progress: Callable[[int], None] | None = None,
) -> Fitted:
    """Fit what was asked for.

    Parameters
    ----------
    what : keys of `TOPICS`.
    progress : called with the number done.

    Raises
    ------
    InputError
        Nothing at all could be fitted: a line for each thing that the data do not tell.
    """
    topics = []
    for done, name in enumerate(what):
        topics.append(TOPICS[name](traces, given))
        if progress is not None:
            progress(done + 1)
    if not any(topic.estimates for topic in topics):
        missing = [untold for topic in topics for untold in topic.untold]
        raise InputError(Fault("drydive fit", each.what, each.needed, each.got) for each in missing)
    files = [("vehicle", vehicle_path), *(("recording", trace.path) for trace in traces)]
    maps = {trace.recording.map_file for trace in traces} - {None}
    files += [("map", path) for path in sorted(path for path in maps if path is not None)]
    inputs = {f"{role} {path.name}": fingerprint(path) for role, path in files}
    return Fitted(vehicle_path, tuple(traces), tuple(topics), inputs)
