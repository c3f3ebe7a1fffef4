"""Pack and leads found again: from published discharge equations, and from recordings of a known pack."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from fit_cases import VEHICLE, estimates, few, given, holds, least_of, trace, untold

from sim.bench.build import Condition, pack_params
from sim.jobs.fit.circuit import Log, Problem, polarised, solve, step_ohm, thinned
from sim.jobs.fit.pack import fit_pack
from sim.jobs.fit.told import Topic
from sim.world import pack

TRIES = 25

# PUBLISHED: Chen and Rincon-Mora 2006, IEEE Trans. Energy Convers. 21(2):504-511, one 850 mAh cell (read in two
# independent codings), its formulas evaluated: charge, then voltage at no current, R0, R1, C1, R2, C2.
CHEN = {
    0.1: (3.674569, 0.088115, 0.064096, 508.6131, 0.049841, 4072.8582),
    0.2: (3.725029, 0.075654, 0.047634, 653.1021, 0.049840, 4448.2962),
    0.5: (3.803362, 0.074461, 0.046690, 702.7228, 0.049840, 4474.9922),
    0.8: (3.945979, 0.074460, 0.046690, 703.5848, 0.049840, 4475.0000),
}
# The same source's discharge equations at half charge: 0.5 A for 200 s, then rest.
PRINTED = {
    0.0: 3.76613208,
    1.0: 3.76531981,
    10.0: 3.75890629,
    30.0: 3.74900688,
    60.0: 3.74065886,
    120.0: 3.73301994,
    200.0: 3.72808453,
    201.0: 3.76608014,
    210.0: 3.77208120,
    260.0: 3.78834640,
    400.0: 3.79729137,
    600.0: 3.80090734,
}
STEP_A, STEP_S = 0.5, 200.0


def chen(s: float) -> tuple[float, ...]:
    """PUBLISHED: the formulas themselves, which the table above gives to six and four decimals."""
    e = -1.031 * np.exp(-35.0 * s) + 3.685 + 0.2156 * s - 0.1178 * s**2 + 0.3201 * s**3
    r0, r1 = 0.1562 * np.exp(-24.37 * s) + 0.07446, 0.3208 * np.exp(-29.14 * s) + 0.04669
    c1, r2 = -752.9 * np.exp(-13.51 * s) + 703.6, 6.603 * np.exp(-155.2 * s) + 0.04984
    return e, r0, r1, c1, r2, -6056.0 * np.exp(-27.12 * s) + 4475.0


def discharged_v(t_s: np.ndarray, numbers: tuple[float, ...]) -> np.ndarray:
    """The discharge equations, in closed form: V = E - I R0 - sum I Ri (1 - e^(-t/tau)), and their relaxation."""
    e, r0, r1, c1, r2, c2 = numbers
    on = (t_s >= 0.0) & (t_s <= STEP_S)
    volts = np.full(len(t_s), e) - np.where(on, STEP_A * r0, 0.0)
    for r, c in ((r1, c1), (r2, c2)):
        grown = STEP_A * r * -np.expm1(-np.clip(t_s, 0.0, STEP_S) / (r * c))
        volts -= grown * np.exp(-np.clip(t_s - STEP_S, 0.0, None) / (r * c))
    return volts


def test_the_tests_own_equations_are_the_published_ones() -> None:
    """PUBLISHED: the twelve printed voltages come out of the equations used here, to their eighth decimal."""
    t_s = np.array(list(PRINTED))
    assert discharged_v(t_s, chen(0.5)) == pytest.approx(list(PRINTED.values()), abs=5.1e-9)


def published_log(charge: float) -> Log:
    """That discharge as a recorder of events has it: ten rows a second, and one on either side of each step."""
    t_s = np.unique(np.round(np.concatenate((np.arange(-20.0, 600.0, 0.1), [-1e-9, STEP_S + 1e-9])), 9))
    current = np.where((t_s >= 0.0) & (t_s <= STEP_S), STEP_A, 0.0)
    ones, none = np.ones(len(t_s)), np.zeros(len(t_s))
    return Log(t_s, current, discharged_v(t_s, chen(charge)), ones, none)


@pytest.mark.parametrize("charge", CHEN)
def test_published_resistances_and_capacitances_are_found(charge: float) -> None:
    """PUBLISHED: from its own discharge equations the cell's R0, R1, C1, R2 and C2 come back to the digits printed."""
    circuit = solve([published_log(charge)], capacity_c=1e9)
    assert circuit is not None
    r0, r1, tau1, r2, tau2 = circuit.fit.values[:5]
    _, *wanted = CHEN[charge]
    for found, printed in zip((r0, r1, tau1 / r1, r2, tau2 / r2), wanted, strict=True):
        assert found == pytest.approx(printed, abs=0.51 * 10.0 ** -(6 if printed < 1.0 else 4))


