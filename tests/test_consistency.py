"""The world's own steps against independent solutions of the same equations.

Ledger (agreement found on the demo vehicle, tick 1 ms; asserted below with some room):

    whole machine <> scipy.integrate.solve_ivp: full duty at once from standstill, 0.4 s, largest errors
                       rotor speed        bus voltage away from the tick      bus voltage in that tick
                       of 250, 201 rad/s  where the current limit lets go
        air,  1 substep   0.28 rad/s         0.037 V of 57 V                     1.94 V
              2           0.037              0.012                               0.014
              4           0.008              0.006                               0.006
        lake, 1           0.070              0.020                               0.44
              2           0.032              0.008                               0.46
              4           0.023              0.005                               0.46
        a towed hull's speed: 0.0008 m/s of 2.6 m/s at any number
    steady tow <> scipy.optimize.brentq          speed, rotors and bus within 1e-6 of their values
    pack under a changing current <> solve_ivp   1e-8 V
Elsewhere: pack <> pybamm and <> closed form (test_pack), bus <> brentq (test_bus), hull, motor, heat and contact <>
closed forms (their own tests), kernels compiled <> plain (test_numba).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from sim.world import esc, machine, pack

SwitchedOn = Callable[..., tuple[machine.Params, machine.State]]
QUIET = machine.Tape(1.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0)


def isothermal(params: machine.Params) -> machine.Params:
    """Without anything that the written-out equations leave out: warming, cut-offs, trips and the ESC's own slew."""
    frozen = {name: getattr(params.warmth, name)._replace(keep_frac=1.0) for name in ("esc", "motor", "switch", "pack")}
    return params._replace(
        warmth=params.warmth._replace(**frozen),
        esc=params.esc._replace(rise_frac_s=1e9, cut_v=0.0, on_v=0.0),
        protection=params.protection._replace(cell_v_low=0.0, slow_a=1e9, fast_a=1e9),
    )


def at_full_duty(params: machine.Params, state: machine.State) -> machine.State:
    """Both ESCs ready and told to go to full at once."""
    told = state.left_esc._replace(mode=esc.READY, silent_s=0.0, target_frac=1.0)
    return state._replace(left_esc=told, right_esc=told)


