"""Every kernel compiled with numba equals itself interpreted, bit for bit."""

from __future__ import annotations

import random
import struct
from collections.abc import Callable, Iterator
from types import FunctionType, ModuleType
from typing import Any

import pytest

from controllers import first_draft, reference
from controllers.board import Inputs
from sim.base.compile import callees, compiled
from sim.bench import build
from sim.bench.control import load_controller
from sim.bench.run import Bench, physics
from sim.world import (
    adc,
    bus,
    contact,
    drivetrain,
    esc,
    hall,
    heat,
    hull,
    killcord,
    machine,
    motor,
    pack,
    propeller,
    protection,
    senses,
    supply,
    switch,
    thruster,
    warmth,
)

Rng = random.Random
# Ends of ranges, and numbers at which arithmetic turns.
EXTREMES = (0.0, 1e-300, 1e-12, 1e-3, 0.5, 1.0, 2.0, 1e3, 1e9)


def bits(value: Any) -> Any:
    """A value as its bits: an int stays one, a float tells -0.0 from 0.0, tuples part by part."""
    if isinstance(value, tuple):
        return tuple(bits(part) for part in value)
    return struct.pack("d", value) if isinstance(value, float) else int(value)


def some(rng: Rng, low: float, high: float) -> float:
    """Mostly a number in a range, now and then an end of it or an extreme inside it."""
    if rng.random() < 0.8:
        return rng.uniform(low, high)
    return rng.choice([low, high, *(number for number in EXTREMES if low <= number <= high)])


def one_of(rng: Rng, *choices: Any) -> Any:
    return rng.choice(choices)