# INDEPENDENT: pybamm 26.10.1.1, equivalent_circuit.Thevenin, 2 RC elements, R0 0.0744608, R1 0.0466902, C1 702.7,
# R2 0.04984, C2 4474.99, OCV 3.7914 + 0.8 (s - 0.5), 10 Ah, 5 A from s = 0.5.
PYBAMM = {0.0: 3.4190960, 1.0: 3.4108620, 10.0: 3.3457254, 60.0: 3.1576948, 200.0: 3.0163979, 600.0: 2.8866912}


def test_the_circuit_that_is_fitted_is_pybamms() -> None:
    """INDEPENDENT: at pybamm's own numbers the model gives pybamm's voltages, to the digits printed."""
    t_s = np.array(list(PYBAMM))
    current = np.full(len(t_s), 5.0)
    log = Log(t_s, current, np.zeros(len(t_s)), np.ones(len(t_s)), np.zeros(len(t_s)))
    problem = Problem([log], capacity_c=1e9)
    levels = 3.7914 - 0.8 * problem.knots[0] / 36_000.0
    numbers = [0.0744608, 0.0466902, np.log(0.0466902 * 702.7), 0.04984, np.log(0.04984 * 4474.99), *levels]
    # It begins under current: the pairs are at rest at that moment.
    voltages = problem.voltages(np.array([*numbers, 0.0, 0.0]), 2)
    assert voltages == pytest.approx(list(PYBAMM.values()), abs=6e-8)


def test_a_pair_follows_a_ramp_exactly() -> None:
    """A ramp of 1 A a second through an RC pair of 1 ohm gives t - tau (1 - e^(-t/tau)) (handbook), whatever the
    rows."""
    t_s = np.cumsum(np.random.default_rng(1).uniform(0.01, 3.0, 60))
    t_s -= t_s[0]
    assert polarised(t_s, t_s, 7.0) == pytest.approx(t_s - 7.0 * -np.expm1(-t_s / 7.0), abs=1e-12)


def dive(seed: int, length_s: float = 900.0, interval_s: float = 0.25) -> dict[str, np.ndarray]:
    """Current, and the demo pack's own voltage and bus, over pulls of 40 to 120 A; all rows at 25 degC."""
    rng = np.random.default_rng(seed)
    rows = int(length_s / interval_s)
    current = np.zeros(rows)
    at = int(20.0 / interval_s)
    while at < rows:
        stop = at + int(rng.uniform(10.0, 90.0) / interval_s)
        current[at:stop] = rng.choice([40.0, 80.0, 120.0])
        at = stop + int(rng.uniform(20.0, 120.0) / interval_s)
    params = pack_params(VEHICLE.pack, Condition(0.9, 25.0, 0.0, 0.0), interval_s)
    state = pack.initial(params, 0.9)
    volts = np.empty(rows)
    for row in range(rows):
        source = pack.source(params, state, 1.0)
        volts[row] = source.emf_v - current[row] * source.ohm
        state = pack.step(params, state, current[row], 1.0, interval_s)
    noise = 0.02 * rng.standard_normal((2, rows))
    # 1.2 m of AWG 8 (2.0610 mOhm/m: ASTM B258), 1 mOhm of joints, and two switches of 2 mOhm in parallel at 20 degC.
    leads = 1.2 * 2.0610e-3 + 1e-3 + 1e-3 * (1.0 + 0.004 * (20.0 - 25.0))
    return {
        "pack_a": current + 0.05 * rng.standard_normal(rows),
        "pack_v": volts + noise[0],
        "bus_v": volts - leads * current + noise[1],
    }


CELL = VEHICLE.pack.cell
TRUE = {
    "pack.cell.r0_ohm": float(CELL.r0_ohm),
    "pack.cell.r1_ohm": float(CELL.r1_ohm),
    "pack.cell.tau1_s": float(CELL.tau1_s),
    "pack.cell.r2_ohm": float(CELL.r2_ohm),
    "pack.cell.tau2_s": float(CELL.tau2_s),
    "leads.joint_ohm": 0.001,
}
DAY = {"temperature_degc": 20.0, "pack_degc": 25.0, "charge_frac": 0.9}


@lru_cache(TRIES)
def fitted_dive(seed: int) -> Topic:
    """A dive fitted, once for all that look at it."""
    return fit_pack([trace(dive(seed, 600.0), 250_000)], given(**DAY))


