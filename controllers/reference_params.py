"""The reference controller's parameters: ranges, relations, and the latencies they promise.

Kept beside `reference.py`, which offers all of it under its own name; nothing
here is used in a step but `Params`.
"""

from typing import NamedTuple


class Params(NamedTuple):
    """Meaning and unit of each are in the comments of reference.yaml; ranges in LIMITS."""

    tick_us: int
    rest_counts: int
    full_counts: int
    window_low_counts: int
    window_high_counts: int
    jump_counts: int
    lever_fastest_ms: int
    sensor_fault_ms: int
    sensor_recover_ms: int
    sensor_frozen_ms: int
    adc_follows_supply: int
    supply_nominal_mv: int
    supply_low_mv: int
    supply_high_mv: int
    lever_filter_us: int
    dead_band_permille: int
    curve_permille: int
    deadman_press_ms: int
    deadman_release_ms: int
    kill_out_ms: int
    kill_back_ms: int
    esc_arm_ms: int
    lever_rest_ms: int
    step_select: int
    button_press_ms: int
    button_release_ms: int
    clicks_up: int
    clicks_down: int
    click_lead_ms: int
    click_press_min_ms: int
    click_press_max_ms: int
    click_gap_min_ms: int
    click_gap_max_ms: int
    click_quiet_ms: int
    step_count: int
    cap_1_permille: int
    cap_2_permille: int
    cap_3_permille: int
    cap_4_permille: int
    ramp_up_ms: int
    ramp_down_ms: int
    bus_foldback_mv: int
    bus_floor_mv: int
    pack_foldback_ma: int
    pack_ceiling_ma: int
    guard_filter_us: int
    guard_down_ms: int
    guard_up_ms: int
    guard_hold_permille: int
    thruster_check_permille: int
    thruster_floor_rpm: int
    thruster_share_permille: int
    thruster_lost_ms: int
    pulse_stop_us: int
    pulse_full_us: int


LIMITS = {
    "tick_us": (250, 10_000),
    "rest_counts": (1, 4094),
    "full_counts": (1, 4094),
    "window_low_counts": (1, 4094),
    "window_high_counts": (1, 4094),
    "jump_counts": (0, 4095),
    "lever_fastest_ms": (1, 100),
    "sensor_fault_ms": (1, 500),
    "sensor_recover_ms": (1, 10_000),
    "sensor_frozen_ms": (0, 60_000),
    "adc_follows_supply": (0, 1),
    "supply_nominal_mv": (1_000, 6_000),
    "supply_low_mv": (1_000, 6_000),
    "supply_high_mv": (1_000, 6_000),
    "lever_filter_us": (0, 100_000),
    "dead_band_permille": (1, 500),
    "curve_permille": (0, 1_000),
    "deadman_press_ms": (1, 500),
    "deadman_release_ms": (1, 200),
    "kill_out_ms": (1, 100),
    "kill_back_ms": (1, 10_000),
    "esc_arm_ms": (0, 20_000),
    "lever_rest_ms": (1, 10_000),
    "step_select": (0, 1),
    "button_press_ms": (1, 500),
    "button_release_ms": (1, 500),
    "clicks_up": (2, 8),
    "clicks_down": (2, 8),
    "click_lead_ms": (1, 20_000),
    "click_press_min_ms": (1, 2_000),
    "click_press_max_ms": (1, 2_000),
    "click_gap_min_ms": (1, 2_000),
    "click_gap_max_ms": (1, 2_000),
    "click_quiet_ms": (1, 5_000),
    "step_count": (1, 4),
    "cap_1_permille": (1, 1_000),
    "cap_2_permille": (1, 1_000),
    "cap_3_permille": (1, 1_000),
    "cap_4_permille": (1, 1_000),
    "ramp_up_ms": (1, 20_000),
    "ramp_down_ms": (1, 5_000),
    "bus_foldback_mv": (1, 400_000),
    "bus_floor_mv": (1, 400_000),
    "pack_foldback_ma": (1, 400_000),
    "pack_ceiling_ma": (1, 400_000),
    "guard_filter_us": (0, 500_000),
    "guard_down_ms": (1, 5_000),
    "guard_up_ms": (1, 60_000),
    "guard_hold_permille": (0, 1_000),
    "thruster_check_permille": (1, 1_000),
    "thruster_floor_rpm": (0, 100_000),
    "thruster_share_permille": (0, 900),
    "thruster_lost_ms": (1, 20_000),
    "pulse_stop_us": (500, 2_500),
    "pulse_full_us": (500, 2_500),
}

