"""From the vehicle file and the day's conditions to the parameters of the physics (row 2)."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple, TypeVar

from sim.base.clock import to_s
from sim.base.document import Entry
from sim.bench import vehicle as files
from sim.bench.vehicle_senses import Contact, Throttle
from sim.world import (
    adc,
    cell,
    contact,
    copper,
    drivetrain,
    esc,
    hall,
    heat,
    hull,
    hullform,
    killcord,
    lever,
    machine,
    motor,
    pack,
    propeller,
    protection,
    senses,
    supply,
    switch,
    warmth,
)
from sim.world.water import Water

Part = TypeVar("Part")

COULOMB_PER_AH = 3600.0
ON_LOST = {"stops": esc.STOPS, "holds": esc.HOLDS}


class Condition(NamedTuple):
    """The pack's state on the day."""

    charge_frac: float
    temperature_degc: float
    resistance_growth_frac: float
    capacity_loss_frac: float


def lever_params(vehicle: files.Vehicle, magnet_degc: float) -> lever.LeverParams:
    """The magnets of a vehicle's throttle at a temperature."""
    return magnets(vehicle.throttle, magnet_degc)


def magnets(throttle: Throttle, magnet_degc: float) -> lever.LeverParams:
    """The throttle's magnets at a temperature."""
    return lever.LeverParams(
        geometry=throttle.geometry,
        diameter_m=throttle.magnet_diameter_m,
        thickness_m=throttle.magnet_thickness_m,
        polarization_tesla=throttle.polarization_tesla,
        gap_m=throttle.gap_m,
        spacing_m=throttle.spacing_m,
        travel_m=throttle.travel_m,
        rest_offset_m=throttle.rest_offset_m,
        misalign_x_m=throttle.misalign_x_m,
        misalign_y_m=throttle.misalign_y_m,
        temperature_coefficient_per_k=throttle.temperature_coefficient_frac_k,
        magnet_degc=magnet_degc,
    )


def taken(part: Callable[..., Part], entry: Entry, **own: float) -> Part:
    """A part's parameters: those that the file's entry names alike, as plain floats, and the rest as given."""
    alike = {name: float(getattr(entry, name)) for name in part.__annotations__ if name not in own}
    return part(**alike, **own)


def contact_params(entry: Contact, reads_closed: int, dt_s: float) -> contact.Params:
    """One input."""
    return taken(
        contact.Params,
        entry,
        pullup_siemens=1.0 / float(entry.pullup_ohm),
        closed_siemens=1.0 / float(entry.closed_ohm),
        reads_closed=reads_closed,
        dt_s=dt_s,
    )


def senses_params(vehicle: files.Vehicle, tick_us: int) -> senses.Params:
    """Everything the pins read."""
    dt_s = to_s(tick_us)
    closed_in_place = 1 if vehicle.kill_cord_sense.closed_when == "in_place" else 0
    return senses.Params(
        hall=hall.Params(
            sensitivity_v_tesla=float(vehicle.sensor.sensitivity_v_tesla),
            supply_v_nominal=float(vehicle.sensor.supply_v_nominal),
            settled_frac=hall.settled_frac(float(vehicle.sensor.bandwidth_hz), dt_s),
            headroom_v=float(vehicle.sensor.headroom_v),
            ground_ohm=float(vehicle.sensor.ground_ohm),
        ),
        adc=adc.Params(
            counts_max=(1 << vehicle.converter.bits) - 1,
            reference_v=float(vehicle.converter.reference_v),
            follows_supply=1 if vehicle.converter.reference == "follows_supply" else 0,
        ),
        deadman=contact_params(vehicle.deadman, 1, dt_s),
        button=contact_params(vehicle.mode_button, 1, dt_s),
        cord=contact_params(vehicle.kill_cord_sense, closed_in_place, dt_s),
        cord_closed_in_place=closed_in_place,
        lead_distance_m=float(vehicle.throttle.lead_distance_m),
        bus_step_v=float(vehicle.readings.bus_step_v),
        current_step_a=float(vehicle.readings.current_step_a),
        speed_fitted=1 if vehicle.readings.propeller_speed else 0,
    )


def pack_params(entry: files.Pack, condition: Condition, dt_s: float) -> pack.Params:
    """The pack as cells in series and parallel."""
    strings = entry.series / entry.parallel
    return pack.Params(
        series=float(entry.series),
        capacity_c=float(entry.cell.capacity_ah) * COULOMB_PER_AH * entry.parallel,
        r0_ohm=float(entry.cell.r0_ohm) * strings,
        r1_ohm=float(entry.cell.r1_ohm) * strings,
        keep1_frac=pack.keep_frac(float(entry.cell.tau1_s), dt_s),
        r2_ohm=float(entry.cell.r2_ohm) * strings,
        keep2_frac=pack.keep_frac(float(entry.cell.tau2_s), dt_s),
        ocv_v=cell.ocv_table_v(entry.cell.ocv_v or ()),
        r0_shape=cell.resistance_shape(),
        activation_j_mol=float(entry.cell.activation_j_mol),
        resistance_growth_frac=condition.resistance_growth_frac,
        capacity_loss_frac=condition.capacity_loss_frac,
        weak_capacity_frac=float(entry.weak_capacity_frac),
        weak_resistance_frac=float(entry.weak_resistance_frac),
    )


