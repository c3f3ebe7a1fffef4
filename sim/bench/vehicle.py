"""The vehicle file: what a builder knows of the machine, in datasheet words (row 2).

Every number may carry a tolerance (`1.2 +- 10%`, `1.1 .. 1.3`). The file says
what is fitted; ``build`` turns it into the parameters of the physics.
"""

from __future__ import annotations

import itertools
from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from sim.base.document import Entry, load, refusal
from sim.base.quantity import (
    AtLeastOne,
    Celsius,
    Fraction,
    NotNegative,
    Positive,
    PositiveFraction,
    Toleranced,
    exact,
    ordered,
    within,
)
from sim.base.quantity import quantities as quantities
from sim.bench.vehicle_senses import Contact, Converter, CordSense, KillCord, Readings, Sensor, Throttle
from sim.world import b_series

Points = tuple[tuple[float, float], ...]
Count = Annotated[int, Field(ge=1, le=1000)]
Whole_us = Annotated[int, Field(ge=1, le=1_000_000)]


class Supply(Entry):
    """Converter, hold-up and brown-out detector of the logic."""

    fed_from: Literal["pack", "bus"]
    rail_v_nominal: Positive = exact(5.0)
    converter_v_min: Positive
    diode_v: NotNegative = exact(0.6)
    hold_f: Positive
    load_w: Positive
    efficiency_frac: PositiveFraction
    brown_out_v: Positive
    brown_out_v_release: Positive
    boot_s: NotNegative

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        ordered(self, "brown_out_v", "brown_out_v_release", may_equal=True)
        ordered(self, "brown_out_v_release", "rail_v_nominal")
        return self


def _rising(points: Points | None) -> Points | None:
    if points is None:
        return None
    charges = [charge for charge, _ in points]
    voltages = [volts for _, volts in points]
    if len(points) < 2 or charges[0] != 0.0 or charges[-1] != 1.0:
        raise refusal("points [charge, volts] from charge 0 to charge 1", f"charges {charges}")
    if any(after <= before for before, after in itertools.pairwise(charges)):
        raise refusal("charges that rise", f"{charges}")
    if any(after < before for before, after in itertools.pairwise(voltages)) or voltages[0] <= 0.0:
        raise refusal("voltages above 0 that do not fall with charge", f"{voltages}")
    return points


class Cell(Entry):
    """One cell, new, at 25 degC and half charge."""

    capacity_ah: Positive
    r0_ohm: Positive
    r1_ohm: NotNegative = exact(0.0)
    tau1_s: Positive = exact(30.0)
    r2_ohm: NotNegative = exact(0.0)
    tau2_s: Positive = exact(200.0)
    activation_j_mol: Annotated[Toleranced, within(0.0, 200_000.0)] = exact(20_000.0)
    ocv_v: Annotated[Points | None, AfterValidator(_rising)] = None


class Pack(Entry):
    """Cells in series and parallel, and how far the weakest lags."""

    series: Count
    parallel: Count
    cell: Cell
    weak_capacity_frac: PositiveFraction = exact(1.0)
    weak_resistance_frac: AtLeastOne = exact(1.0)


class Protection(Entry):
    """The pack's own protection."""

    cell_v_low: Positive
    cell_low_delay_s: NotNegative
    slow_a: Positive
    slow_delay_s: NotNegative
    fast_a: Positive
    fast_delay_s: NotNegative
    warm_degc: Celsius
    warm_delay_s: NotNegative


class Leads(Entry):
    """Battery leads, there and back."""

    awg: Annotated[int, Field(ge=-3, le=30)] | None = None
    area_m2: Positive | None = None
    length_m: Positive
    joint_ohm: NotNegative = exact(0.0)

    @model_validator(mode="after")
    def _one_size(self) -> Self:
        if (self.awg is None) == (self.area_m2 is None):
            raise refusal("either awg or area_m2", "both" if self.awg is not None else "neither")
        return self


class MainSwitch(Entry):
    """The main switch's MOSFETs."""

    on_ohm: Positive
    parallel: Count = 1
    temperature_frac_k: NotNegative = exact(0.004)


class Esc(Entry):
    """One of the two equal speed controllers."""

    frame_us: Whole_us
    right_frame_offset_us: Annotated[int, Field(ge=0)] = 0
    stop_us: Positive = exact(1000.0)
    full_us: Positive = exact(2000.0)
    valid_us_min: Positive = exact(800.0)
    valid_us_max: Positive = exact(2200.0)
    arm_s: NotNegative
    rise_frac_s: Positive
    fall_frac_s: Positive
    on_v: Positive
    cut_v: Positive
    cut_delay_s: NotNegative
    lost_after_s: Positive
    on_lost: Literal["stops", "holds"]
    hold_s: NotNegative = exact(0.0)
    current_a_max: Positive
    on_ohm: Positive
    idle_w: NotNegative = exact(0.0)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        ordered(self, "valid_us_min", "stop_us", may_equal=True)
        ordered(self, "stop_us", "full_us")
        ordered(self, "full_us", "valid_us_max", may_equal=True)
        return self


