"""The power sheet against closed forms, an independent solver, and long simulations of the same condition."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.optimize import fsolve, minimize_scalar
from sheet_cases import MOORHEN, called, result, tables_of, vehicle

from sim.base.clock import to_us
from sim.base.errors import InputError
from sim.bench import build
from sim.bench.control import load_controller
from sim.bench.run import set_up, simulate, with_overrides
from sim.bench.scenario import PackEntry, Scenario
from sim.bench.vehicle import load_vehicle
from sim.face import sheet_power
from sim.jobs.sheets.endurance import limits_of, run_down
from sim.jobs.sheets.paper import Paper
from sim.jobs.sheets.power import FULL, power_sheet
from sim.jobs.sheets.steady import Charge, Steady, circuit, metres_per_radian, steady
from sim.world import esc, machine
from sim.world.disc import ideal_power_w
from sim.world.water import water

TIRED = PackEntry(charge_frac=0.35, temperature_degc=6.0, resistance_growth_frac=0.4, capacity_loss_frac=0.15)
ATTITUDES = ("held", "towed", "worn")


def physics(path: Path = MOORHEN, attitude: str = "held", kind: str = "lake", tick_us: int = 10_000, **pack: float):
    """The machine's parameters at 20 degC, for a pack of the given age."""
    condition = build.Condition(0.9, 20.0, pack.get("growth", 0.0), pack.get("loss", 0.0))
    return build.machine_params(load_vehicle(path), water(kind, 20.0), condition, attitude, tick_us, 1)


NINE_TENTHS = Charge(0.9, 0.9, 20.0)


def at(params: machine.Params, duty: float, charge: Charge = NINE_TENTHS) -> Steady:
    return steady(params, charge, duty, metres_per_radian(params))


@cache
def fresh() -> Paper:
    """The sheet of Moorhen with a nearly full pack in a lake."""
    return power_sheet(MOORHEN, load_controller("reference", 1000), "lake", 20.0, PackEntry())


@cache
def tired() -> Paper:
    """The sheet of Moorhen with a cold, aged pack a third full."""
    return power_sheet(MOORHEN, load_controller("reference", 1000), "lake", 12.0, TIRED)


def row(paper: Paper, attitude: str, step: str):
    return next(each for each in paper.tables["steps"] if (each.attitude, each.step) == (attitude, step))


# Next to nothing but the propellers is drawn, and nothing warms: what is left has an answer in closed form.
BARE = {
    "supply.load_w": 1e-9,
    "esc.idle_w": 0.0,
    **{f"heat.{part}.resistance_k_w": 1e-12 for part in ("esc", "motor", "switch", "pack")},
}


@pytest.mark.parametrize("duty", [0.3, 0.6, 1.0])
def test_held_still_the_current_is_that_of_the_quadratic(tmp_path: Path, duty: float) -> None:
    """Torque K (I - I0) = c w^2 behind a resistive source is one quadratic in w, and so the current is known.

    d (E - 2 R d I) - K w = I r with I = I0 + c w^2 / K: closed form.
    """
    params = physics(vehicle(tmp_path, BARE))
    source = circuit(params, Charge(0.9, 0.9, 20.0), 20.0)
    E, R, d = source.emf_v, source.source_ohm, duty
    spinner, blades = params.drivetrain.motor, params.drivetrain.propeller
    K, I0 = spinner.k_v_s, spinner.no_load_a
    r = spinner.winding_ohm * (1.0 - 5.0 * 0.00393 / (1.0 + 5.0 * 0.00393)) + params.esc.on_ohm
    c = blades.kq0 * params.drivetrain.density_kg_m3 * blades.diameter_m**5 / (4.0 * math.pi**2)
    whole = r + 2.0 * R * d * d
    a, b, rest = whole * c / K, K, whole * I0 - d * E
    w = (-b + math.sqrt(b * b - 4.0 * a * rest)) / (2.0 * a)
    found = at(params, duty)
    assert found.rad_s == pytest.approx(w, rel=1e-7)
    assert found.motor_a == pytest.approx(I0 + c * w * w / K, rel=1e-7)
    assert found.bus_a == pytest.approx(2.0 * d * found.motor_a, rel=1e-6)
    assert found.bus_v == pytest.approx(E - R * found.bus_a, rel=1e-9)


