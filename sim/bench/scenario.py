"""The scenario file: what is tried, in which water, with which hand on the lever (row 2)."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import Annotated, Any, Literal, NamedTuple, Self

from pydantic import AfterValidator, Field, model_validator

from sim.base.clock import tick_count, to_s, to_us
from sim.base.document import Entry, refusal
from sim.world import water

Seconds = Annotated[float, Field(ge=0.0)]
Frac = Annotated[float, Field(ge=0.0, le=1.0)]


class Amount(NamedTuple):
    """What a fault's amount is, and the range it may lie in."""

    what: str
    low: float
    high: float = math.inf

    def __str__(self) -> str:
        if self.low == -math.inf:
            return self.what
        return f"{self.what}, {f'at least {self.low:g}' if self.high == math.inf else f'{self.low:g} to {self.high:g}'}"


AMOUNTS = {
    "sensor_drift": Amount("a number in volts", -math.inf),
    "sensor_noise": Amount("a number in volts rms", 0.0),
    "sensor_dropped": Amount("a fraction of the samples", 0.0, 1.0),
    "joint_corroded": Amount("a number in ohms", 0.0),
    "left_fouled": Amount("a factor on the propeller's torque", 1.0),
    "right_fouled": Amount("a factor on the propeller's torque", 1.0),
}
"""Fault kinds that need an amount, and what it means."""

FaultKind = Literal[
    "sensor_open",
    "sensor_short_low",
    "sensor_short_high",
    "sensor_drift",
    "sensor_noise",
    "sensor_dropped",
    "magnet_lost",
    "lever_stuck",
    "deadman_welded",
    "deadman_open",
    "deadman_intermittent",
    "button_welded",
    "button_open",
    "button_intermittent",
    "cord_sense_flooded",
    "switch_welded",
    "joint_corroded",
    "left_signal_lost",
    "right_signal_lost",
    "left_esc_dead",
    "right_esc_dead",
    "left_fouled",
    "right_fouled",
    "chip_reset",
    "protection_release",
]


class WaterEntry(Entry):
    """A kind of water, or given numbers."""

    kind: Literal["air", "lake", "pool", "salt_pool", "brackish", "sea", "given"]
    temperature_degc: Annotated[float, Field(ge=-40.0, le=60.0)] = 20.0
    depth_m: Annotated[float, Field(ge=0.0, le=1000.0)] = 0.0
    conductivity_s_m: Annotated[float, Field(ge=0.0, le=20.0)] | None = None
    density_kg_m3: Annotated[float, Field(gt=0.0, le=1500.0)] | None = None

    @model_validator(mode="after")
    def _numbers_with_given(self) -> Self:
        for key in ("conductivity_s_m", "density_kg_m3"):
            value = getattr(self, key)
            if self.kind == "given" and value is None:
                raise refusal("this key, with kind given", "no such key", key)
            if self.kind != "given" and value is not None:
                raise refusal(f"no such key with kind {self.kind}, only with given", f"{value:g}", key)
        low, high = _range_degc(self.kind)
        if not low <= self.temperature_degc <= high:
            expected = f"a number in degrees Celsius, {low:g} to {high:g} in {self.kind}"
            raise refusal(expected, f"{self.temperature_degc:g}", "temperature_degc")
        return self


def _range_degc(kind: str) -> tuple[float, float]:
    """The temperatures that a kind of water is known for."""
    if kind in water.FRESH:
        return water.FRESH_DEGC
    return water.SALINE_DEGC if kind in water.SALINE else water.AIR_DEGC


class PackEntry(Entry):
    """The pack on the day."""

    charge_frac: Frac = 0.9
    temperature_degc: Annotated[float, Field(ge=-20.0, le=60.0)] | None = None  # as the water if left out
    resistance_growth_frac: Annotated[float, Field(ge=0.0, le=5.0)] = 0.0
    capacity_loss_frac: Annotated[float, Field(ge=0.0, lt=1.0)] = 0.0


class RiderStep(Entry):
    """What the rider changes at one moment; the rest stays as it was."""

    at_s: Seconds
    lever_frac: Frac | None = None
    deadman: bool | None = None
    mode_button: bool | None = None
    kill_cord: bool | None = None

    @model_validator(mode="after")
    def _does_something(self) -> Self:
        moves = ("lever_frac", "deadman", "mode_button", "kill_cord")
        if all(getattr(self, key) is None for key in moves):
            raise refusal(f"at least one of {', '.join(moves)}", "only at_s")
        return self