class Motor(Entry):
    """One of the two equal motors; the inertia includes propeller and carried water."""

    # Slower or lighter motors than any of their kind would take the solver hours.
    kv_rpm_v: Annotated[Toleranced, within(5.0, 100_000.0)]
    winding_ohm: Positive
    no_load_a: NotNegative
    inertia_kg_m2: Annotated[Toleranced, within(1e-5, 1e3)]


class Propeller(Entry):
    """Open-water curves: the B-series, or two lines of one's own."""

    diameter_m: Positive
    blades: Annotated[int, Field(ge=b_series.BLADES[0], le=b_series.BLADES[1])] | None = None
    pitch_ratio: Annotated[Toleranced, within(*b_series.PITCH_RATIO)] | None = None
    area_ratio: Annotated[Toleranced, within(*b_series.AREA_RATIO)] | None = None
    kt_at_0: Positive | None = None
    kq_at_0: Positive | None = None
    j_zero_thrust: Positive | None = None
    kq_at_zero_thrust: Positive | None = None
    ducted: bool = False  # two lines only: the four numbers include a duct's thrust

    @model_validator(mode="after")
    def _one_form(self) -> Self:
        series = (self.blades, self.pitch_ratio, self.area_ratio)
        lines = (self.kt_at_0, self.kq_at_0, self.j_zero_thrust, self.kq_at_zero_thrust)
        whole_series = all(part is not None for part in series) and not any(part is not None for part in lines)
        whole_lines = all(part is not None for part in lines) and not any(part is not None for part in series)
        if not (whole_series or whole_lines):
            raise refusal(
                "either blades, pitch_ratio, area_ratio or kt_at_0, kq_at_0, j_zero_thrust, kq_at_zero_thrust",
                ", ".join(sorted(self.model_fields_set - {"diameter_m", "ducted"})) or "neither",
            )
        if whole_lines:
            ordered(self, "kq_at_zero_thrust", "kq_at_0", may_equal=True)
        return self


class Attitude(Entry):
    """The rider's place: drag and mass that go with it."""

    drag_kg_m: Positive
    rider_kg: NotNegative


class Hull(Entry):
    """The hull as a prolate spheroid of its length and beam."""

    mass_kg: Positive
    length_m: Positive
    beam_m: Positive
    deduction_frac: Fraction = exact(0.0)
    wake_frac: Fraction = exact(0.0)
    arm_m: NotNegative
    towed: Attitude
    worn: Attitude

    @model_validator(mode="after")
    def _slender(self) -> Self:
        ordered(self, "beam_m", "length_m", may_equal=True)
        return self


class Lump(Entry):
    """One lump of heat in water."""

    resistance_k_w: Positive
    capacity_j_k: Positive


class Heat(Entry):
    """The four kinds of lumps."""

    esc: Lump
    motor: Lump
    switch: Lump
    pack: Lump


class Vehicle(Entry):
    """The whole vehicle file."""

    name: str
    note: str = ""
    throttle: Throttle
    sensor: Sensor
    converter: Converter = Converter()
    deadman: Contact
    mode_button: Contact
    kill_cord_sense: CordSense
    kill_cord: KillCord
    readings: Readings = Readings()
    supply: Supply
    pack: Pack
    protection: Protection
    leads: Leads
    main_switch: MainSwitch
    esc: Esc
    motor: Motor
    propeller: Propeller
    hull: Hull
    heat: Heat

    def limits(self) -> dict[str, float]:
        """Named limits that figures draw and requirements may use."""
        return {name: float(getattr(getattr(self, part), key)) for name, (part, key) in LIMITS.items()}


LIMITS = {
    "esc_cut_v": ("esc", "cut_v"),
    "trip_slow_a": ("protection", "slow_a"),
    "trip_fast_a": ("protection", "fast_a"),
    "cell_low_v": ("protection", "cell_v_low"),
    "brown_out_v": ("supply", "brown_out_v"),
    "rail_nominal_v": ("supply", "rail_v_nominal"),
    "input_low_frac": ("mode_button", "low_frac"),
    "input_high_frac": ("mode_button", "high_frac"),
    "stop_us": ("esc", "stop_us"),
    "full_us": ("esc", "full_us"),
    "pack_warm_degc": ("protection", "warm_degc"),
}
"""Each named limit, and the part and key of the vehicle file that it is."""


def load_vehicle(path: Path) -> Vehicle:
    """The vehicle file, checked.

    Raises
    ------
    InputError
        Every fault with its line.
    """
    return load(path, Vehicle, "a vehicle file")