class World:
    """The demo vehicle's parameters, and random arguments for each of its kernels."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.machine, self.start = physics(bench)
        self.senses = build.senses_params(bench.vehicle, bench.scenario.tick_us)
        self.drive = self.machine.drivetrain

    def load(self, rng: Rng) -> bus.Load:
        return bus.Load(some(rng, 0.0, 1.0), some(rng, 1e-3, 1.0), some(rng, 1.0, 400.0))

    def circuit(self, rng: Rng) -> tuple[Any, ...]:
        emf_v = some(rng, 0.1, 60.0)
        backs = [some(rng, 0.0, 1.2 * emf_v) for _ in range(2)]
        ohm = some(rng, 1e-3, 3.0)
        return emf_v, ohm, self.load(rng), backs[0], self.load(rng), backs[1], some(rng, 0.0, 500.0)

    def cells(self, rng: Rng) -> pack.State:
        soc = some(rng, -0.2, 1.0)
        return pack.State(soc, soc - some(rng, 0.0, 0.1), some(rng, 0.0, 10.0), some(rng, 0.0, 10.0))

    def in_water(self, rng: Rng) -> drivetrain.Inputs:
        return drivetrain.Inputs(
            one_of(rng, 0, 1),
            some(rng, 1.0, 60.0),
            some(rng, 1e-3, 1.0),
            some(rng, 0.0, 500.0),
            self.load(rng),
            self.load(rng),
            some(rng, 1.0, 20.0),
            some(rng, 1.0, 20.0),
            some(rng, 0.0, 6.0),
        )

    def esc_state(self, rng: Rng) -> esc.State:
        timers = [some(rng, 0.0, 4.0) for _ in range(3)]
        mode = one_of(rng, esc.UNPOWERED, esc.ARMING, esc.READY, esc.CUT, esc.SIGNAL_LOST)
        return esc.State(mode, *timers, some(rng, 0.0, 1.0), some(rng, 0.0, 1.0))

    def heats(self, rng: Rng) -> warmth.State:
        return warmth.State(*(some(rng, -20.0, 150.0) for _ in warmth.State._fields))

    def guard(self, rng: Rng) -> protection.State:
        return protection.State(one_of(rng, 0, 1, 2, 3, 4), *(some(rng, 0.0, 3.0) for _ in range(4)))

    def logic(self, rng: Rng) -> supply.State:
        return supply.State(some(rng, 0.0, 60.0), one_of(rng, 0, 1, 2), some(rng, 0.0, 0.2), some(rng, 0.0, 9.0))

    def pulse_us(self, rng: Rng) -> float:
        return one_of(rng, 0.0, 1000.0, 2000.0, rng.uniform(0.0, 3000.0))

    def machine_state(self, rng: Rng) -> machine.State:
        return machine.State(
            self.cells(rng),
            self.guard(rng),
            killcord.State(some(rng, 0.0, 0.1), some(rng, 0.0, 1e9)),
            self.logic(rng),
            self.esc_state(rng),
            self.esc_state(rng),
            drivetrain.State(some(rng, 0.0, 300.0), some(rng, 0.0, 300.0)),
            hull.State(some(rng, 0.0, 6.0), some(rng, 0.0, 1e3)),
            self.heats(rng),
            machine.Energy(some(rng, 0.0, 1e6), some(rng, 0.0, 1e6), some(rng, 0.0, 1e6)),
            some(rng, 0.0, 60.0),
            some(rng, 0.0, 2.0),
        )

    def machine_tape(self, rng: Rng) -> machine.Tape:
        def flag() -> float:
            return one_of(rng, 0.0, 1.0)

        fouling = some(rng, 1.0, 20.0), some(rng, 1.0, 20.0)
        resets = one_of(rng, 0.0, 0.0, 1.0), one_of(rng, 0.0, 0.0, 1.0)
        return machine.Tape(flag(), flag(), some(rng, 0.0, 10.0), flag(), flag(), flag(), flag(), *fouling, *resets)

    def line(self, rng: Rng) -> contact.State:
        return contact.State(some(rng, 0.0, 5.0), one_of(rng, 0, 1))

    def sensed(self, rng: Rng) -> senses.State:
        counts = one_of(rng, 0, 4095, rng.randrange(4096))
        return senses.State(hall.State(some(rng, 0.0, 5.0)), self.line(rng), self.line(rng), self.line(rng), counts)

    def senses_tape(self, rng: Rng) -> senses.Tape:
        noise = some(rng, -0.1, 0.1), some(rng, -1.0, 1.0), float(one_of(rng, 0, 1, 2, 3)), one_of(rng, 0.0, 1.0)
        lines = [one_of(rng, 0.0, 1.0, some(rng, 0.0, 0.1)) for _ in range(5)]
        return senses.Tape(some(rng, -0.2, 0.2), *noise, *lines, some(rng, -1.0, 1.0))

    def seen(self, rng: Rng) -> senses.Machine:
        speeds = some(rng, 0.0, 400.0), some(rng, 0.0, 400.0)
        rail_v = one_of(rng, 0.0, 5.0, some(rng, 0.0, 6.0))
        return senses.Machine(rail_v, some(rng, 0.0, 60.0), some(rng, 0.0, 400.0), one_of(rng, 0, 1), *speeds)


Draw = Callable[[World, Rng], tuple[Any, ...]]

KERNELS: dict[str, tuple[Callable[..., Any], Draw]] = {
    "adc": (adc.counts, lambda w, r: (w.senses.adc, some(r, -1.0, 7.0), one_of(r, 0.0, some(r, 1e-3, 6.0)))),
    "bus": (bus.solve, lambda w, r: w.circuit(r)),
    "contact": (
        contact.step,
        lambda w, r: (w.senses.deadman, w.line(r), one_of(r, 0.0, 1.0), some(r, 0.0, 0.1), some(r, 0.0, 6.0)),
    ),
    "drivetrain": (
        drivetrain.step,
        lambda w, r: (w.drive, drivetrain.State(some(r, 0.0, 300.0), some(r, 0.0, 300.0)), w.in_water(r)),
    ),
    "esc": (
        esc.step,
        lambda w, r: (w.machine.esc, w.esc_state(r), esc.Inputs(w.pulse_us(r), one_of(r, 0, 1), some(r, 0.0, 60.0))),
    ),
    "hall": (
        hall.step,
        lambda w, r: (
            w.senses.hall,
            hall.State(some(r, 0.0, 5.0)),
            hall.Inputs(some(r, -1.0, 1.0), some(r, 0.0, 6.0), some(r, -1.0, 1.0), 0.1, some(r, 0.0, 400.0), 0),
        ),
    ),
    "heat": (
        heat.warmed_degc,
        lambda w, r: (w.machine.warmth.esc, some(r, -20.0, 150.0), some(r, -5.0, 40.0), some(r, 0.0, 1e4)),
    ),
    "hull": (
        hull.step,
        lambda w, r: (w.machine.hull, hull.State(some(r, -1.0, 6.0), some(r, 0.0, 1e3)), some(r, -1e3, 1e4)),
    ),
    "killcord": (
        killcord.step,
        lambda w, r: (
            w.machine.killcord,
            killcord.State(some(r, 0.0, 0.1), some(r, 0.0, 1e9)),
            killcord.Inputs(one_of(r, 0.0, 1.0), one_of(r, 0.0, 1.0)),
        ),
    ),
    "machine": (
        machine.step,
        lambda w, r: (
            w.machine,
            w.machine_state(r),
            w.machine_tape(r),
            1000 * r.randrange(10**6),
            w.pulse_us(r),
            w.pulse_us(r),
        ),
    ),
    "motor winding": (motor.winding_ohm, lambda w, r: (w.drive.motor, some(r, -20.0, 200.0))),
    "motor torque": (motor.torque_nm, lambda w, r: (w.drive.motor, some(r, 0.0, 400.0), some(r, 0.0, 400.0))),
    "motor speed": (
        motor.spun_rad_s,
        lambda w, r: (w.drive.motor, some(r, 0.0, 400.0), some(r, -1e3, 1e3), some(r, 0.0, 10.0), some(r, 1e-6, 0.1)),
    ),
    "pack": (
        pack.step,
        lambda w, r: (w.machine.pack, w.cells(r), some(r, -50.0, 400.0), some(r, 0.5, 20.0), some(r, 1e-5, 0.1)),
    ),
    "pack source": (pack.source, lambda w, r: (w.machine.pack, w.cells(r), some(r, 0.5, 20.0))),
    "pack ageing": (pack.aged_factor, lambda w, r: (w.machine.pack, some(r, -60.0, 90.0))),
    "propeller": (
        propeller.loads,
        lambda w, r: (w.drive.propeller, some(r, -10.0, 500.0), some(r, -1.0, 8.0), some(r, 1.0, 1030.0)),
    ),
    "protection": (
        protection.step,
        lambda w, r: (
            w.machine.protection,
            w.guard(r),
            protection.Inputs(some(r, 0.0, 5.0), some(r, 0.0, 400.0), some(r, -20.0, 90.0), one_of(r, 0.0, 1.0)),
        ),
    ),
    "senses": (senses.step, lambda w, r: (w.senses, w.sensed(r), w.senses_tape(r), w.seen(r))),
    "supply": (
        supply.step,
        lambda w, r: (w.machine.supply, w.logic(r), supply.Inputs(some(r, 0.0, 60.0), one_of(r, 0.0, 1.0))),
    ),
    "switch": (switch.resistance_ohm, lambda w, r: (w.machine.switch, some(r, -40.0, 200.0))),
    "thruster": (
        thruster.step,
        lambda w, r: (
            w.drive.motor,
            w.drive.propeller,
            some(r, 0.0, 400.0),
            some(r, 0.0, 2.0),
            some(r, 0.0, 400.0),
            some(r, 0.0, 6.0),
            some(r, 1.0, 1030.0),
            some(r, 1.0, 20.0),
            some(r, 1e-5, 1e-2),
        ),
    ),
    "warmth": (
        warmth.step,
        lambda w, r: (
            w.machine.warmth,
            w.heats(r),
            warmth.Inputs(*(some(r, 0.0, 1e3) for _ in warmth.Inputs._fields)),
        ),
    ),
}


@pytest.fixture(scope="module")
def world(moorhen: Callable[..., Bench]) -> World:
    return World(moorhen(attitude="towed", substeps=2))


@pytest.mark.parametrize("name", KERNELS)
def test_compiled_equals_plain(name: str, world: World) -> None:
    """Over random and extreme arguments the compiled kernel gives the same bits as the plain one."""
    plain, draw = KERNELS[name]
    fast = compiled(plain)
    rng = random.Random(name)
    for _ in range(600):
        arguments = draw(world, rng)
        assert bits(fast(*arguments)) == bits(plain(*arguments)), arguments


REST = Inputs(600, 5000, 52_000, 0, 0, 0, 1, 0, 0)
DRIVING = REST._replace(hall_counts=3450, deadman=1, pack_ma=90_000, left_rpm=1500, right_rpm=1500)
# What goes wrong in a drive, and for how many ticks; the last one needs a whole new start.
WRONG = [
    (REST, 200),
    (DRIVING._replace(bus_mv=44_000), 200),
    (DRIVING._replace(pack_ma=140_000), 200),
    (DRIVING._replace(left_rpm=0), 1200),
    (DRIVING._replace(hall_counts=0), 100),
    (DRIVING._replace(hall_counts=4095, sensor_supply_mv=4000), 100),
    (DRIVING._replace(mode_button=1, left_rpm=-1, right_rpm=-1), 300),
    (DRIVING._replace(kill_cord=0), 100),
]


def session(rng: Rng) -> Iterator[Inputs]:
    """Pins tick by tick: a start, then for each thing that goes wrong a press and a drive before it."""
    start = [(REST, 2700)]
    rounds = [
        part for wrong in WRONG for part in ((REST, 1000), (REST._replace(deadman=1), 150), (DRIVING, 400), wrong)
    ]
    for scene, ticks in start + rounds:
        for _ in range(ticks):
            # The lever's reading is never quite still, and once in a while a sample is wild.
            wild = rng.choice([0, 4095]) if rng.random() < 0.01 else scene.hall_counts + rng.randrange(-3, 4)
            yield scene._replace(hall_counts=min(max(wild, 0), 4095))


@pytest.mark.parametrize("controller", [reference, first_draft])
def test_compiled_controller_equals_plain(controller: ModuleType) -> None:
    """Over a long random session each shipped controller gives the same commands and states compiled."""
    params = load_controller(controller.__name__.rpartition(".")[2], 1000).params
    fast = compiled(controller.step)
    rng = random.Random(controller.__name__)
    state = controller.initial(params)
    modes = set()
    for inputs in session(rng):
        after, command = controller.step(params, state, inputs)
        assert bits(fast(params, state, inputs)) == bits((after, command)), (state, inputs)
        state = after
        modes.add(command.mode)
    # The session is no test of the compiler unless it went through most of what the controller can be.
    assert len(modes) >= 0.9 * len(controller.MODES)


def test_every_world_step_is_compared() -> None:
    """No function that the machine or the pins call in the loop is left out: all hang below a compared kernel."""
    reached = {step for step, _ in KERNELS.values()}
    below = {callee for step in (machine.step, senses.step) for callee in callees(_plain(step))}
    steps = {function for function in below if function.__name__ == "step"}
    assert len(steps) >= 10
    assert steps <= reached


def _plain(step: Callable[..., Any]) -> FunctionType:
    assert isinstance(step, FunctionType)
    return step