class Equations(NamedTuple):
    """Both thrusters alike at full duty; y is rotor speed, hull speed, charge, weak cell's charge, two RC voltages."""

    params: machine.Params

    def ohm(self) -> float:
        """Winding at the water's temperature, and ESC."""
        spinner, around = self.params.drivetrain.motor, self.params.warmth.around_degc
        return spinner.winding_ohm * (1 + 0.00393 * (around - 20)) / (1 + 0.00393 * 5) + self.params.esc.on_ohm

    def ageing(self) -> float:
        cells, around = self.params.pack, self.params.warmth.around_degc
        cold = math.exp(cells.activation_j_mol / 8.314462618 * (1 / (around + 273.15) - 1 / 298.15))
        return (1 + cells.resistance_growth_frac) * cold

    def source(self, y: NDArray[np.float64]) -> tuple[float, float]:
        """Electromotive force and resistance in front of the bus."""
        cells, switch = self.params.pack, self.params.switch
        charges = np.linspace(0, 1, len(cells.ocv_v))
        ocv_v = (cells.series - 1) * np.interp(y[2], charges, cells.ocv_v) + np.interp(y[3], charges, cells.ocv_v)
        of_one = cells.r0_ohm * np.interp(y[2], charges, cells.r0_shape) * self.ageing() / cells.series
        cells_ohm = of_one * (cells.series - 1 + cells.weak_resistance_frac)
        warmer = 1 + switch.temperature_frac_k * (self.params.warmth.around_degc - 25)
        return ocv_v - y[4] - y[5], cells_ohm + self.params.leads_ohm + switch.on_ohm * warmer / switch.parallel

    def motor_a(self, w: float, bus_v: float) -> float:
        back_v = self.params.drivetrain.motor.k_v_s * w
        return min(max((bus_v - back_v) / self.ohm(), 0.0), self.params.esc.current_a_max)

    def bus(self, y: NDArray[np.float64]) -> tuple[float, float]:
        """Bus voltage by bracketing, and bus current."""
        emf_v, ohm = self.source(y)
        idle_w = self.params.supply.load_w / self.params.supply.efficiency_frac + 2 * self.params.esc.idle_w

        def residual(bus_v: float) -> float:
            motor_a = self.motor_a(y[0], bus_v)
            each_w = motor_a * (motor_a * self.ohm() + self.params.drivetrain.motor.k_v_s * y[0])
            return emf_v - ohm * (2 * each_w + idle_w) / bus_v - bus_v

        bus_v = brentq(residual, 0.5 * emf_v, emf_v, xtol=1e-12, rtol=1e-14)
        return bus_v, (emf_v - bus_v) / ohm

    def propeller(self, w: float, speed: float) -> tuple[float, float]:
        """Thrust and torque from the cubics."""
        blades, rho = self.params.drivetrain.propeller, self.params.drivetrain.density_kg_m3
        n, d = w / (2 * math.pi), blades.diameter_m
        if n < 1e-3:
            return 0.0, 0.0
        j = min(speed * (1 - self.params.hull.wake_frac) / (n * d), blades.j_max)
        kt = np.polyval([blades.kt3, blades.kt2, blades.kt1, blades.kt0], j)
        kq = np.polyval([blades.kq3, blades.kq2, blades.kq1, blades.kq0], j)
        return kt * rho * n**2 * d**4, kq * rho * n**2 * d**5

    def __call__(self, t: float, y: NDArray[np.float64]) -> list[float]:
        spinner, cells, hull = self.params.drivetrain.motor, self.params.pack, self.params.hull
        bus_v, bus_a = self.bus(y)
        thrust_n, water_nm = self.propeller(y[0], y[1])
        net_nm = spinner.k_v_s * (self.motor_a(y[0], bus_v) - spinner.no_load_a) - water_nm
        push_n = 2 * thrust_n * (1 - hull.deduction_frac) - hull.drag_kg_m * y[1] * abs(y[1])
        used = bus_a / (cells.capacity_c * (1 - cells.capacity_loss_frac))
        tau1_s, tau2_s = (-self.params.dt_s / math.log(keep) for keep in (cells.keep1_frac, cells.keep2_frac))
        pushed_a = bus_a * self.ageing()
        return [
            net_nm / spinner.inertia_kg_m2,
            0.0 if hull.held else push_n / hull.mass_kg,
            -used,
            -used / cells.weak_capacity_frac,
            (pushed_a * cells.r1_ohm - y[4]) / tau1_s,
            (pushed_a * cells.r2_ohm - y[5]) / tau2_s,
        ]


# Allowed: rotor speed, bus voltage, bus voltage in the tick where the current limit lets go and beside it. There the
# current that the tick's last substep was left with is carried to its end in a straight line, past the kink.
AGREEMENT = [
    ("air", "held", 1, 0.35, 0.05, 2.5),
    ("air", "held", 2, 0.05, 0.016, 0.6),
    ("air", "held", 4, 0.012, 0.008, 0.6),
    ("lake", "held", 1, 0.09, 0.03, 0.6),
    ("lake", "held", 2, 0.05, 0.011, 0.6),
    ("lake", "held", 4, 0.03, 0.007, 0.6),
    ("lake", "towed", 1, 0.09, 0.03, 0.6),
    ("lake", "towed", 4, 0.03, 0.007, 0.6),
]


