"""The lever's sheet: what the throttle reads over its travel, how finely, and what moves that (row 4)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from sim.base.errors import Fault, InputError
from sim.bench.control import Controller
from sim.bench.vehicle import Vehicle, load_vehicle
from sim.jobs.sheets.paper import Finding, Paper, Rows, hashes
from sim.jobs.sheets.reading import Bench, Influence, Reading, influences
from sim.world.lever import REFERENCE_DEGC
from sim.world.magnets import Floats
from sim.world.water import FRESH_DEGC

# Points over the travel.
POINTS = 101
# A slope under this share of the mean one is flat: common practice, no source.
FLAT_FRAC = 0.1


class Point(NamedTuple):
    """The lever at one place of its travel.

    slope_counts_permille : of the code over the travel, here.
    use_counts_low, use_counts_high : with all that comes after a calibration, together.
    built_counts_low, built_counts_high : with all tolerances on top, in a unit that is not calibrated.
    """

    travel_frac: float
    field_tesla: float
    hall_v: float
    counts: int
    slope_counts_permille: float
    built_counts_low: float
    built_counts_high: float
    use_counts_low: float
    use_counts_high: float


class Error(NamedTuple):
    """How far one influence moves the code at its two ends; the worst over the travel in permille of its range."""

    name: str
    stage: str
    unit: str
    nominal: float
    low: float
    high: float
    rest_counts_low: float
    rest_counts_high: float
    half_counts_low: float
    half_counts_high: float
    full_counts_low: float
    full_counts_high: float
    worst_permille: float


class Room(NamedTuple):
    """Counts left to something that must not be reached; below 0 it is.

    use_counts : with all that happens in use; built_counts : with all tolerances on top, never calibrated.
    """

    to: str
    at: str
    limit_counts: float
    nominal_counts: float
    use_counts: float
    built_counts: float


class Stretch(NamedTuple):
    """A part of the travel in which the code does not rise (or fall) with the lever as it does over the whole."""

    from_frac: float
    to_frac: float
    why: str


def lever_sheet(path: Path, controller: Controller | None = None, magnet_degc: float = REFERENCE_DEGC) -> Paper:
    """Work the sheet out.

    Parameters
    ----------
    path : a vehicle file.
    controller : its windows and ends of travel are compared, as far as its parameters have them.
    magnet_degc : where the unit is calibrated, 0 to 40.

    Raises
    ------
    InputError
        A vehicle file with faults, or tolerances that reach to a lever that cannot be built.
    """
    vehicle = load_vehicle(path)
    if not FRESH_DEGC[0] <= magnet_degc <= FRESH_DEGC[1]:
        expected = f"degrees Celsius, {FRESH_DEGC[0]:g} to {FRESH_DEGC[1]:g}"
        raise InputError([Fault("", "temperature", expected, f"{magnet_degc:g}")])
    bench = Bench(vehicle, path, magnet_degc, np.linspace(0.0, 1.0, POINTS))
    moved = influences(vehicle, magnet_degc)
    nominal = bench.read({})
    spans = {
        "built": bench.span([each for each in moved if each.stage == "built"]),
        "use": bench.span([each for each in moved if each.stage == "in use"]),
        "all": bench.span(moved),
    }
    points = _points(bench, nominal, spans)
    errors = _errors(bench, nominal, moved)
    rooms = _rooms(bench, nominal, spans, controller)
    stretches = not_monotonic(bench, nominal)
    findings = [
        *_on_monotony(bench, moved, stretches),
        *_on_fineness(vehicle, bench, points),
        *_on_rooms(rooms),
        *_on_calibration(errors, spans, nominal),
    ]
    files = [("vehicle", path)]
    if controller is not None:
        files.append(("controller", controller.path))
        files += [("parameters", controller.params_path)] if controller.params_path else []
    given: dict[str, Any] = {
        "magnets_degc": magnet_degc,
        "rail_v": float(vehicle.supply.rail_v_nominal),
        "counts_max": bench.counts_max,
        "controller": controller.name if controller is not None else None,
    }
    tables: dict[str, Rows] = {"points": points, "errors": errors, "rooms": rooms, "stretches": stretches}
    return Paper("lever", vehicle.name, given, tuple(findings), tables, hashes(files))


def slopes(codes: Floats) -> Floats:
    """Slope of the code in counts for each permille of travel, at each point."""
    found: Floats = np.gradient(codes, 1000.0 / (len(codes) - 1))
    return found


def _points(bench: Bench, nominal: Reading, spans: dict[str, tuple[Floats, Floats]]) -> list[Point]:
    slope = slopes(nominal.codes)
    return [
        Point(
            float(bench.travel_frac[index]),
            float(nominal.field_tesla[index]),
            float(nominal.hall_v[index]),
            round(float(nominal.codes[index])),
            float(slope[index]),
            *(float(end[index]) for name in ("all", "use") for end in spans[name]),
        )
        for index in range(POINTS)
    ]


def _errors(bench: Bench, nominal: Reading, moved: Sequence[Influence]) -> list[Error]:
    span = float(np.ptp(nominal.codes)) or 1.0
    found = []
    for each in moved:
        effects = [bench.read({each.name: end}).codes - nominal.codes for end in (each.low, each.high)]
        rest, half, full = (sorted(float(effect[at]) for effect in effects) for at in (0, POINTS // 2, -1))
        worst = 1000.0 * max(float(np.abs(effect).max()) for effect in effects) / span
        band = (each.name, each.stage, each.unit, each.nominal, each.low, each.high)
        found.append(Error(*band, rest[0], rest[1], half[0], half[1], full[0], full[1], worst))
    return found


def not_monotonic(bench: Bench, nominal: Reading) -> list[Stretch]:
    """Each stretch of the travel in which the code stands or turns back, and by what."""
    direction = 1.0 if nominal.codes[-1] >= nominal.codes[0] else -1.0
    steps = direction * np.diff(nominal.codes)
    field_steps = direction * np.diff(nominal.field_tesla) * np.sign(np.dot(steps, np.diff(nominal.field_tesla)) or 1.0)
    wrong = steps <= 0.0
    found: list[Stretch] = []
    start = 0
    while start < len(steps):
        if not wrong[start]:
            start += 1
            continue
        stop = start
        while stop < len(steps) and wrong[stop]:
            stop += 1
        why = _why_flat(bench, nominal, slice(start, stop), bool(np.any(field_steps[start:stop] < 0.0)))
        found.append(Stretch(float(bench.travel_frac[start]), float(bench.travel_frac[stop]), why))
        start = stop
    return found


def _why_flat(bench: Bench, nominal: Reading, part: slice, field_turns: bool) -> str:
    throttle, headroom_v = bench.vehicle.throttle, float(bench.vehicle.sensor.headroom_v)
    rail_v = float(bench.vehicle.supply.rail_v_nominal)
    middle_v = float(nominal.hall_v[part].mean())
    if np.all(np.abs(np.diff(nominal.hall_v)[part]) == 0.0):
        side = "upper" if middle_v > 0.5 * rail_v else "lower"
        return f"the sensor's output stands at its {side} stop, {headroom_v:g} V from the rail"
    if np.all(np.abs(np.diff(nominal.codes)[part]) == 0.0):
        return "the converter stands at the end of its range"
    if not field_turns:
        return "the code does not follow the field"
    if throttle.geometry == "same_poles":
        return "same_poles: the field is even about the middle, so that one reading is two positions"
    return "the field itself turns back: the carriage goes past where the magnets' pull on the sensor peaks"


def _on_monotony(bench: Bench, moved: Sequence[Influence], stretches: Sequence[Stretch]) -> list[Finding]:
    if stretches:
        return [
            Finding(True, f"Not monotonic from {part.from_frac:.2f} to {part.to_frac:.2f} of the travel: {part.why}.")
            for part in stretches
        ]
    spoiled = {
        f"{each.name} {end:g} {each.unit}".strip(): not_monotonic(bench, bench.read({each.name: end}))
        for each in moved
        for end in (each.low, each.high)
    }
    found = [
        Finding(True, f"No longer monotonic at {name}, from {parts[0].from_frac:.2f} of the travel: {parts[0].why}.")
        for name, parts in spoiled.items()
        if parts
    ]
    return found or [Finding(False, "Monotonic over the whole travel, and at either end of every tolerance.")]


def _on_fineness(vehicle: Vehicle, bench: Bench, points: Sequence[Point]) -> list[Finding]:
    sized = [abs(point.slope_counts_permille) for point in points]
    counts = [point.counts for point in points]
    mean = (max(counts) - min(counts)) / 1000.0
    least, most = min(sized), max(sized)
    where = points[sized.index(least)].travel_frac
    noise_counts = float(vehicle.sensor.noise_v_rms) / float(vehicle.supply.rail_v_nominal) * bench.counts_max
    text = (
        f"{least:.2f} to {most:.2f} counts a permille of travel, least at {where:.2f}; "
        f"a sample's noise is {noise_counts:.1f} counts rms, {noise_counts / least:.1f} permille there."
        if least > 0.0
        else f"0 to {most:.2f} counts a permille of travel: at {where:.2f} the lever moves and nothing is read."
    )
    return [Finding(least < FLAT_FRAC * mean, text)]


def _rooms(
    bench: Bench, nominal: Reading, spans: dict[str, tuple[Floats, Floats]], controller: Controller | None
) -> list[Room]:
    bands = {"nominal": (nominal.codes, nominal.codes), **spans}

    def over(to: str, limit: float) -> Room:
        return Room(to, "lowest", limit, *(float(bands[name][0].min()) - limit for name in ("nominal", "use", "all")))

    def under(to: str, limit: float) -> Room:
        return Room(to, "highest", limit, *(limit - float(bands[name][1].max()) for name in ("nominal", "use", "all")))

    rooms = _stop_rooms(bench)
    params: dict[str, Any] = controller.params._asdict() if controller is not None else {}
    if "window_low_counts" in params:
        rooms.append(over("window_low_counts", params["window_low_counts"]))
    if "window_high_counts" in params:
        rooms.append(under("window_high_counts", params["window_high_counts"]))
    if {"rest_counts", "full_counts"} <= params.keys():
        rest, full = params["rest_counts"], params["full_counts"]
        names = ("nominal", "use", "all")
        band = (full - rest) * params.get("dead_band_permille", 0) / 1000.0
        to = "dead band over rest_counts" if band else "rest_counts"
        ends = (rest + band - float(bands[name][1][0]) for name in names)
        rooms.append(Room(to, "at rest", rest + band, *ends))
        rooms.append(Room("full_counts", "at full", full, *(float(bands[name][0][-1]) - full for name in names)))
    return rooms


def _stop_rooms(bench: Bench) -> list[Room]:
    """Room to where the sensor's output stops, each at the supply that goes with it."""
    moved = influences(bench.vehicle, bench.magnet_degc)
    use = [each for each in moved if each.stage == "in use"]
    nominal = bench.read({})
    found = []
    for to, at, quantity in (("lower", "lowest", "low_room"), ("upper", "highest", "high_room")):
        rooms = (getattr(nominal, quantity), *(bench.worst(chosen, quantity, min) for chosen in (use, moved)))
        stop = nominal.codes[0] - nominal.low_room[0] if to == "lower" else nominal.codes[0] + nominal.high_room[0]
        found.append(Room(f"sensor's {to} stop", at, float(stop), *(float(room.min()) for room in rooms)))
    return found


