"""Every scripted and random input of a run, drawn before it starts (row 2).

A run is a function of its files and its seed alone: nothing is drawn inside
the loop. Each source of chance has a stream of its own name.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from sim.base.clock import tick_count, to_s, to_us
from sim.base.streams import stream
from sim.bench import vehicle as files
from sim.bench.as_recorded import Recorded, looped, recordings
from sim.bench.build import magnets
from sim.bench.scenario import FaultStep, RiderStep, Scenario
from sim.bench.vehicle_senses import Contact, CordSense, Sensor, Throttle
from sim.world import bounce, electrodes, hall, lever, machine, senses
from sim.world.water import Water, water

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

# While a contact is intermittent it opens and closes anew this often, on average.
FLICKER_HZ = 40.0
# A flooded sense contact conducts like closed metal.
FLOODED_SIEMENS = 10.0
SENSOR_FAULTS = {"sensor_open": hall.OPEN, "sensor_short_low": hall.SHORT_LOW, "sensor_short_high": hall.SHORT_HIGH}


@dataclass(frozen=True, slots=True)
class Tapes:
    """One row a tick.

    senses : shape (n, fields of ``senses.Tape``)
    machine : shape (n, fields of ``machine.Tape``)
    rider : what the hand truly did, by column name, shape (n,) each
    """

    senses: Floats
    machine: Floats
    rider: dict[str, Floats]

    def __len__(self) -> int:
        return len(self.senses)


class Script(NamedTuple):
    """All that enters the tapes: runs with equal ones have the same tapes, bit for bit."""

    seed: int
    tick_us: int
    ticks: int
    rider: tuple[RiderStep, ...]
    faults: tuple[FaultStep, ...]
    throttle: Throttle
    sensor: Sensor
    deadman: Contact
    mode_button: Contact
    kill_cord_sense: CordSense
    bus_noise_v_rms: float
    temperature_degc: float
    conductivity_s_m: float
    recorded: tuple[tuple[str, Recorded], ...] = ()


def script_of(scenario: Scenario, vehicle: files.Vehicle, around: Water) -> Script:
    """What a run's tapes are drawn from."""
    return Script(
        seed=scenario.seed,
        tick_us=scenario.tick_us,
        ticks=tick_count(scenario.duration_us, scenario.tick_us),
        rider=scenario.rider,
        faults=scenario.faults,
        throttle=vehicle.throttle,
        sensor=vehicle.sensor,
        deadman=vehicle.deadman,
        mode_button=vehicle.mode_button,
        kill_cord_sense=vehicle.kill_cord_sense,
        bus_noise_v_rms=float(vehicle.readings.bus_noise_v_rms),
        temperature_degc=around.temperature_degc,
        conductivity_s_m=around.conductivity_s_m,
        recorded=tuple(recordings(scenario).items()),
    )


def water_of(scenario: Scenario) -> Water:
    """The water of a scenario.

    Raises
    ------
    ValueError
        A temperature or depth outside the kind's range.
    """
    entry = scenario.water
    if entry.kind == "given":
        return Water(float(entry.conductivity_s_m or 0.0), float(entry.density_kg_m3 or 1.0), entry.temperature_degc)
    return water(entry.kind, entry.temperature_degc, entry.depth_m)


def draw(scenario: Scenario, vehicle: files.Vehicle, around: Water) -> Tapes:
    """All tapes of a run."""
    return drawn(script_of(scenario, vehicle, around))


def drawn(script: Script) -> Tapes:
    """All tapes of a script."""
    faults = _Faults(script.faults, script.ticks, script.tick_us)
    rider = {
        "hand_frac": held(script, "lever_frac", 0.0),
        "deadman_pressed": held(script, "deadman", 0.0),
        "mode_pressed": held(script, "mode_button", 0.0),
        "cord_seated": held(script, "kill_cord", 1.0),
    }
    rider["lever_frac"] = _lever(script, rider["hand_frac"], faults)
    sensed = _senses(script, rider, faults)
    moved = {
        "cord_seated": rider["cord_seated"],
        "switch_welded": faults.mask("switch_welded"),
        "extra_ohm": faults.amount("joint_corroded"),
        "left_wire": ~faults.mask("left_signal_lost"),
        "right_wire": ~faults.mask("right_signal_lost"),
        "left_alive": ~faults.mask("left_esc_dead"),
        "right_alive": ~faults.mask("right_esc_dead"),
        "left_fouling": np.maximum(faults.amount("left_fouled"), 1.0),
        "right_fouling": np.maximum(faults.amount("right_fouled"), 1.0),
        "chip_reset": faults.moment("chip_reset"),
        "release": faults.moment("protection_release"),
    }
    return Tapes(senses=stacked(senses.Tape, sensed), machine=stacked(machine.Tape, moved), rider=rider)