# INDEPENDENT: scipy solve_ivp (RK45, rtol 1e-9, atol 1e-10) on the equations written out above.
@pytest.mark.parametrize(("kind", "attitude", "substeps", "rad_s", "smooth_v", "kink_v"), AGREEMENT)
def test_machine_follows_its_equations(
    kind: str, attitude: str, substeps: int, rad_s: float, smooth_v: float, kink_v: float, switched_on: SwitchedOn
) -> None:
    """Driven to full duty at once from standstill, the machine follows an independent solver of its equations."""
    params, state = switched_on(water={"kind": kind}, attitude=attitude, substeps=substeps)
    params, state = isothermal(params), at_full_duty(params, state)
    equations = Equations(params)
    start = [0.0, 0.0, state.pack.soc_frac, state.pack.weak_soc_frac, 0.0, 0.0]
    solved = solve_ivp(equations, (0.0, 0.4), start, rtol=1e-9, atol=1e-10, dense_output=True)
    errors = []
    limited = []
    for tick in range(400):
        state, out = machine.step(params, state, QUIET, tick * params.tick_us, 2000.0, 2000.0)
        y = solved.sol((tick + 1) * params.dt_s)
        bus_v, _ = equations.bus(y)
        errors.append(
            (state.rotors.left_rad_s - y[0], out.bus_v - bus_v, state.hull.speed_m_s - y[1], state.pack.v1_v - y[4])
        )
        limited.append(equations.motor_a(y[0], bus_v) >= params.esc.current_a_max)
    rotor, bus, hull, polarised = np.abs(errors).T
    # The tick in which the current limit lets go, and its neighbours.
    kink = limited.index(False)
    away = np.abs(np.arange(400) - kink) > 1
    assert rotor.max() < rad_s
    assert bus[away].max() < smooth_v
    assert bus.max() < kink_v
    assert hull.max() < 1e-3
    assert polarised.max() < 5e-5


# INDEPENDENT: scipy brentq on torque and thrust balance.
def test_steady_tow_is_the_balance(switched_on: SwitchedOn) -> None:
    """A settled tow has the speed, rotor speed and bus voltage at which torques and forces balance."""
    params, state = switched_on(attitude="towed")
    cells = params.pack._replace(r1_ohm=0.0, r2_ohm=0.0, capacity_c=1e12)
    params = isothermal(params._replace(pack=cells))
    equations = Equations(params)
    charge = state.pack.soc_frac

    def motion(speed: float) -> tuple[float, NDArray[np.float64]]:
        """Rotor speed at which the torques balance at a hull speed."""

        def y_of(w: float) -> NDArray[np.float64]:
            return np.array([w, speed, charge, charge, 0.0, 0.0])

        w = brentq(lambda w: equations(0.0, y_of(w))[0], 50.0, 400.0, xtol=1e-10)
        return w, y_of(w)

    speed = brentq(lambda speed: equations(0.0, motion(speed)[1])[1], 1.0, 8.0, xtol=1e-10)
    w, y = motion(speed)
    state = at_full_duty(params, state._replace(hull=state.hull._replace(speed_m_s=3.0)))
    for tick in range(8000):
        state, out = machine.step(params, state, QUIET, tick * params.tick_us, 2000.0, 2000.0)
    assert state.hull.speed_m_s == pytest.approx(speed, rel=1e-6)
    assert state.rotors.left_rad_s == pytest.approx(w, rel=1e-6)
    assert out.bus_v == pytest.approx(equations.bus(y)[0], rel=1e-6)


# INDEPENDENT: scipy solve_ivp (LSODA, rtol 1e-11, atol 1e-13) on the two RC pairs and the charge.
def test_pack_follows_its_equations(switched_on: SwitchedOn) -> None:
    """Under a current that changes every 0.1 s the RC voltages and the charge are those of an independent solver."""
    cells = switched_on(control_hz=100.0)[0].pack
    dt_s, factor = 0.01, 1.4
    currents_a = np.repeat(np.random.default_rng(3).uniform(-20.0, 150.0, 40), 10)
    state = pack.initial(cells, 0.8)
    y = np.array([0.8, 0.0, 0.0])
    tau1_s, tau2_s = (-dt_s / math.log(keep) for keep in (cells.keep1_frac, cells.keep2_frac))
    for current_a in currents_a:
        state = pack.step(cells, state, float(current_a), factor, dt_s)
        pushed_a = current_a * factor

        def slopes(t: float, y: NDArray[np.float64], pushed_a: float = pushed_a) -> list[float]:
            to_1, to_2 = pushed_a * cells.r1_ohm - y[1], pushed_a * cells.r2_ohm - y[2]
            return [-pushed_a / factor / cells.capacity_c, to_1 / tau1_s, to_2 / tau2_s]

        y = solve_ivp(slopes, (0.0, dt_s), y, method="LSODA", rtol=1e-11, atol=1e-13).y[:, -1]
        assert (state.soc_frac, state.v1_v, state.v2_v) == pytest.approx(tuple(y), abs=1e-8)