def propeller_params(entry: files.Propeller) -> propeller.Params:
    """Open-water curves of either form.

    Raises
    ------
    ValueError
        Blades, pitch or area outside the series.
    """
    if entry.blades is not None and entry.pitch_ratio is not None and entry.area_ratio is not None:
        curves = propeller.open_water(entry.blades, float(entry.pitch_ratio), float(entry.area_ratio))
    else:
        # The file's own check leaves the four numbers of the lines, all given.
        kt_at_0, j_zero, kq_at_0, kq_at_zero = (
            float(part or 0.0) for part in (entry.kt_at_0, entry.j_zero_thrust, entry.kq_at_0, entry.kq_at_zero_thrust)
        )
        curves = propeller.two_lines(kt_at_0, j_zero, kq_at_0, kq_at_zero, entry.ducted)
    return propeller.of_diameter(curves, float(entry.diameter_m))


def leads_ohm(entry: files.Leads, copper_degc: float) -> float:
    """Battery leads and their joints."""
    area_m2 = copper.awg_area_m2(entry.awg) if entry.awg is not None else float(entry.area_m2 or 0.0)
    return copper.lead_resistance_ohm(area_m2, float(entry.length_m), copper_degc) + float(entry.joint_ohm)


def hull_params(entry: files.Hull, attitude: str, density_kg_m3: float, dt_s: float) -> hull.Params:
    """Mass, added mass and drag of an attitude: held, towed or worn."""
    place = entry.worn if attitude == "worn" else entry.towed
    length_m, beam_m = float(entry.length_m), float(entry.beam_m)
    displaced_kg = hullform.displaced_mass_kg(length_m, beam_m, density_kg_m3)
    added_kg = hullform.added_mass(length_m, beam_m).surge * displaced_kg
    return hull.Params(
        mass_kg=float(entry.mass_kg) + float(place.rider_kg) + added_kg,
        drag_kg_m=float(place.drag_kg_m) * density_kg_m3 / hull.FRESH_WATER_KG_M3,
        deduction_frac=float(entry.deduction_frac),
        wake_frac=float(entry.wake_frac),
        arm_m=float(entry.arm_m),
        held=1 if attitude == "held" else 0,
        dt_s=dt_s,
    )


def lump(entry: files.Lump, dt_s: float) -> heat.Params:
    """One lump."""
    resistance_k_w = float(entry.resistance_k_w)
    return heat.Params(resistance_k_w, heat.keep_frac(resistance_k_w, float(entry.capacity_j_k), dt_s))


def esc_params(entry: files.Esc, dt_s: float) -> esc.Params:
    """One ESC."""
    return taken(esc.Params, entry, frame_us=entry.frame_us, on_lost=ON_LOST[entry.on_lost], dt_s=dt_s)


def supply_params(entry: files.Supply, dt_s: float) -> supply.Params:
    """The logic's supply."""
    return taken(supply.Params, entry, dt_s=dt_s)


def protection_params(entry: files.Protection, dt_s: float) -> protection.Params:
    """The pack's protection."""
    return taken(protection.Params, entry, dt_s=dt_s)


def motor_params(entry: files.Motor) -> motor.Params:
    """One motor with its propeller's inertia."""
    return taken(motor.Params, entry, k_v_s=motor.k_of_kv(float(entry.kv_rpm_v)))


def substeps_needed(spinner: motor.Params, on_ohm: float, dt_s: float) -> int:
    """Substeps of at most half the rotor's own time J R / K^2; a longer one would swing past its answer."""
    rotor_s = spinner.inertia_kg_m2 * (spinner.winding_ohm + on_ohm) / (spinner.k_v_s * spinner.k_v_s)
    return math.ceil(dt_s / (0.5 * rotor_s))


def machine_params(
    vehicle: files.Vehicle, water: Water, condition: Condition, attitude: str, tick_us: int, substeps: int
) -> machine.Params:
    """Everything behind the pins; `substeps` is raised where a light rotor or a slow tick needs more."""
    dt_s = to_s(tick_us)
    spinner = motor_params(vehicle.motor)
    substeps = max(substeps, substeps_needed(spinner, float(vehicle.esc.on_ohm), dt_s))
    return machine.Params(
        pack=pack_params(vehicle.pack, condition, dt_s),
        protection=protection_params(vehicle.protection, dt_s),
        switch=taken(switch.Params, vehicle.main_switch),
        leads_ohm=leads_ohm(vehicle.leads, water.temperature_degc),
        killcord=taken(killcord.Params, vehicle.kill_cord, dt_s=dt_s),
        supply=supply_params(vehicle.supply, dt_s),
        logic_behind_switch=1 if vehicle.supply.fed_from == "bus" else 0,
        esc=esc_params(vehicle.esc, dt_s),
        right_frame_offset_us=vehicle.esc.right_frame_offset_us % vehicle.esc.frame_us,
        drivetrain=drivetrain.Params(
            motor=spinner,
            propeller=propeller_params(vehicle.propeller),
            density_kg_m3=water.density_kg_m3,
            substeps=substeps,
            dt_s=dt_s / substeps,
        ),
        hull=hull_params(vehicle.hull, attitude, water.density_kg_m3, dt_s),
        warmth=warmth.Params(
            esc=lump(vehicle.heat.esc, dt_s),
            motor=lump(vehicle.heat.motor, dt_s),
            switch=lump(vehicle.heat.switch, dt_s),
            pack=lump(vehicle.heat.pack, dt_s),
            around_degc=water.temperature_degc,
        ),
        tick_us=tick_us,
        dt_s=dt_s,
    )