class FaultStep(Entry):
    """Something breaks, and is whole again at `until_s` if that is given."""

    kind: FaultKind
    at_s: Seconds
    until_s: Seconds | None = None
    amount: float | None = None

    @model_validator(mode="after")
    def _sensible(self) -> Self:
        if self.until_s is not None and self.until_s <= self.at_s:
            raise refusal(f"a number in seconds, more than at_s ({self.at_s:g})", f"{self.until_s:g}", "until_s")
        needed = AMOUNTS.get(self.kind)
        if needed is None:
            if self.amount is not None:
                raise refusal(f"no amount with {self.kind}", f"{self.amount:g}", "amount")
        elif self.amount is None:
            raise refusal(f"this key with {self.kind}: {needed}", "no such key", "amount")
        elif not needed.low <= self.amount <= needed.high:
            raise refusal(f"{needed}", f"{self.amount:g}", "amount")
        return self


class AsRecorded(Entry):
    """Files of recordings that take the place of what is drawn; each has a column of the key's name."""

    hall_noise_v: Annotated[str, Field(min_length=1)] | None = None
    deadman_leak_siemens: Annotated[str, Field(min_length=1)] | None = None
    button_leak_siemens: Annotated[str, Field(min_length=1)] | None = None


def _in_order(steps: tuple[Any, ...]) -> tuple[Any, ...]:
    """Refuse times that run backwards, at the first one that does."""
    for index, (before, after) in enumerate(itertools.pairwise(steps), 1):
        if after.at_s < before.at_s:
            raise refusal(f"no earlier than the one before, at {before.at_s:g} s", f"{after.at_s:g}", index, "at_s")
    return steps


class Scenario(Entry):
    """What happens; the requirements on it are added a row up, where they are judged."""

    name: str
    says: str = ""
    vehicle: str
    vehicle_set: Mapping[str, float] = {}
    controller: str
    params: str | None = None
    params_set: Mapping[str, int] = {}
    water: WaterEntry
    pack: PackEntry = PackEntry()
    attitude: Literal["held", "towed", "worn"]
    rider: Annotated[tuple[RiderStep, ...], AfterValidator(_in_order)]
    faults: Annotated[tuple[FaultStep, ...], AfterValidator(_in_order)] = ()
    as_recorded: AsRecorded = AsRecorded()
    seed: Annotated[int, Field(ge=0)] = 1
    duration_s: Annotated[float, Field(gt=0.0, le=3600.0)]
    control_hz: Annotated[float, Field(ge=50.0, le=4000.0)] = 1000.0
    substeps: Annotated[int, Field(ge=1, le=100)] = 1

    @model_validator(mode="before")
    @classmethod
    def _lists(cls, data: Any) -> Any:
        # A key written with nothing behind it is an empty list, as the eye reads it.
        if isinstance(data, dict):
            for key in ("rider", "faults", "requirements"):
                if key in data and data[key] is None:
                    data = {**data, key: []}
        return data

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if self.water.kind == "air" and self.attitude != "held":
            raise refusal("held in air", self.attitude, "attitude")
        last_us = (tick_count(self.duration_us, self.tick_us) - 1) * self.tick_us
        for index, fault in enumerate(self.faults):
            # A fault that no tick sees would let every requirement on it pass untried.
            if to_us(fault.at_s) > last_us:
                expected = f"a number in seconds, at most {to_s(last_us):g}, the run's last control tick"
                raise refusal(expected, f"{fault.at_s:g}", "faults", index, "at_s")
            first_us = -(-to_us(fault.at_s) // self.tick_us) * self.tick_us
            if fault.until_s is not None and first_us >= to_us(fault.until_s):
                expected = f"a control tick between at_s and until_s; one is {to_s(self.tick_us):g} s"
                raise refusal(expected, f"{fault.until_s:g}", "faults", index, "until_s")
        return self

    @property
    def tick_us(self) -> int:
        """One control tick in whole microseconds."""
        return to_us(1.0 / self.control_hz)

    @property
    def duration_us(self) -> int:
        """Length of the run."""
        return to_us(self.duration_s)