SAID = {
    "window_low_counts": "the lever reads below the window, as an open wire does",
    "window_high_counts": "it reads above the window, as a short does",
    "dead band over rest_counts": "a lever at rest asks for drive",
    "rest_counts": "a lever at rest asks for drive",
    "full_counts": "a lever at full does not reach full drive",
}


def _counts(number: float) -> str:
    return f"{number:.0f} count{'' if round(number) == 1 else 's'}"


def _on_rooms(rooms: Sequence[Room]) -> list[Finding]:
    found = []
    for room in rooms:
        least = min(room.nominal_counts, room.use_counts)
        if room.to not in SAID:
            # No calibration brings back a part of the travel in which the sensor stands at its stop.
            least = min(least, room.built_counts)
            if least < 0.0:
                when = "In use" if least > room.built_counts or room.use_counts < 0.0 else "At an end of the tolerances"
                text = (
                    f"{when} the {room.to} is met {_counts(-least)} before the lever's own end; more gap, less field."
                )
                found.append(Finding(True, text))
        elif least < 0.0:
            when = "As it is" if room.nominal_counts < 0.0 else "In use"
            where = f"{_counts(-least)} past {room.to}, {room.limit_counts:.0f}"
            found.append(Finding(True, f"{when} {SAID[room.to]}: {where}."))
    spread = [room for room in rooms if room.to in SAID and room.built_counts < 0.0 <= room.use_counts]
    if spread:
        items = "; ".join(f"{SAID[room.to]} ({_counts(-room.built_counts)} past)" for room in spread)
        found.append(
            Finding(True, f"Calibrate each unit. One built within the tolerances and not calibrated: {items}.")
        )
    return found


def _on_calibration(
    errors: Sequence[Error], spans: dict[str, tuple[Floats, Floats]], nominal: Reading
) -> list[Finding]:
    def shift(name: str, at: int) -> str:
        low, high = (float(end[at] - nominal.codes[at]) for end in spans[name])
        return f"{low:+.0f} to {high:+.0f}"

    found = []
    for stage, name, said in (
        ("built", "built", "Not calibrated, units built within the tolerances differ by"),
        ("in use", "use", "After a calibration, use still moves the reading by"),
    ):
        ranked = sorted((each for each in errors if each.stage == stage), key=lambda each: -each.worst_permille)
        if not ranked:
            found.append(Finding(False, "The vehicle file gives no tolerance to throttle and sensor."))
            continue
        text = f"{said} {shift(name, 0)} counts at rest and {shift(name, -1)} at full; most by {ranked[0].name}."
        found.append(Finding(False, text))
    return found