def test_with_nothing_to_turn_the_motor_draws_its_no_load_current(tmp_path: Path) -> None:
    """In a thousandth of air's density I is I0 and K w is d V - I0 r (Kv, R, I0 motor, closed form)."""
    params = physics(vehicle(tmp_path, BARE), kind="air")
    params = params._replace(drivetrain=params.drivetrain._replace(density_kg_m3=1e-6))
    found = at(params, 0.5)
    assert found.motor_a == pytest.approx(params.drivetrain.motor.no_load_a, rel=1e-6)
    ohm = params.drivetrain.motor.winding_ohm / (1.0 + 5.0 * 0.00393) + params.esc.on_ohm
    back_v = 0.5 * found.bus_v - found.motor_a * ohm
    assert found.rad_s == pytest.approx(back_v / params.drivetrain.motor.k_v_s, rel=1e-9)


@pytest.mark.parametrize("attitude", ATTITUDES)
@pytest.mark.parametrize("duty", [0.4, 0.92])
def test_all_equations_at_once_have_the_same_answer(attitude: str, duty: float) -> None:
    """The same physics written out as six equations and given to scipy's fsolve (MINPACK hybrd) ends there too."""
    params = physics(attitude=attitude)
    source = circuit(params, Charge(0.9, 0.9, 20.0), 20.0)
    spinner, blades, hull = params.drivetrain.motor, params.drivetrain.propeller, params.hull
    density, d, K = params.drivetrain.density_kg_m3, blades.diameter_m, spinner.k_v_s
    fixed_ohm = source.source_ohm - params.switch.on_ohm / params.switch.parallel * (1.0 - 0.004 * 5.0)
    load_w = 1.2 / 0.8 + 2.0 * 0.6

    def short(unknown: np.ndarray) -> list[float]:
        bus_v, bus_a, motor_a, w, v, rise_k, switch_k = unknown
        n = w / (2.0 * math.pi)
        J = v * (1.0 - hull.wake_frac) / (n * d)
        KT = blades.kt0 + blades.kt1 * J + blades.kt2 * J**2 + blades.kt3 * J**3
        KQ = blades.kq0 + blades.kq1 * J + blades.kq2 * J**2 + blades.kq3 * J**3
        winding = spinner.winding_ohm * (1.0 + 0.00393 * rise_k) / (1.0 + 0.00393 * 5.0)
        switch = params.switch.on_ohm / params.switch.parallel * (1.0 + 0.004 * (switch_k - 5.0))
        drag = 0.0 if hull.held else hull.drag_kg_m * v * v
        pull = 2.0 * KT * density * n * n * d**4 * (1.0 - hull.deduction_frac)
        return [
            source.emf_v - (fixed_ohm + switch) * bus_a - bus_v,
            2.0 * duty * motor_a + load_w / bus_v - bus_a,
            duty * bus_v - K * w - motor_a * (winding + params.esc.on_ohm),
            K * (motor_a - spinner.no_load_a) - KQ * density * n * n * d**5,
            v if hull.held else pull - drag,
            0.12 * motor_a**2 * winding - rise_k,
            1.0 * bus_a**2 * switch - switch_k,
        ]

    start = [50.0, 30.0, 20.0, 150.0, 0.0 if hull.held else 2.0, 5.0, 1.0]
    answer, _, ended, message = fsolve(short, start, full_output=True, xtol=1e-13)
    assert ended == 1, message
    found = at(params, duty)
    mine = (found.bus_v, found.bus_a, found.motor_a, found.rad_s, found.speed_m_s)
    assert mine == pytest.approx(tuple(answer[:5]), rel=1e-7, abs=1e-9)
    assert (found.motor_degc - 20.0, found.switch_degc - 20.0) == pytest.approx(tuple(answer[5:]), rel=1e-6)


