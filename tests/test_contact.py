"""A contact's input: wet line voltages, thresholds with hysteresis, the filter's timing, bounce."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.world import contact
from sim.world.electrodes import leak_conductance_siemens

RAIL_V = 3.3
PULLUP_OHM = 10_000.0
PIN = contact.Params(
    pullup_siemens=1.0 / PULLUP_OHM,
    closed_siemens=2.0,
    filter_f=0.0,
    low_frac=0.3,
    high_frac=0.7,
    reads_closed=1,
    dt_s=1e-3,
)
DRY = contact.initial(PIN, RAIL_V)
# A large filter against which one tick is small.
SLOW_F = 1e-6
TAU_S = PULLUP_OHM * SLOW_F

# PUBLISHED law (J. Newman 1966, "Resistance for flow of current to a disk", J. Electrochem. Soc. 113:501: two far
# discs of radius a have 1/(2 sigma a)), exact arithmetic for 1 mm: S/m, V at 10 kohm, V at 1 kohm.
WET_LINES = [
    (4.29175, 0.03800, 0.34434),
    (0.57, 0.26613, 1.54206),
    (0.25, 0.55000, 2.20000),
    (0.05, 1.65000, 3.00000),
    (0.02, 2.35714, 3.17308),
]


@pytest.mark.parametrize(("s_m", "at_10k_v", "at_1k_v"), WET_LINES)
@pytest.mark.parametrize("filter_f", [0.0, 1e-8])
def test_wet_open_contact_settles_at_the_dividers_voltage(
    s_m: float, at_10k_v: float, at_1k_v: float, filter_f: float
) -> None:
    """Water across an open contact settles its line at the printed voltage, with or without a filter."""
    leak_siemens = leak_conductance_siemens(s_m, 1e-3)
    for pullup_ohm, volts in ((1e4, at_10k_v), (1e3, at_1k_v)):
        params = PIN._replace(pullup_siemens=1.0 / pullup_ohm, filter_f=filter_f)
        state = DRY
        for _ in range(20):
            state = contact.step(params, state, 0.0, leak_siemens, RAIL_V)
        assert state.line_v == pytest.approx(volts, abs=0.5e-5)


# Consequence of the table above: 0.038 V and 0.344 V are under 0.3 of 3.3 V, 2.357 V is over 0.7 of it.
@pytest.mark.parametrize(
    ("s_m", "pullup_ohm", "reads"),
    [(4.29175, 1e4, 1), (4.29175, 1e3, 1), (0.57, 1e4, 1), (0.57, 1e3, 0), (0.02, 1e4, 0)],
)
def test_what_a_flooded_open_contact_reads(s_m: float, pullup_ohm: float, reads: int) -> None:
    """Sea water reads as pressed on either pull-up, a salt pool on the weak one alone, a lake on none."""
    params = PIN._replace(pullup_siemens=1.0 / pullup_ohm)
    assert contact.step(params, DRY, 0.0, leak_conductance_siemens(s_m, 1e-3), RAIL_V).reads == reads


# Closed form: the divider is at the low threshold when the leak is pullup_siemens (1/low_frac - 1).
@given(
    st.floats(min_value=1e2, max_value=1e6),
    st.floats(min_value=0.05, max_value=0.6),
    st.floats(min_value=0.0, max_value=1.0 - 1e-9),
    st.floats(min_value=1.5, max_value=6.0),
)
def test_small_leak_never_reads_as_a_press(pullup_ohm: float, low_frac: float, share: float, rail_v: float) -> None:
    """A leak under the pull-up's conductance times (1/low_frac - 1) never reads as a press."""
    params = PIN._replace(pullup_siemens=1.0 / pullup_ohm, low_frac=low_frac)
    leak_siemens = share * params.pullup_siemens * (1.0 / low_frac - 1.0)
    assert contact.step(params, contact.initial(params, rail_v), 0.0, leak_siemens, rail_v).reads == 0


# Same closed form.
@given(st.floats(min_value=1e2, max_value=1e6), st.floats(min_value=0.05, max_value=0.6))
def test_larger_leak_reads_as_a_press(pullup_ohm: float, low_frac: float) -> None:
    """A leak just over that conductance reads as a press."""
    params = PIN._replace(pullup_siemens=1.0 / pullup_ohm, low_frac=low_frac)
    leak_siemens = (1.0 + 1e-9) * params.pullup_siemens * (1.0 / low_frac - 1.0)
    assert contact.step(params, DRY, 0.0, leak_siemens, RAIL_V).reads == 1


@pytest.mark.parametrize("before", [0, 1])
@given(level_frac=st.floats(min_value=0.3 + 1e-9, max_value=0.7 - 1e-9))
def test_between_the_thresholds_the_reading_stays(before: int, level_frac: float) -> None:
    """A line between the thresholds keeps whatever was read last."""
    leak_siemens = PIN.pullup_siemens * (1.0 / level_frac - 1.0)
    after = contact.step(PIN, contact.State(line_v=0.5 * RAIL_V, reads=before), 0.0, leak_siemens, RAIL_V)
    assert after.reads == before


