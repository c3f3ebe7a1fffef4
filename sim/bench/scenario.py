"""The scenario file: what is tried, in which water, with which hand on the lever (row 2)."""

from __future__ import annotations

from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from sim.base.clock import to_us
from sim.base.document import Entry, refusal

Seconds = Annotated[float, Field(ge=0.0)]
Frac = Annotated[float, Field(ge=0.0, le=1.0)]

AMOUNTS = {
    "sensor_drift": "volts",
    "sensor_noise": "volts rms",
    "sensor_dropped": "a fraction of samples",
    "joint_corroded": "ohms",
    "left_fouled": "a factor on the propeller's torque, 1 or more",
    "right_fouled": "a factor on the propeller's torque, 1 or more",
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
        numbers = [self.conductivity_s_m, self.density_kg_m3]
        if self.kind == "given" and None in numbers:
            raise refusal("conductivity_s_m and density_kg_m3 with kind given", "not both")
        if self.kind != "given" and numbers != [None, None]:
            raise refusal("no conductivity_s_m or density_kg_m3 unless kind is given", self.kind)
        return self


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
        if self.model_fields_set <= {"at_s"}:
            raise refusal("at least one of lever_frac, deadman, mode_button, kill_cord", "only at_s")
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
            raise refusal(f"until_s after at_s {self.at_s:g}", f"{self.until_s:g}")
        if self.kind in AMOUNTS:
            if self.amount is None:
                raise refusal(f"amount in {AMOUNTS[self.kind]} with {self.kind}", "none")
            lowest = 1.0 if self.kind.endswith("fouled") else 0.0
            highest = 1.0 if self.kind == "sensor_dropped" else float("inf")
            if self.kind != "sensor_drift" and not lowest <= self.amount <= highest:
                raise refusal(f"amount of {self.kind} in {AMOUNTS[self.kind]}, in range", f"{self.amount:g}")
        elif self.amount is not None:
            raise refusal(f"no amount with {self.kind}", f"{self.amount:g}")
        return self


def in_order(what: str, times_s: list[float]) -> None:
    """Refuse times that run backwards.

    Raises
    ------
    PydanticCustomError
        Names the first one out of order.
    """
    for before, after in zip(times_s, times_s[1:], strict=False):
        if after < before:
            raise refusal(f"{what} in order of at_s", f"{after:g} after {before:g}")


class Scenario(Entry):
    """What happens; the requirements on it are added a row up, where they are judged."""

    name: str
    says: str = ""
    vehicle: str
    vehicle_set: dict[str, float] = {}
    controller: str
    params: str | None = None
    params_set: dict[str, int] = {}
    water: WaterEntry
    pack: PackEntry = PackEntry()
    attitude: Literal["held", "towed", "worn"]
    rider: tuple[RiderStep, ...]
    faults: tuple[FaultStep, ...] = ()
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
        in_order("rider steps", [step.at_s for step in self.rider])
        in_order("faults", [fault.at_s for fault in self.faults])
        if self.water.kind == "air" and self.attitude != "held":
            raise refusal("attitude held in air", self.attitude)
        return self

    @property
    def tick_us(self) -> int:
        """One control tick in whole microseconds."""
        return to_us(1.0 / self.control_hz)

    @property
    def duration_us(self) -> int:
        """Length of the run."""
        return to_us(self.duration_s)