@pytest.mark.parametrize("index", [0, 1])
def test_most_power_is_at_half_the_electromotive_force(index: int) -> None:
    """A numerical search over V (E - V) / R finds the told power and voltage (maximum power transfer)."""
    source = tired().tables["source"][index]
    found = minimize_scalar(lambda volts: -volts * (source.emf_v - volts) / source.ohm, bounds=(0.0, source.emf_v))
    assert (found.x, -found.fun) == pytest.approx((source.most_v, source.most_w), rel=1e-5)
    assert source.most_v * source.most_a == pytest.approx(source.most_w)


def test_the_first_limit_ends_what_is_usable() -> None:
    """The tired pack meets the ESCs' cut first: P = 42 V (E - 42 V) / R, and no step that draws more keeps above it."""
    source = tired().tables["source"][1]
    assert source.first == "ESCs cut at 42 V"
    assert source.usable_w == pytest.approx(42.0 * (source.emf_v - 42.0) / source.ohm)
    for each in tired().tables["steps"]:
        assert (each.bus_w > source.usable_w) == (each.cut_margin_v < 0.0)


def test_full_rc_pairs_are_one_more_resistance() -> None:
    """Between first moment and settled lie R1 + R2 of the strings at the pack's temperature and age (Arrhenius)."""
    first, settled = tired().tables["source"]
    factor = 1.4 * math.exp(20_000.0 / 8.314462618 * (1.0 / 279.15 - 1.0 / 298.15))
    assert settled.ohm - first.ohm == pytest.approx(14 / 8 * (0.008 + 0.012) * factor)


def run_long(attitude: str, params_set: dict[str, int], seconds: float, pack: PackEntry):
    """The closed loop under the first draft, which has no guard: lever pulled at once and held."""
    scenario = Scenario.model_validate(
        {
            "name": "long",
            "vehicle": str(MOORHEN),
            "controller": "first_draft",
            "params_set": params_set,
            "water": {"kind": "lake", "temperature_degc": 20.0},
            "attitude": attitude,
            "pack": pack.model_dump(),
            "rider": [
                {"at_s": 0.0, "deadman": False},
                {"at_s": 2.0, "deadman": True},
                {"at_s": 2.5, "lever_frac": 1.0},
            ],
            "duration_s": seconds,
            "control_hz": 100.0,
        }
    )
    return simulate(set_up(scenario, MOORHEN.parent / "long.scenario.yaml"))


@pytest.mark.parametrize("attitude", ATTITUDES)
def test_a_long_closed_loop_run_ends_where_the_sheet_says(attitude: str) -> None:
    """After eleven minutes of the closed loop the operating point is the solved one at the charge it has come to.

    What has memory lags behind a charge that moves, by its time constants: 0.2 % and 0.2 K are allowed.
    """
    run = run_long(attitude, {"cap_1_permille": 580}, 660.0, PackEntry(charge_frac=0.9))
    end = {name: float(run.table[name][-1]) for name in run.table.names}
    charge = Charge(end["soc_frac"], end["weak_soc_frac"], end["pack_degc"])
    duty = (end["left_pulse_us"] - 1000.0) / 1000.0
    assert duty == 0.58
    found = at(physics(attitude=attitude), duty, charge)
    both = {
        "bus_v": found.bus_v,
        "bus_a": found.bus_a,
        "cell_v_min": found.cell_v_min,
        "left_motor_a": found.motor_a,
        "left_rad_s": found.rad_s,
        "thrust_n": found.thrust_n,
        "speed_m_s": found.speed_m_s,
        "rail_v": found.rail_v,
    }
    assert {name: end[name] for name in both} == pytest.approx(both, rel=2e-3, abs=1e-9)
    warm = {"left_motor_degc": found.motor_degc, "left_esc_degc": found.esc_degc, "switch_degc": found.switch_degc}
    assert {name: end[name] for name in warm} == pytest.approx(warm, abs=0.2)


@pytest.mark.parametrize(("attitude", "cap"), [("towed", 920), ("held", 760), ("worn", 850)])
def test_a_run_to_the_cut_lasts_as_long_as_the_sheet_says(attitude: str, cap: int) -> None:
    """From the same tired charge the simulated ESCs cut within 1 % of the told time, or of a second."""
    limits = limits_of(load_vehicle(MOORHEN), load_controller("reference", 1000).params)
    params = physics(attitude=attitude, growth=0.4, loss=0.15)
    charge, ratio = Charge(0.35, 0.35, 6.0), metres_per_radian(params)
    told = run_down(params, charge, cap / 1000.0, ratio, limits)
    assert told.run_ends == "ESCs cut"
    cut_s, pack_degc = simulated_to_the_cut(params, cap, charge)
    assert told.run_s == pytest.approx(cut_s, rel=0.01, abs=1.0)
    assert told.pack_end_degc == pytest.approx(pack_degc, abs=0.5)


