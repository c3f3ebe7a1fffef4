"""What the board hands to a controller each tick, and what it takes back.

Integers only, in the firmware's units: ADC counts, mV, mA, rpm, us. A
controller reads the fields it needs and ignores the rest, so that one board
serves them all.
"""

from typing import NamedTuple


class Inputs(NamedTuple):
    """One sample of the pins, taken at the start of a control tick.

    hall_counts : throttle sensor, raw ADC counts (0 to 4095 for 12 bits).
    sensor_supply_mv : the sensor's own supply, as the ADC reads it.
    bus_mv : drive bus behind the main switch; 0 where no divider is fitted.
    pack_ma : current drawn from the pack; 0 where no current sensor is fitted.
    deadman : 1 while the dead-man's input reads pressed.
    mode_button : 1 while the mode button's input reads pressed.
    kill_cord : 1 while the sense line reads the cord's magnet in place.
    left_rpm, right_rpm : propeller speeds from the ESCs; -1 where not fitted.
    """

    hall_counts: int
    sensor_supply_mv: int
    bus_mv: int
    pack_ma: int
    deadman: int
    mode_button: int
    kill_cord: int
    left_rpm: int
    right_rpm: int


class Command(NamedTuple):
    """What the controller asks for at the end of its tick.

    left_pulse_us, right_pulse_us : servo pulse widths; 0 sends no pulses.
    power_step : the power step in force, 1 is the gentlest.
    display : the step number shown to the rider; 0 shows nothing.
    mode : the controller's own mode number, see its ``MODES``.
    reason : why drive is stopped or held down now, see its ``REASONS``; 0 is none.
    lever_permille : the lever as the controller understands it, 0 to 1000.
    """

    left_pulse_us: int
    right_pulse_us: int
    power_step: int
    display: int
    mode: int
    reason: int
    lever_permille: int