def stacked(tape: type[senses.Tape] | type[machine.Tape], columns: Mapping[str, Floats | Mask]) -> Floats:
    """Columns side by side in the order of the tape's fields, shape (n, fields)."""
    side_by_side = np.empty((len(next(iter(columns.values()))), len(tape._fields)))
    for index, name in enumerate(tape._fields):
        side_by_side[:, index] = columns[name]
    return side_by_side


def held(script: Script, key: str, before: float) -> Floats:
    """A rider's quantity at each tick: each step's value stays until the next."""
    times = [0]
    values = [before]
    for step in script.rider:
        value = getattr(step, key)
        if value is not None:
            times.append(to_us(step.at_s))
            values.append(float(value))
    ticks = script.tick_us * np.arange(script.ticks, dtype=np.int64)
    return np.asarray(values)[np.searchsorted(times, ticks, side="right") - 1]


class _Faults:
    """The scenario's faults as arrays over its ticks."""

    def __init__(self, steps: Iterable[FaultStep], n: int, tick_us: int) -> None:
        self.steps = list(steps)
        self.n = n
        self.ticks_us = tick_us * np.arange(n, dtype=np.int64)
        self.tick_us = tick_us

    def _during(self, step: FaultStep) -> Mask:
        present: Mask = self.ticks_us >= to_us(step.at_s)
        if step.until_s is not None:
            present &= self.ticks_us < to_us(step.until_s)
        return present

    def windows(self, kind: str) -> list[Mask]:
        """When each fault of the kind is present, in order of their beginnings; none that no tick sees."""
        masks = [self._during(step) for step in self.steps if step.kind == kind]
        return [mask for mask in masks if mask.any()]

    def mask(self, kind: str) -> Mask:
        """True while a fault of the kind is present."""
        present = np.zeros(self.n, dtype=np.bool_)
        for window in self.windows(kind):
            present |= window
        return present

    def amount(self, kind: str) -> Floats:
        """The present fault's amount, 0 where there is none; the later of two overlapping ones."""
        amounts = np.zeros(self.n)
        for step in self.steps:
            if step.kind == kind:
                amounts[self._during(step)] = step.amount or 0.0
        return amounts

    def moment(self, kind: str) -> Floats:
        """1 on the one tick in which an event of the kind happens, or from it to its end."""
        marks = np.zeros(self.n)
        for step in self.steps:
            if step.kind == kind:
                if step.until_s is not None:
                    marks[self._during(step)] = 1.0
                else:
                    marks[np.flatnonzero(self._during(step))[:1]] = 1.0
        return marks


def _lever(script: Script, hand_frac: Floats, faults: _Faults) -> Floats:
    """Where the lever truly is: it follows the hand, springs back, and may stick."""

    def follow(target_frac: Floats) -> Floats:
        tick_s = to_s(script.tick_us)
        return lever.returned(target_frac, tick_s, 1.0 / script.throttle.push_s, 1.0 / script.throttle.return_s)

    target_frac = hand_frac.copy()
    for stuck in faults.windows("lever_stuck"):
        # A stuck lever is one that wants to be where it was on the tick before.
        start = int(np.argmax(stuck))
        target_frac[stuck] = follow(target_frac)[start - 1] if start else 0.0
    return follow(target_frac)