def simulated_to_the_cut(params: machine.Params, cap: int, charge: Charge) -> tuple[float, float]:
    """How long the machine alone keeps pushing at a pulse before an ESC cuts, and its pack's temperature then."""
    state = machine.initial(params, charge.soc_frac, charge.pack_degc)
    tape = machine.Tape(1.0, 0.0, 0.0, 1.0, 1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0)
    begun_us = to_us(2.0)
    for tick in range(200_000):
        t_us = tick * params.tick_us
        pulse = 1000.0 if t_us < begun_us else 1000.0 + cap
        state, _ = machine.step(params, state, tape, t_us, pulse, pulse)
        if state.left_esc.mode == esc.CUT:
            return (t_us - begun_us) * 1e-6, state.warmth.pack_degc
    raise AssertionError("no cut")


@pytest.mark.parametrize("paper", [fresh, tired])
def test_energy_and_momentum_balance(paper: Callable[[], Paper]) -> None:
    """Losses part by part add up to the told heat; drag takes the thrust; shaft power exceeds the ideal disc's."""
    loaded = load_vehicle(MOORHEN)
    for each in paper().tables["steps"]:
        kind, attitude = ("air", "held") if each.attitude == "air" else ("lake", each.attitude)
        degc = paper().given["water_degc"]
        condition = build.Condition(0.5, 20.0, 0.0, 0.0)
        params = build.machine_params(loaded, water(kind, degc), condition, attitude, 1000, 1)
        blades, density = params.drivetrain.propeller, params.drivetrain.density_kg_m3
        winding = (
            params.drivetrain.motor.winding_ohm * (1.0 + 0.00393 * (each.motor_degc - 20.0)) / (1.0 + 0.00393 * 5.0)
        )
        copper_w = 2.0 * each.motor_a**2 * (winding + params.esc.on_ohm)
        # What the bus gives: logic, ESCs' idle, copper, friction and shaft.
        speed = each.duty_frac * each.bus_v - each.motor_a * (winding + params.esc.on_ohm)
        friction_w = 2.0 * params.drivetrain.motor.no_load_a * speed
        drawn_w = 1.2 / 0.8 + 1.2 + copper_w + friction_w
        assert each.bus_w == pytest.approx(drawn_w + each.shaft_w, rel=1e-6)
        # Before the bus: the settled source's resistance, its switch as warm as it got.
        switch = params.switch.on_ohm / params.switch.parallel
        ohm = paper().tables["source"][1].ohm + switch * 0.004 * (each.switch_degc - degc)
        assert each.heat_w == pytest.approx(drawn_w + each.bus_a**2 * ohm, rel=1e-6)
        if attitude != "held":
            assert each.thrust_n == pytest.approx(params.hull.drag_kg_m * each.speed_m_s**2, rel=1e-9)
        one_n = 0.5 * each.thrust_n / (1.0 - params.hull.deduction_frac)
        inflow = each.speed_m_s * (1.0 - params.hull.wake_frac)
        assert 0.5 * each.shaft_w > ideal_power_w(one_n, inflow, density, blades.diameter_m) > 0.0


def test_an_esc_that_does_not_work_at_all_acts_as_one_that_cuts() -> None:
    """The bus that it needs stands above its cut-off: it is that one which ends the drive."""
    vehicle = with_overrides(load_vehicle(MOORHEN), {"esc.on_v": 50.0}, "x.yaml")
    assert limits_of(vehicle, load_controller("reference", 1000).params).esc_cut_v == 50.0