# A reading is called frozen after no fewer equal samples than these. With a noise of one count rms a sample lies in
# the likeliest count with a chance of 0.383, so that 30 in a row do with one of 3e-13.
FROZEN_SAMPLES_MIN = 30

# Pairs of parameters of which the first must be the smaller one.
_RISING = (
    ("window_low_counts", "rest_counts"),
    ("rest_counts", "full_counts"),
    ("full_counts", "window_high_counts"),
    ("click_press_min_ms", "click_press_max_ms"),
    ("click_gap_min_ms", "click_gap_max_ms"),
    ("click_gap_max_ms", "click_quiet_ms"),
    ("bus_floor_mv", "bus_foldback_mv"),
    ("pack_foldback_ma", "pack_ceiling_ma"),
    ("pulse_stop_us", "pulse_full_us"),
)
_NOT_FALLING = (
    ("supply_low_mv", "supply_nominal_mv"),
    ("supply_nominal_mv", "supply_high_mv"),
    ("cap_1_permille", "cap_2_permille"),
    ("cap_2_permille", "cap_3_permille"),
    ("cap_3_permille", "cap_4_permille"),
)


def faults(params: Params) -> list[tuple[str, str, str]]:
    """Relations between parameters that do not hold, each as (key, expected, got)."""
    values = params._asdict()
    found = []
    for low, high in _RISING:
        if values[low] >= values[high]:
            found.append((low, f"less than {high} ({values[high]})", str(values[low])))
    for low, high in _NOT_FALLING:
        if values[low] > values[high]:
            found.append((low, f"no more than {high} ({values[high]})", str(values[low])))
    if params.clicks_up == params.clicks_down:
        found.append(("clicks_down", "another number than clicks_up", str(params.clicks_down)))
    # A reset assumes the lever at rest until its filter has settled on what it reads.
    settled_ms = params.lever_fastest_ms + params.lever_filter_us * 5 // 1000
    if params.lever_rest_ms <= settled_ms:
        found.append(("lever_rest_ms", f"more than the lever's filter needs ({settled_ms})", str(params.lever_rest_ms)))
    # A live line stands still for a few samples by chance, and at a slow tick a short time is but a few.
    still_ms = -(-FROZEN_SAMPLES_MIN * params.tick_us // 1000)
    if 0 < params.sensor_frozen_ms < still_ms:
        expected = f"0, or no less than {FROZEN_SAMPLES_MIN} samples take ({still_ms})"
        found.append(("sensor_frozen_ms", expected, str(params.sensor_frozen_ms)))
    # A lever pulled in the same movement must be seen off rest before the press counts.
    seen_ms = params.lever_fastest_ms + (2 * params.lever_filter_us + params.tick_us + 999) // 1000
    if params.deadman_press_ms < seen_ms:
        expected = f"no less than the lever takes to be seen ({seen_ms})"
        found.append(("deadman_press_ms", expected, str(params.deadman_press_ms)))
    return found


def _whole_ticks_us(duration_ms: int, tick_us: int) -> int:
    return -(-duration_ms * 1000 // tick_us) * tick_us


def _latency_ms(params: Params, first_ms: int, then_ms: int) -> int:
    waits_us = _whole_ticks_us(first_ms, params.tick_us) + _whole_ticks_us(then_ms, params.tick_us)
    return -(-waits_us // 1000)


def deadman_latency_ms(params: Params) -> int:
    """Dead-man reads released without a break -> zero drive: debounce, then the ramp from full."""
    return _latency_ms(params, params.deadman_release_ms, params.ramp_down_ms)


def kill_latency_ms(params: Params) -> int:
    """Kill cord reads out without a break -> zero drive: its debounce alone."""
    return _latency_ms(params, params.kill_out_ms, 0)


def sensor_latency_ms(params: Params) -> int:
    """Every throttle sample bad -> zero drive: persistence, then the ramp from full."""
    return _latency_ms(params, params.sensor_fault_ms, params.ramp_down_ms)


def frozen_latency_ms(params: Params) -> int:
    """Throttle reading frozen off rest -> zero drive; nothing is promised with sensor_frozen_ms 0."""
    return _latency_ms(params, params.sensor_frozen_ms, 0) + sensor_latency_ms(params)


def thruster_latency_ms(params: Params) -> int:
    """One thruster, driven above the check, reads below the floor -> zero drive on both."""
    return _latency_ms(params, params.thruster_lost_ms, params.ramp_down_ms)


def start_delay_ms(params: Params) -> int:
    """The least time from reset to any drive."""
    return _latency_ms(params, params.esc_arm_ms, params.lever_rest_ms)