def _senses(script: Script, rider: dict[str, Floats], faults: _Faults) -> dict[str, Floats | Mask]:
    n = faults.n
    seed = script.seed
    carriage = magnets(script.throttle, script.temperature_degc)
    # The field is worked out once for each stretch in which the lever stays.
    begins = lever.starts(rider["lever_frac"])
    lengths = np.diff(begins, append=n)
    field = np.repeat(lever.sensor_field(carriage, rider["lever_frac"][begins]), lengths)
    lost = faults.mask("magnet_lost")
    if lost.any():
        alone = lever.sensor_field(carriage, rider["lever_frac"][begins], lost_magnet="first")
        field = np.where(lost, np.repeat(alone, lengths), field)
    noise = _noise(script, faults)
    broken = np.zeros(n)
    for kind, code in SENSOR_FAULTS.items():
        broken[faults.mask(kind)] = code
    dropped = stream(seed, "hall dropped").random(n) < faults.amount("sensor_dropped")
    bus_noise = script.bus_noise_v_rms * stream(seed, "bus noise").standard_normal(n)
    flooded = faults.mask("cord_sense_flooded") * FLOODED_SIEMENS
    return {
        "magnets_tesla": field,
        "hall_noise_v": noise,
        "hall_drift_v": faults.amount("sensor_drift"),
        "hall_fault": broken,
        "hall_lost": dropped,
        "deadman_closed": _contact(script, script.deadman, rider["deadman_pressed"], "deadman", faults),
        "deadman_leak_siemens": _leak(script, script.deadman, "deadman"),
        "button_closed": _contact(script, script.mode_button, rider["mode_pressed"], "button", faults),
        "button_leak_siemens": _leak(script, script.mode_button, "button"),
        "cord_leak_siemens": _leak(script, script.kill_cord_sense, "cord sense") + flooded,
        "bus_noise_v": bus_noise,
    }


def _noise(script: Script, faults: _Faults) -> Floats:
    """The sensor's noise with its spikes: drawn, or as it was recorded; what a fault adds is drawn."""
    rng = stream(script.seed, "hall noise")
    recorded = dict(script.recorded).get("hall_noise_v")
    if recorded is not None:
        own = looped(recorded, rng, script.ticks, script.tick_us)
        return own + faults.amount("sensor_noise") * rng.standard_normal(script.ticks)
    noise_rms = np.hypot(script.sensor.noise_v_rms, faults.amount("sensor_noise"))
    drawn: Floats = noise_rms * rng.standard_normal(script.ticks) + _spikes(script)
    return drawn


def _spikes(script: Script) -> Floats:
    """Single-sample spikes of either sign at random moments."""
    sensor, n = script.sensor, script.ticks
    rng = stream(script.seed, "hall spikes")
    struck = rng.random(n) < sensor.spike_rate_hz * to_s(script.tick_us)
    spikes: Floats = np.where(struck, sensor.spike_v * rng.choice([-1.0, 1.0], n), 0.0)
    return spikes


def _contact(script: Script, entry: Contact, pressed: Floats, name: str, faults: _Faults) -> Mask:
    """Whether the metal touches at each tick: bounce on every edge, then what is broken."""
    rng = stream(script.seed, f"{name} bounce")
    changes = np.flatnonzero(np.diff(pressed, prepend=pressed[:1] if len(pressed) else 0.0))
    closed: Mask = pressed > 0.5
    if entry.bounce_us_mean > 0.0 and changes.size:
        spread = bounce.Bounce(mean_us=entry.bounce_us_mean, max_us=entry.bounce_us_max)
        times, levels = bounce.bounce_edges(rng, faults.ticks_us[changes], pressed[changes] > 0.5, spread)
        closed = bounce.sampled(times, levels, script.tick_us, faults.n, bool(pressed[0] > 0.5))
    flicker = np.cumsum(
        stream(script.seed, f"{name} intermittent").random(faults.n) < FLICKER_HZ * to_s(script.tick_us)
    )
    closed = np.where(faults.mask(f"{name}_intermittent") & (flicker % 2 == 1), False, closed)
    closed = np.where(faults.mask(f"{name}_open"), False, closed)
    return np.where(faults.mask(f"{name}_welded"), True, closed)


def _leak(script: Script, entry: Contact, name: str) -> Floats:
    """Conductance of the water across a contact at each tick: drawn, or as it was recorded."""
    rng = stream(script.seed, f"{name} film")
    recorded = dict(script.recorded).get(f"{name}_leak_siemens")
    if recorded is not None:
        return looped(recorded, rng, script.ticks, script.tick_us)
    full_s = electrodes.leak_conductance_siemens(script.conductivity_s_m, entry.electrode_radius_m)
    film = electrodes.Wetting(**{key: float(value) for key, value in entry.film.model_dump().items()})
    return electrodes.leak_tape(rng, script.ticks, to_s(script.tick_us), full_s, film)
