"""The whole machine behind the pins: pack, supply, ESCs, thrusters, hull, heat (row 1).

Assembles the parts; the physics is in theirs. One call moves it by one tick:
pulses reach the ESCs at their frames, the bus and the rotors go forward in
substeps, and everything slower follows once with the tick's means.
"""

from typing import NamedTuple

from sim.world import bus, drivetrain, esc, hull, killcord, motor, pack, protection, supply, switch, warmth


class Params(NamedTuple):
    pack: pack.Params
    protection: protection.Params
    switch: switch.Params
    leads_ohm: float
    killcord: killcord.Params
    supply: supply.Params
    logic_behind_switch: int  # 1: opening the main switch also starves the logic
    esc: esc.Params
    right_frame_offset_us: int  # the second ESC's frames run this much later
    drivetrain: drivetrain.Params
    hull: hull.Params
    warmth: warmth.Params
    tick_us: int
    dt_s: float


class Energy(NamedTuple):
    """Joules since the start; source = heat + shaft + what the rotors hold."""

    source_j: float  # out of the cells' open-circuit voltage
    heat_j: float
    shaft_j: float  # into the water


class State(NamedTuple):
    pack: pack.State
    protection: protection.State
    killcord: killcord.State
    supply: supply.State
    left_esc: esc.State
    right_esc: esc.State
    rotors: drivetrain.State
    hull: hull.State
    warmth: warmth.State
    energy: Energy
    bus_v: float
    logic_w: float


class Tape(NamedTuple):
    """What was drawn up front for this tick."""

    cord_seated: float
    switch_welded: float
    extra_ohm: float  # a corroded joint in the battery lead
    left_wire: float  # 0.0: the signal wire is broken
    right_wire: float
    left_alive: float  # 0.0: the ESC is dead
    right_alive: float
    left_fouling: float
    right_fouling: float
    chip_reset: float
    release: float


class Outputs(NamedTuple):
    """The machine at the end of the tick, for the pins and for the record."""

    bus_v: float
    bus_a: float
    pack_v: float
    cell_v_min: float
    rail_v: float
    cord_in_place: int
    switch_closed: int
    left_motor_a: float
    right_motor_a: float
    left_thrust_n: float
    right_thrust_n: float
    collapsed: int


def initial(params: Params, soc_frac: float, pack_degc: float) -> State:
    """Just switched on, at rest, everything but the pack as warm as its surroundings."""
    cells = pack.initial(params.pack, soc_frac)
    bus_v = pack.source(params.pack, cells, pack.aged_factor(params.pack, pack_degc)).emf_v
    return State(
        pack=cells,
        protection=protection.initial(params.protection),
        killcord=killcord.initial(params.killcord),
        supply=supply.initial(params.supply, bus_v),
        left_esc=esc.initial(params.esc),
        right_esc=esc.initial(params.esc),
        rotors=drivetrain.State(left_rad_s=0.0, right_rad_s=0.0),
        hull=hull.State(speed_m_s=0.0, distance_m=0.0),
        warmth=warmth.initial(params.warmth, pack_degc),
        energy=Energy(source_j=0.0, heat_j=0.0, shaft_j=0.0),
        bus_v=bus_v,
        logic_w=params.supply.load_w / params.supply.efficiency_frac,
    )


def frame_ends(params: Params, t_us: int, offset_us: int) -> int:
    """1 on the tick in which a pulse frame ends."""
    frame_us = params.esc.frame_us
    return 1 if (t_us + frame_us - offset_us) % frame_us < params.tick_us else 0


def heats(
    params: Params, ran: drivetrain.Outputs, left_ohm: float, right_ohm: float, pack_w: float, switch_w: float
) -> warmth.Inputs:
    """Mean heat of the tick, lump by lump; ESC and winding share theirs by resistance."""
    speed_control, dt_s = params.esc, params.dt_s
    on_ohm, idle_w = speed_control.on_ohm, speed_control.idle_w
    left_w = ran.left_copper_j / dt_s
    right_w = ran.right_copper_j / dt_s
    left_esc_w = left_w * on_ohm / left_ohm
    right_esc_w = right_w * on_ohm / right_ohm
    return warmth.Inputs(
        left_esc_w + idle_w, right_esc_w + idle_w, left_w - left_esc_w, right_w - right_esc_w, switch_w, pack_w
    )


def spent(energy: Energy, ran: drivetrain.Outputs, emf_v: float, polarised_v: float, constant_j: float) -> Energy:
    """The energy balance with this tick added."""
    source_j, heat_j, shaft_j = energy
    # What the RC pairs take is lost before the electromotive force that the bus sees.
    charge_c = ran.charge_c
    polarised_j = polarised_v * charge_c
    lost_j = ran.series_j + ran.left_copper_j + ran.right_copper_j + ran.friction_j
    return Energy(
        source_j + emf_v * charge_c + polarised_j,
        heat_j + lost_j + constant_j + polarised_j,
        shaft_j + ran.shaft_j,
    )