def test_pulses_are_the_caps_and_margins_the_limits() -> None:
    """A cap of 580 permille is a pulse of 1580 us and a duty of 0.58; margins are differences to the file's limits."""
    each = row(fresh(), "towed", "2")
    assert (each.pulse_us, each.duty_frac, each.cap_permille) == (1580, 0.58, 580)
    assert each.cut_margin_v == pytest.approx(each.bus_v - 42.0)
    assert each.trip_margin_a == pytest.approx(150.0 - each.bus_a)
    assert each.cell_margin_v == pytest.approx(each.cell_v_min - 2.7)
    assert each.limit_margin_a == pytest.approx(150.0 - each.motor_a)
    # The rail of 5 V falls below 4.3 V where the converter has 4.3/5 of its 9 V, behind 0.6 V of diode.
    assert fresh().given["limits"]["brown_out_feed_v"] == pytest.approx(9.0 * 4.3 / 5.0 + 0.6)


def test_the_bollard_is_the_worst_and_air_tells_nothing() -> None:
    """At the same step held still draws most, in air next to nothing: that is why a dry test passes."""
    for step in ("1", "2", "3", "4", FULL):
        drawn = [row(fresh(), attitude, step).bus_a for attitude in (*ATTITUDES, "air")]
        assert drawn == sorted(drawn, reverse=True)
        assert drawn[3] < 0.1 * drawn[0]


def test_what_cannot_be_kept_is_said() -> None:
    """On the tired pack step 4 held still cuts before the quicker RC pair is full; the fresh pack keeps every step."""
    each = row(tired(), "held", "4")
    assert (each.acts, each.run_ends) == ("ESCs cut, weakest cell low, guard holds back", "ESCs cut")
    assert 0.0 < each.run_s < 8.0
    assert any(
        finding.bad and "Step 4 (cap 920) cannot be kept: held: ESCs cut" in finding.text
        for finding in tired().findings
    )
    assert not any(finding.bad for finding in fresh().findings)


def test_a_source_past_its_greatest_power_is_a_collapse(tmp_path: Path) -> None:
    """With resistance enough that the current limit's power cannot be drawn the bus collapses: said, and all finite."""
    changes = {"leads.joint_ohm": 0.6, "esc.current_a_max": 40.0, "propeller.diameter_m": 0.5, "esc.cut_v": 5.0}
    pack = PackEntry(charge_frac=0.2, temperature_degc=-20.0, resistance_growth_frac=3.0)
    paper = power_sheet(vehicle(tmp_path, changes), load_controller("reference", 1000), "sea", 0.0, pack)
    numbers = [value for each in paper.tables["steps"] for value in each if isinstance(value, float)]
    assert all(map(math.isfinite, numbers))
    assert "bus collapses" in row(paper, "held", FULL).acts


def test_a_motor_that_never_stops_warming_is_said(tmp_path: Path) -> None:
    """Where a kelvin more makes more heat than a kelvin carries off none is the last (I^2 R alpha Rth > 1)."""
    changes = {"heat.motor.resistance_k_w": 8.0, "propeller.diameter_m": 0.4, "esc.current_a_max": 60.0}
    paper = power_sheet(vehicle(tmp_path, changes), load_controller("reference", 1000), "lake", 20.0, PackEntry())
    assert 60.0**2 * 0.055 * 0.00393 * 8.0 > 1.0
    assert "no end of warming" in row(paper, "held", FULL).acts


def test_an_empty_pack_runs_no_time() -> None:
    """At charge 0 the cut acts at once."""
    paper = power_sheet(MOORHEN, load_controller("reference", 1000), "lake", 20.0, PackEntry(charge_frac=0.0))
    assert {each.run_s for each in paper.tables["steps"] if each.attitude != "air"} == {0.0}


def test_a_steady_draw_lasts_its_charge_over_its_current(tmp_path: Path) -> None:
    """With a flat open-circuit voltage the current stays, and the time is Q / I (coulomb counting, closed form)."""
    flat = {
        "pack.cell.ocv_v": [[0.0, 3.7], [1.0, 3.70001]],
        "pack.weak_capacity_frac": 1.0,
        "heat.pack.resistance_k_w": 1e-9,
    }
    paper = power_sheet(
        vehicle(tmp_path, flat), load_controller("reference", 1000), "air", 25.0, PackEntry(charge_frac=0.8)
    )
    each = row(paper, "air", "1")
    # Only the series resistance of the paper's cell rises near empty, which air's small current hardly sees.
    assert each.run_ends == "empty"
    assert each.run_s == pytest.approx(0.8 * 3.4 * 8 * 3600.0 / each.bus_a, rel=2e-3)


