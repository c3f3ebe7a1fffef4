"""The runs whose pins and commands become the vectors of an export (row 4)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import sim
from controllers.board import Inputs
from sim.base.streams import stream
from sim.bench import engine, run
from sim.bench.control import Controller
from sim.bench.loop import NO_MODE
from sim.bench.scenario import Scenario
from sim.bench.vehicle import load_vehicle
from sim.chip.vectors import Row, Vector
from sim.jobs.case import load_case

MOORHEN = Path(sim.__file__).parent / "moorhen"
ENDING = ".scenario.yaml"
# Analogue readings of a run are held for so long, which makes its vector a tenth as large.
HELD_US = 10_000
ANALOGUE = ("hall_counts", "sensor_supply_mv", "bus_mv", "pack_ma", "left_rpm", "right_rpm")
# Ticks of each of the random runs, and how many there are.
RANDOM_TICKS = 5_000
RANDOM_RUNS = 2
SEED = 1

# Moorhen's rider makes the last gesture, rests from REST_S on, presses after PRESS_S and has long pulled at PULLED_S.
REST_S, PRESS_S, PULLED_S = 9.5, 11.2, 14.0
FAULT_S = 1.6
FAULTS: tuple[dict[str, int], ...] = (
    {"hall_counts": 0},
    {"hall_counts": 4095},
    {"hall_counts": 2000},
    {"sensor_supply_mv": 0},
    {"left_rpm": 0},
    {"right_rpm": 0},
    {"deadman": 0},
    {"bus_mv": 30_000},
    {"pack_ma": 400_000},
    {"kill_cord": 0},
)
# Presses at rest, enough of them to come to the highest step; each is as long as the pause after it.
GESTURES = (("deadman", 3), ("deadman", 2), *[("mode_button", 3)] * 3, ("mode_button", 2))
PRESSED_S = 0.15
# A gesture wants quiet before it, of a few seconds where a button gives it.
QUIET_RESTS = 3


def vectors_of(controller: Controller, step: Any, tick_us: int, ticks_max: int) -> list[Vector]:
    """What a controller makes of Moorhen's scenarios, of one of them with faults, and of random inputs.

    Parameters
    ----------
    step : the controller's own, without what the bench puts around it.
    ticks_max : the most ticks of each run.

    Raises
    ------
    ControllerError
        It fails in one of the scenarios.
    """
    pins: list[tuple[str, list[Row]]] = []
    for path in sorted(MOORHEN.glob(f"*{ENDING}")):
        for index, rows in enumerate(_recorded(controller, path, tick_us)):
            again = f", start {index + 1}" if index else ""
            pins.append((f"pins as in {path.name.removesuffix(ENDING)}{again}", rows))
    longest = max((rows for _, rows in pins), key=len)
    pins.append(("faults and gestures between the same rides", _with_faults(longest, tick_us)))
    pins += [(f"random inputs {index + 1}", random_inputs(RANDOM_TICKS, index)) for index in range(RANDOM_RUNS)]
    vectors = []
    for name, rows in pins:
        state = controller.initial(controller.params)
        commands: list[Row] = []
        for row in rows[:ticks_max]:
            state, command = step(controller.params, state, Inputs(*row))
            commands.append(tuple(command))
        vectors.append(Vector(name, rows[:ticks_max], commands))
    return vectors


def _with_faults(rows: Sequence[Row], tick_us: int) -> list[Row]:
    """A ride, then one fault after another under drive and one gesture after another at rest, each with a new start."""

    def part(from_s: float, to_s: float, **changes: int) -> list[Row]:
        cut = rows[int(from_s * 1e6 / tick_us) : int(to_s * 1e6 / tick_us)]
        # Wet, the button would press itself: the other runs have that.
        changes = {"mode_button": 0, **changes}
        return [tuple(Inputs(*row)._replace(**changes)) for row in cut]

    again = [*part(REST_S, PRESS_S), *part(REST_S, PULLED_S)]
    found = part(0.0, PULLED_S)
    for fault in FAULTS:
        found += [*part(PULLED_S, PULLED_S + FAULT_S, **fault), *again]
    for contact, times in GESTURES:
        found += part(REST_S, PRESS_S) * QUIET_RESTS
        for _ in range(times):
            found += part(REST_S, REST_S + PRESSED_S, **{contact: 1})
            found += part(REST_S, REST_S + PRESSED_S)
        found += again
    return found


def _recorded(controller: Controller, path: Path, tick_us: int) -> Iterator[list[Row]]:
    """What the pins read in a scenario, from each start of the chip to the end or the next reset."""
    scenario: Scenario = load_case(path).bench.scenario.model_copy(update={"control_hz": 1e6 / tick_us})
    bench = run.put_together(scenario, path, load_vehicle(path.parent / scenario.vehicle), controller)
    prepared = run.prepare(bench)
    chosen = engine.choose(engine.AUTO, controller, len(prepared.tapes))
    table = run.record(bench, prepared, chosen, wanted={*Inputs._fields, "mode"})
    rows = list(zip(*(table[field].astype(int).tolist() for field in Inputs._fields), strict=True))
    held = max(HELD_US // tick_us, 1)
    span: list[Row] = []
    for row, mode in zip(rows, table["mode"].tolist(), strict=True):
        if int(mode) == NO_MODE:
            if span:
                yield span
            span = []
            continue
        keeps = span and len(span) % held
        old = span[-1] if keeps else row
        pairs = zip(Inputs._fields, row, old, strict=True)
        span.append(tuple(was if field in ANALOGUE else now for field, now, was in pairs))
    if span:
        yield span


def random_inputs(ticks: int, number: int) -> list[Row]:
    """Inputs held for one to forty ticks each, from sound values to the ends of 32 bits."""
    rng = stream(SEED, f"export, random inputs {number}")
    ends = (-(2**31), -1, 0, 1, 2**31 - 1)
    sound = {
        "hall_counts": (0, 4095),
        "sensor_supply_mv": (4000, 6000),
        "bus_mv": (35_000, 65_000),
        "pack_ma": (0, 300_000),
        "left_rpm": (-1, 3000),
        "right_rpm": (-1, 3000),
    }
    rows: list[Row] = []
    while len(rows) < ticks:
        row = []
        for field in Inputs._fields:
            wild = rng.random() < 0.1
            low, high = sound.get(field, (0, 1))
            row.append(int(rng.choice(ends)) if wild else int(rng.integers(low, high, endpoint=True)))
        rows += [tuple(row)] * int(rng.choice([1, 3, 40]))
    return rows[:ticks]