def step(
    params: Params, state: State, tape: Tape, t_us: int, left_pulse_us: float, right_pulse_us: float
) -> tuple[State, Outputs]:
    """The machine one tick later.

    Parameters
    ----------
    t_us : start of the tick.
    left_pulse_us, right_pulse_us : what the chip sends; 0 is no pulses.

    Returns
    -------
    State, Outputs
        Every value finite; a collapse of the bus is `collapsed`.

    Raises
    ------
    Nothing; ranges are checked at load.

    Notes
    -----
    The bus is solved at each substep with both thrusters' speeds of that
    moment. Pack, lead, switch and winding resistances and the logic's power are
    held over the tick. With the main switch open the bus reads 0 V: the ESCs'
    capacitors and the turning motors do not feed it.
    """
    cells, guard, cord, logic, left_esc, right_esc, rotors, surge, warm, energy, bus_v, logic_w = state
    speed_control, drive, pack_params, dt_s = params.esc, params.drivetrain, params.pack, params.dt_s
    (
        cord_seated, switch_welded, extra_ohm, left_wire, right_wire, left_alive, right_alive,
        left_fouling, right_fouling, chip_reset, release,
    ) = tape  # fmt: skip

    # Signals: the kill cord's magnet, and a pulse for each ESC whose frame ends now.
    cord, (closed, seated) = killcord.step(params.killcord, cord, killcord.Inputs(cord_seated, switch_welded))
    left_frame, right_frame = frame_ends(params, t_us, 0), frame_ends(params, t_us, params.right_frame_offset_us)
    left_esc = esc.step(speed_control, left_esc, esc.Inputs(left_pulse_us * left_wire, left_frame, bus_v))
    right_esc = esc.step(speed_control, right_esc, esc.Inputs(right_pulse_us * right_wire, right_frame, bus_v))

    # Power: what the circuit holds over this tick, then bus and rotors through it.
    powered = 1 if guard.tripped == protection.CLOSED else 0
    drive_on = powered * closed
    factor = pack.aged_factor(pack_params, warm.pack_degc)
    emf_v, pack_ohm, weak_emf_v, weak_ohm = pack.source(pack_params, cells, factor)
    switch_ohm = switch.resistance_ohm(params.switch, warm.switch_degc)
    left_ohm = motor.winding_ohm(drive.motor, warm.left_motor_degc) + speed_control.on_ohm
    right_ohm = motor.winding_ohm(drive.motor, warm.right_motor_degc) + speed_control.on_ohm
    # The ESCs' own draw rides on the logic's: both are constant powers.
    constant_w = (logic_w + 2.0 * speed_control.idle_w * drive_on) * powered
    rotors, ran = drivetrain.step(
        drive,
        rotors,
        drivetrain.Inputs(
            powered,
            emf_v,
            pack_ohm + params.leads_ohm + extra_ohm + switch_ohm,
            constant_w,
            bus.Load(left_esc.duty_frac * left_alive * drive_on, left_ohm, speed_control.current_a_max),
            bus.Load(right_esc.duty_frac * right_alive * drive_on, right_ohm, speed_control.current_a_max),
            left_fouling,
            right_fouling,
            hull.inflow_m_s(params.hull, surge),
        ),
    )

    # Everything slower follows with the tick's last operating point or its mean.
    bus_a, left_n, right_n = ran.node_a, ran.left_thrust_n, ran.right_thrust_n
    mean_a, polarised_v = ran.charge_c / dt_s, cells.v1_v + cells.v2_v
    pack_v = (emf_v - bus_a * pack_ohm) * powered
    cell_v_min = weak_emf_v - bus_a * weak_ohm
    bus_v = ran.node_v * drive_on
    feed_v = bus_v if params.logic_behind_switch == 1 else pack_v
    logic, (rail_v, logic_w) = supply.step(params.supply, logic, supply.Inputs(feed_v, chip_reset))
    guard = protection.step(params.protection, guard, protection.Inputs(cell_v_min, bus_a, warm.pack_degc, release))
    pack_w, switch_w = (pack_ohm * mean_a + polarised_v) * mean_a, mean_a * mean_a * switch_ohm
    warm = warmth.step(params.warmth, warm, heats(params, ran, left_ohm, right_ohm, pack_w, switch_w))
    energy = spent(energy, ran, emf_v, polarised_v, constant_w * dt_s)
    cells = pack.step(pack_params, cells, mean_a, factor, dt_s)
    surge = hull.step(params.hull, surge, left_n + right_n)
    return State(
        cells, guard, cord, logic, left_esc, right_esc, rotors, surge, warm, energy, bus_v, logic_w
    ), Outputs(
        bus_v, bus_a, pack_v, cell_v_min, rail_v, seated, closed,
        ran.left_motor_a, ran.right_motor_a, left_n, right_n, ran.collapsed,
    )  # fmt: skip