def test_in_air_there_is_only_the_bench() -> None:
    """Asked for air, the sheet has the one attitude that is possible there."""
    paper = power_sheet(MOORHEN, load_controller("reference", 1000), "air", 45.0, PackEntry())
    assert {each.attitude for each in paper.tables["steps"]} == {"air"}


def test_one_s_own_caps_are_taken(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--params gives the caps; with the highest at 1000 there is no row beside the steps."""
    text = (MOORHEN.parents[2] / "controllers" / "reference.yaml").read_text(encoding="utf-8")
    path = tmp_path / "mine.yaml"
    path.write_text(text.replace("cap_4_permille: 920", "cap_4_permille: 1000"), encoding="utf-8")
    data = result(capsys, "power", MOORHEN, "--params", path, "--water", "air")
    assert [(each["step"], each["cap_permille"]) for each in data["steps"]][-1] == ("4", 1000)


def test_a_controller_without_caps_is_refused() -> None:
    """A controller whose parameters have no power steps is bad input, told by what is missing."""

    @dataclasses.dataclass
    class Bare:
        name: str = "bare"

        class params:  # noqa: N801
            @staticmethod
            def _asdict() -> dict[str, Any]:
                return {"step_count": 4, "pulse_stop_us": 1000}

    with pytest.raises(InputError, match=r"controller: expected .* got bare without cap_1_permille, pulse_full_us"):
        power_sheet(MOORHEN, Bare(), "lake", 20.0, PackEntry())  # type: ignore[arg-type]


def test_the_tables_fit_a_hundred_columns(capsys: pytest.CaptureFixture[str]) -> None:
    """No printed line of a table is wider than 100 letters, and none is cut off, even where much acts."""
    aged = ("--pack-temperature", 6, "--resistance-growth", 0.4, "--capacity-loss", 0.15)
    code, out, err = called(capsys, "power", MOORHEN, "--charge", 0.35, "--temperature", 12, *aged)
    assert (code, err) == (0, "")
    assert max(map(len, tables_of(out))) <= 100
    assert "…" not in out


def test_files_are_written_where_asked(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--out gets the figure twice and a CSV for each table; --charge and --temperature show in the JSON."""
    options = ("--charge", 0.5, "--temperature", 7, "--water", "sea", "--out", tmp_path)
    given = result(capsys, "power", MOORHEN, *options)["given"]
    assert (given["charge_frac"], given["water_degc"], given["pack_degc"], given["water"]) == (0.5, 7.0, 7.0, "sea")
    names = {f"sheet_power.{end}" for end in ("png", "svg", "csv", "source.csv", "curves.csv")}
    assert {path.name for path in tmp_path.iterdir()} == names


def test_the_figure_names_limits_and_attitudes() -> None:
    """The figure has the ESCs' cut, half of E, the trip, the greatest power, and each attitude in words."""
    words = "\n".join(text.get_text() for axes in sheet_power.figure(tired()).axes for text in axes.texts)
    for word in ("ESCs cut", "half of E", "slow trip", "no more than", "held still", "towed", "worn", "in air"):
        assert word in words


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        (("--charge", "2"), "drydive sheet: argument --charge: expected a share from 0 to 1; got '2'"),
        (("--water", "loch"), "drydive sheet: argument --water: invalid choice: 'loch'"),
        (
            ("--water", "sea", "--temperature", "-5"),
            "drydive sheet: --temperature: expected degrees Celsius, -2 to 35 in sea",
        ),
        (("--controller", "nobody"), "drydive sheet: --controller: expected a path ending in .py or .c, or one of"),
    ],
)
def test_bad_options_are_one_line(capsys: pytest.CaptureFixture[str], options: tuple[str, ...], expected: str) -> None:
    """A value that is none exits with 2 and one line."""
    code, out, err = called(capsys, "power", MOORHEN, *options)
    assert (code, out, err.count("\n")) == (2, "", 1)
    assert err.startswith(expected)