def test_thresholds_follow_the_rail() -> None:
    """The same divider reads the same on a rail that has sagged."""
    leak_siemens = 2.0 * PIN.pullup_siemens
    readings = {contact.step(PIN, DRY, 0.0, leak_siemens, rail_v).reads for rail_v in (3.3, 2.5, 1.8)}
    assert readings == {0}


# PUBLISHED closed form (RC charge): ln(1/0.3) = 1.203973 time constants to 0.7 of the rail.
def test_filter_rises_to_the_high_threshold() -> None:
    """A released line reaches 0.7 of the rail 1.203973 RC after the contact opened."""
    params = PIN._replace(filter_f=SLOW_F, dt_s=1.203973 * TAU_S)
    after = contact.step(params, contact.State(line_v=0.0, reads=1), 0.0, 0.0, RAIL_V)
    # Half a unit of the last digit of the time moves the level by 0.3 times as much.
    assert after.line_v / RAIL_V == pytest.approx(0.7, abs=0.3 * 0.5e-6)


# Same closed form, falling.
def test_filter_falls_to_the_low_threshold() -> None:
    """Discharged through a resistance alone, a line reaches 0.3 of the rail after 1.203973 RC."""
    params = PIN._replace(pullup_siemens=1e-12, closed_siemens=1.0 / PULLUP_OHM, filter_f=SLOW_F, dt_s=1.203973 * TAU_S)
    after = contact.step(params, contact.State(line_v=RAIL_V, reads=0), 1.0, 0.0, RAIL_V)
    assert after.line_v / RAIL_V == pytest.approx(0.3, abs=0.3 * 0.5e-6)


@given(
    st.floats(min_value=0.0, max_value=RAIL_V),
    st.sampled_from([0.0, 1.0]),
    st.floats(min_value=0.0, max_value=1e-2),
    st.integers(min_value=2, max_value=5),
)
def test_filter_does_not_depend_on_the_tick(line_v: float, closed: float, leak_siemens: float, parts: int) -> None:
    """One tick and as many shorter ones that make it up end at the same voltage."""
    whole = PIN._replace(filter_f=SLOW_F)
    state = contact.State(line_v=line_v, reads=0)
    at_once = contact.step(whole, state, closed, leak_siemens, RAIL_V)
    for _ in range(parts):
        state = contact.step(whole._replace(dt_s=whole.dt_s / parts), state, closed, leak_siemens, RAIL_V)
    assert state.line_v == pytest.approx(at_once.line_v, rel=1e-9, abs=1e-12)


# PUBLISHED statistic (J. Ganssle, "A Guide to Debouncing": the longest bounce of sixteen switches was 6200 us, read
# second-hand): 6.2 ms charge to 1 - exp(-6.2/10) = 0.46 of the rail, under the high threshold.
@given(st.lists(st.integers(min_value=0, max_value=1), min_size=6, max_size=6))
def test_slow_filter_makes_one_edge_of_a_bouncing_press(bounces: list[int]) -> None:
    """Behind 10 ms of RC no bounce of up to 6.2 ms makes more than the one edge of the press."""
    params = PIN._replace(filter_f=SLOW_F)
    state = DRY
    reads = []
    for closed in (0, 0, 1, *bounces, 1, 1, 1):
        state = contact.step(params, state, float(closed), 0.0, RAIL_V)
        reads.append(state.reads)
    assert sum(before != after for before, after in itertools.pairwise(reads)) == 1


@given(st.lists(st.tuples(st.integers(0, 1), st.floats(min_value=0.0, max_value=1e-2)), max_size=50), st.integers(0, 1))
def test_after_any_train_the_reading_is_the_contact(train: list[tuple[int, float]], closed: int) -> None:
    """However it bounced and leaked, a dry contact that stays put is read rightly ten time constants later."""
    params = PIN._replace(filter_f=SLOW_F)
    state = DRY
    for metal, leak_siemens in train:
        state = contact.step(params, state, float(metal), leak_siemens, RAIL_V)
        assert 0.0 <= state.line_v <= RAIL_V
        assert state.reads in (0, 1)
    for _ in range(math.ceil(10.0 * TAU_S / params.dt_s)):
        state = contact.step(params, state, float(closed), 0.0, RAIL_V)
    assert state.reads == closed


def test_sense_contact_reads_the_other_way_round() -> None:
    """A contact that closes when the cord is pulled reads 0 when wet: water looks like a pulled cord."""
    params = PIN._replace(reads_closed=0)
    assert contact.initial(params, RAIL_V).reads == 1
    assert (
        contact.step(params, contact.initial(params, RAIL_V), 0.0, leak_conductance_siemens(4.29, 1e-3), RAIL_V).reads
        == 0
    )