def test_intervals_of_the_packs_numbers_hold_the_truth() -> None:
    """Of 25 noisy dives of ten minutes as many intervals hold R0, both RC pairs and the joints as 95 %
    allows."""
    held: dict[str, list[bool]] = {key: [] for key in TRUE}
    for seed in range(TRIES):
        found = estimates(fitted_dive(seed))
        for key, true in TRUE.items():
            held[key].append(holds(found[key], true))
    assert few(held) == {}


def test_the_numbers_are_found_closely() -> None:
    """One dive tells R0 and the quicker pair to 3 %, the slower to 10 %."""
    found = estimates(fitted_dive(1))
    for key, share in {"r0_ohm": 0.03, "r1_ohm": 0.03, "tau1_s": 0.03, "r2_ohm": 0.1, "tau2_s": 0.1}.items():
        each = found[f"pack.cell.{key}"]
        assert each.half < share * each.value


def test_with_the_bus_alone_leads_are_the_files() -> None:
    """Without pack_v the leads of the file are taken off, and their tolerance goes into R0's interval."""
    columns = dive(2)
    both = estimates(fit_pack([trace(columns, 250_000)], given(**DAY)))["pack.cell.r0_ohm"]
    del columns["pack_v"]
    bus = estimates(fit_pack([trace(columns, 250_000)], given(**DAY)))["pack.cell.r0_ohm"]
    assert holds(bus, TRUE["pack.cell.r0_ohm"])
    assert bus.half > 1.5 * both.half


def test_the_voltage_at_no_current_is_found() -> None:
    """Of 25 dives as many intervals of a cell's voltage at the first charge hold the file's curve as 95 % allows, and
    every other voltage lies within 3 mV of it."""
    charges, volts = np.array(CELL.ocv_v).T
    first, off_v = [], []
    for seed in range(TRIES):
        for key, each in estimates(fitted_dive(seed)).items():
            if key.startswith("cell_ocv_v_at_"):
                filed = float(np.interp(float(key.removeprefix("cell_ocv_v_at_")), charges, volts))
                off_v.append(abs(each.value - filed))
                if key == "cell_ocv_v_at_0.900":
                    first.append(holds(each, filed))
    assert len(first) == TRIES
    assert sum(first) >= least_of(TRIES)
    assert max(off_v) < 0.003


def test_the_curve_takes_what_was_seen_and_keeps_the_rest() -> None:
    """The list for the file has the file's points outside the charges seen, and rises throughout."""
    topic = fitted_dive(1)
    assert topic.curve is not None
    charges = [charge for charge, _ in topic.curve.points]
    volts = [volt for _, volt in topic.curve.points]
    assert charges[0] == 0.0
    assert charges[-1] == 1.0
    assert (0.2, 3.54) in topic.curve.points
    assert volts == sorted(volts)


def test_without_the_charge_the_curve_is_told_over_ampere_hours() -> None:
    """Without a charge to count from, voltages are told over the charge taken, and the file's curve is let be."""
    topic = fit_pack([trace(dive(1), 250_000)], given(**{**DAY, "charge_frac": None}))
    assert topic.curve is None
    assert "cell_ocv_v_after_0.000_ah" in estimates(topic)
    assert "pack.cell.ocv_v" in untold(topic)


def test_a_cold_packs_resistances_are_told_at_25_degrees() -> None:
    """PUBLISHED law (Arrhenius): taken at 5 degC with 20 kJ/mol, the same voltages make a cell of R0 less by
    exp(20000/8.314 (1/278.15 - 1/298.15))."""
    columns = dive(1)
    warm = estimates(fit_pack([trace(columns, 250_000)], given(**DAY)))["pack.cell.r0_ohm"].value
    cold = estimates(fit_pack([trace(columns, 250_000)], given(**{**DAY, "pack_degc": 5.0})))["pack.cell.r0_ohm"].value
    factor = np.exp(20_000.0 / 8.314462618 * (1.0 / 278.15 - 1.0 / 298.15))
    assert warm / cold == pytest.approx(factor, rel=1e-3)


def test_a_recording_that_begins_under_load_is_fitted_too() -> None:
    """Cut so that it begins in the middle of a pull, the dive still tells the pairs within their intervals."""
    columns = dive(4)
    pulls = np.flatnonzero(columns["pack_a"] > 20.0)
    late = {name: values[pulls[30] :] for name, values in columns.items()}
    found = estimates(fit_pack([trace(late, 250_000)], given(**{**DAY, "charge_frac": None})))
    # One dive: each with 95 %, and all within twice that.
    for key in ("r0_ohm", "r1_ohm", "tau1_s"):
        each = found[f"pack.cell.{key}"]
        assert abs(each.value - TRUE[f"pack.cell.{key}"]) < 2.0 * each.half


