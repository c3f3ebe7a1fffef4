"""The vehicle file's part about what the chip senses: throttle, contacts, kill cord, readings (row 2)."""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from sim.base.document import Entry, refusal
from sim.base.quantity import Fraction, NotNegative, Positive, Toleranced, exact, ordered, within

Rate = Annotated[Toleranced, within(0.0, 1000.0)]
Small = Annotated[Toleranced, within(-1.0, 1.0)]


class Throttle(Entry):
    """Lever and magnets."""

    geometry: Literal["slide_by", "push_pull", "same_poles"]
    magnet_diameter_m: Positive
    magnet_thickness_m: Positive
    polarization_tesla: Annotated[Toleranced, within(-10.0, 10.0)]
    gap_m: Positive
    spacing_m: NotNegative = exact(0.0)
    travel_m: Positive
    rest_offset_m: Small
    misalign_x_m: Small = exact(0.0)
    misalign_y_m: Small = exact(0.0)
    temperature_coefficient_frac_k: Small = exact(-0.0012)
    push_s: Positive = exact(0.15)  # quickest full push
    return_s: Positive = exact(0.12)  # spring back from full
    lead_distance_m: Positive = exact(0.1)

    @model_validator(mode="after")
    def _spaced(self) -> Self:
        if self.geometry == "slide_by":
            ordered(self, "magnet_diameter_m", "spacing_m", may_equal=True)
        elif self.spacing_m != 0.0:
            raise refusal(f"0 in {self.geometry}, where gap_m sets it", f"{self.spacing_m:g}", "spacing_m")
        return self


class Sensor(Entry):
    """Linear ratiometric Hall sensor."""

    sensitivity_v_tesla: Positive
    supply_v_nominal: Positive = exact(5.0)
    bandwidth_hz: Positive = exact(20_000.0)
    headroom_v: NotNegative = exact(0.2)
    noise_v_rms: NotNegative = exact(0.0)
    spike_rate_hz: Rate = exact(0.0)
    spike_v: NotNegative = exact(0.0)
    ground_ohm: NotNegative = exact(0.0)


class Converter(Entry):
    """Analogue-to-digital converter."""

    bits: Annotated[int, Field(ge=6, le=16)] = 12
    reference: Literal["follows_supply", "fixed"] = "follows_supply"
    reference_v: Positive = exact(5.0)


class Film(Entry):
    """How water comes and goes across a contact."""

    mean_wetted_frac: Fraction = exact(0.5)
    film_spread_frac: NotNegative = exact(0.2)
    film_time_s: Positive = exact(0.8)
    splash_rate_hz: Rate = exact(0.4)
    splash_drain_s: Positive = exact(0.15)
    bubble_rate_hz: Rate = exact(0.3)
    bubble_time_s: Positive = exact(0.05)


class Contact(Entry):
    """A contact from an input pin to ground, and its pull-up."""

    pullup_ohm: Positive
    closed_ohm: Positive = exact(0.5)
    filter_f: NotNegative = exact(0.0)
    low_frac: Fraction = exact(0.3)
    high_frac: Fraction = exact(0.7)
    electrode_radius_m: Positive
    film: Film = Film()
    bounce_us_mean: NotNegative = exact(1557.0)
    bounce_us_max: NotNegative = exact(6200.0)

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        if self.high_frac.low <= self.low_frac.high:
            expected = f"more than low_frac with its tolerance ({self.low_frac.high:g})"
            raise refusal(expected, f"{self.high_frac.low:g}", "high_frac")
        if self.bounce_us_mean > 0.0:
            ordered(self, "bounce_us_mean", "bounce_us_max")
        return self


class CordSense(Contact):
    """The kill cord's sense contact."""

    closed_when: Literal["in_place", "pulled"]


class KillCord(Entry):
    """The magnet switch on the main power."""

    open_delay_s: NotNegative
    sense_delay_s: NotNegative


class Readings(Entry):
    """What else the chip can measure; 0 means not fitted."""

    bus_step_v: NotNegative = exact(0.0)
    bus_noise_v_rms: NotNegative = exact(0.0)
    current_step_a: NotNegative = exact(0.0)
    propeller_speed: bool = False
