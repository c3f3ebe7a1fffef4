"""A contact on a pulled-up input pin, dry or wet (row 1).

The contact goes from the pin to ground. Water across it is a conductance
beside it; whether that conductance reads as a press is the divider it makes
with the pull-up, set against the pin's two thresholds.
"""

import math
from typing import NamedTuple


class Params(NamedTuple):
    pullup_siemens: float  # conductance of the pull-up, siemens
    closed_siemens: float  # conductance of contact and wire when closed
    filter_f: float  # capacitor at the pin; 0 is none
    low_frac: float  # of the rail: at or under it reads low
    high_frac: float  # of the rail: at or over it reads high; between, the last reading stays
    reads_closed: int  # what the firmware sees when the pin is low: 1 or 0
    dt_s: float


class State(NamedTuple):
    line_v: float
    reads: int  # 0 or 1, as the firmware sees the pin


def initial(params: Params, rail_v: float) -> State:
    """Open and dry."""
    return State(line_v=rail_v, reads=1 - params.reads_closed)


def step(params: Params, state: State, closed: float, leak_siemens: float, rail_v: float) -> State:
    """Line voltage and reading one tick later.

    Parameters
    ----------
    closed : 1.0 while the metal touches.
    leak_siemens : conductance of the water path, siemens.
    rail_v : what the pull-up hangs on.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    Source: voltage divider and first-order RC charge (handbook forms); input
    thresholds as fractions of the rail with hysteresis are common practice,
    no source. Differs from a real wet contact in: no electrode polarisation,
    which lowers the leak within seconds, so this leak is the worse one.
    """
    pullup_siemens, closed_siemens, filter_f, low_frac, high_frac, reads_closed, dt_s = params
    line_v, reads = state
    siemens = pullup_siemens + closed * closed_siemens + leak_siemens
    final_v = rail_v * pullup_siemens / siemens
    # Without a capacitor the line follows at once.
    line_v = final_v + (line_v - final_v) * math.exp(-dt_s * siemens / filter_f) if filter_f > 0.0 else final_v
    if line_v <= low_frac * rail_v:
        reads = reads_closed
    elif line_v >= high_frac * rail_v:
        reads = 1 - reads_closed
    return State(line_v, reads)