def test_two_recordings_share_their_resistances() -> None:
    """Two dives from different charges, fitted together, tell the pairs better than either alone."""
    first, second = trace(dive(1, 400.0), 250_000), trace(dive(2, 400.0), 250_000)
    alone = estimates(fit_pack([first], given(**DAY)))["pack.cell.r1_ohm"]
    both = estimates(fit_pack([first, second], given(**DAY)))["pack.cell.r1_ohm"]
    assert both.half < alone.half
    assert abs(both.value - TRUE["pack.cell.r1_ohm"]) < 2.0 * both.half


def test_a_short_recording_tells_r0_and_says_the_rest() -> None:
    """Thirty seconds about one step tell R0 at least; that the slow pair is not told is said."""
    columns = {name: values[60:200] for name, values in dive(3).items()}
    topic = fit_pack([trace(columns, 250_000)], given(**DAY))
    assert holds(estimates(topic)["pack.cell.r0_ohm"], TRUE["pack.cell.r0_ohm"])
    assert "pack.cell.r2_ohm, pack.cell.tau2_s" in untold(topic)


def test_r0_at_steps_holds_the_truth() -> None:
    """Of 25 dives as many intervals of what the voltage does at once hold the pack's resistance as 95 % allows; its
    pairs, which move within the rows about a step, are let have a tenth of a milliohm."""
    entry = VEHICLE.pack
    ohm = float(CELL.r0_ohm) * entry.series / entry.parallel * (entry.series - 1.0 + 1.15) / entry.series
    hits = 0
    for seed in range(TRIES):
        columns = dive(seed, 600.0, 0.05)
        t_s = 0.05 * np.arange(len(columns["pack_a"]))
        log = Log(t_s, columns["pack_a"], columns["pack_v"], np.ones(len(t_s)), np.zeros(len(t_s)))
        found = step_ohm([log], 20.0)
        assert found is not None
        hits += abs(found[0].values[0] - ohm) <= found[0].half[0] + 1e-4
    assert hits >= least_of(TRIES)


def test_fewer_rows_are_the_means_of_several() -> None:
    """A log of 1000 rows thinned to 250 has the means of four rows each, and keeps its charge."""
    rows = np.arange(1000.0)
    log = Log(rows, np.sin(rows / 50.0) ** 2, rows, np.ones(1000), np.zeros(1000))
    short = thinned(log, 250)
    assert len(short.t_s) == 250
    assert short.voltage_v[0] == 1.5
    assert short.used_c[-1] == pytest.approx(log.used_c[-1], rel=0.01)


@pytest.mark.parametrize(
    ("columns", "missing", "got"),
    [
        ({"hall_counts": np.zeros(100)}, "pack", "none"),
        ({"pack_a": np.full(500, 3.0), "bus_v": np.full(500, 50.0)}, "pack", "within 0 A"),
        (
            {"pack_a": -np.repeat([0.0, 50.0], 300), "bus_v": np.repeat([50.0, 48.0], 300)},
            "pack",
            "scale of -1",
        ),
        (
            {"pack_a": np.repeat([0.0, 50.0], 10), "bus_v": np.repeat([50.0, 48.0], 10)},
            "pack",
            "fewer",
        ),
    ],
)
def test_what_the_data_do_not_tell_is_said(columns: dict[str, np.ndarray], missing: str, got: str) -> None:
    """No current, no step, a current of the other sign and too few rows are each told, with no estimate."""
    topic = fit_pack([trace(columns, 100_000)], given())
    assert got in untold(topic)[missing]
    assert topic.estimates == ()


def test_a_coarse_current_is_told() -> None:
    """A current read in steps of 5 A of 120 is said to be coarse."""
    columns = dive(1)
    ripple = 30.0 * np.sin(np.arange(len(columns["pack_a"])) / 7.0)
    columns["pack_a"] = 5.0 * np.rint((columns["pack_a"] + np.where(columns["pack_a"] > 20.0, ripple, 0.0)) / 5.0)
    topic = fit_pack([trace(columns, 250_000)], given(**DAY))
    assert any("comes in steps of 5 A" in each for each in topic.findings)


def test_a_lost_minute_leaves_the_longer_part() -> None:
    """With a minute lost near its end the dive before it is fitted, and the charge is counted from its beginning."""
    columns = dive(5)
    keep = np.ones(len(columns["pack_a"]), dtype=bool)
    keep[3000:3240] = False
    t_us = (250_000 * np.arange(len(keep)))[keep]
    torn = trace({name: values[keep] for name, values in columns.items()}, t_us=t_us)
    found = estimates(fit_pack([torn], given(**DAY)))
    assert abs(found["pack.cell.r0_ohm"].value - TRUE["pack.cell.r0_ohm"]) < 2.0 * found["pack.cell.r0_ohm"].half
