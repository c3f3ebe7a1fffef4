"""Battery pack: series and parallel cells behind one equivalent circuit (row 1).

Open-circuit voltage of the charge left, a series resistance and two RC pairs,
scaled by temperature and age; the weakest cell is tracked beside the mean one.
"""

import math
from typing import NamedTuple

GAS_CONSTANT_J_MOL_K = 8.314462618
KELVIN_AT_0_DEGC = 273.15
REFERENCE_DEGC = 25.0


class Params(NamedTuple):
    series: float  # cells in series
    capacity_c: float  # of the whole pack in coulombs, new, at 25 degC
    r0_ohm: float  # whole pack, half charge, new, 25 degC
    r1_ohm: float
    keep1_frac: float  # of the first RC voltage over one tick at no current, see `keep_frac`
    r2_ohm: float
    keep2_frac: float
    ocv_v: tuple[float, ...]  # one cell, at evenly spaced charges 0 to 1
    r0_shape: tuple[float, ...]  # r0 over its half-charge value, same charges
    activation_j_mol: float  # of the resistances, 0 is no temperature effect
    resistance_growth_frac: float  # ageing: 0.3 is 30 % more
    capacity_loss_frac: float  # ageing: 0.1 is 10 % less
    weak_capacity_frac: float  # weakest cell's capacity over the mean one's, <= 1
    weak_resistance_frac: float  # weakest cell's resistance over the mean one's, >= 1


class State(NamedTuple):
    soc_frac: float
    weak_soc_frac: float
    v1_v: float  # RC voltages of the whole pack, positive on discharge
    v2_v: float


class Source(NamedTuple):
    """The pack as the rest of the circuit meets it within one tick, and its weakest cell alone."""

    emf_v: float  # terminal voltage at no current, RC voltages included
    ohm: float
    weak_emf_v: float
    weak_ohm: float


def interpolated(table: tuple[float, ...], frac: float) -> float:
    """Linear interpolation in a table at evenly spaced 0 to 1; held at its ends."""
    last = len(table) - 1
    if frac < 0.0:
        frac = 0.0
    elif frac > 1.0:
        frac = 1.0
    place = frac * last
    index = int(place)
    if index == last:
        index = last - 1
    low = table[index]
    return low + (table[index + 1] - low) * (place - index)


def temperature_factor(params: Params, pack_degc: float) -> float:
    """Resistance at a temperature over that at 25 degC.

    Notes
    -----
    Source: Arrhenius law, exp(Ea/R (1/T - 1/T0)); applied to all three
    resistances alike, which lumps several processes into one (common practice,
    no source).
    """
    warmth_k = max(pack_degc, -60.0) + KELVIN_AT_0_DEGC
    inverse = 1.0 / warmth_k - 1.0 / (REFERENCE_DEGC + KELVIN_AT_0_DEGC)
    return math.exp(params.activation_j_mol / GAS_CONSTANT_J_MOL_K * inverse)


def aged_factor(params: Params, pack_degc: float) -> float:
    """Resistance now over that of a new pack at 25 degC."""
    return (1.0 + params.resistance_growth_frac) * temperature_factor(params, pack_degc)


def keep_frac(tau_s: float, tick_s: float) -> float:
    """Share of an RC voltage that is left after a tick at no current."""
    return math.exp(-tick_s / tau_s)


def initial(params: Params, soc_frac: float) -> State:
    """Rested at a charge; the weakest cell starts at the same fraction of its own capacity."""
    return State(soc_frac=soc_frac, weak_soc_frac=soc_frac, v1_v=0.0, v2_v=0.0)


def source(params: Params, state: State, factor: float) -> Source:
    """Electromotive forces and series resistances now.

    Parameters
    ----------
    factor : resistance over that of a new pack at 25 degC, see `aged_factor`.

    Notes
    -----
    One cell of the string is the weak one, the others are the mean one. A charge
    below 0 holds the empty cell's voltage: the protection has tripped long before.
    """
    soc_frac, weak_soc_frac, v1_v, v2_v = state
    series, ocv_v, weak_resistance_frac = params.series, params.ocv_v, params.weak_resistance_frac
    polarised_v = v1_v + v2_v
    mean_ocv_v = interpolated(ocv_v, soc_frac)
    weak_ocv_v = interpolated(ocv_v, weak_soc_frac)
    mean_ohm = params.r0_ohm * interpolated(params.r0_shape, soc_frac) * factor / series
    weak_ohm = mean_ohm * weak_resistance_frac
    return Source(
        (series - 1.0) * mean_ocv_v + weak_ocv_v - polarised_v,
        (series - 1.0) * mean_ohm + weak_ohm,
        weak_ocv_v - weak_resistance_frac * polarised_v / series,
        weak_ohm,
    )


def step(params: Params, state: State, pack_a: float, factor: float, dt_s: float) -> State:
    """Charge and RC voltages after one tick at a constant current.

    Parameters
    ----------
    pack_a : mean current of the tick, positive on discharge.
    factor : as in `source`.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Source: circuit of Chen and Rincon-Mora 2006 (see ``cell``); each RC pair is
    advanced by its exact answer to a constant current. Differs from it in:
    time constants do not change with charge; no self-discharge.
    """
    soc_frac, weak_soc_frac, v1_v, v2_v = state
    keep1_frac, keep2_frac = params.keep1_frac, params.keep2_frac
    used = pack_a * dt_s / (params.capacity_c * (1.0 - params.capacity_loss_frac))
    pushed_a = pack_a * factor
    return State(
        soc_frac - used,
        weak_soc_frac - used / params.weak_capacity_frac,
        v1_v * keep1_frac + pushed_a * params.r1_ohm * (1.0 - keep1_frac),
        v2_v * keep2_frac + pushed_a * params.r2_ohm * (1.0 - keep2_frac),
    )
