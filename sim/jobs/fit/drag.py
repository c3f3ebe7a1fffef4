"""Drag over speed squared, from steady runs against thrust and from coasting down (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import stats
from scipy.ndimage import uniform_filter1d

from sim.base.quantity import Toleranced
from sim.bench.build import propeller_params
from sim.bench.vehicle import Attitude
from sim.jobs.fit.interval import TAIL, Fit, Floats, fitted
from sim.jobs.fit.standing import stretches
from sim.jobs.fit.thrust import S_PER_MIN, SLOWEST_RPM, SPEEDS
from sim.jobs.fit.told import Notebook, Panel, Topic
from sim.jobs.fit.trace import Given, Mask, Trace, having, names_of
from sim.world import hull, hullform, propeller

# A run is steady where the speed, over a second, changes by less than this share of what it is within another one.
STEADY_FRAC, LOOK_S, LEAST_STEADY_S = 0.02, 1.0, 2.0
SLOWEST_M_S = 0.2
# A coast is told by so many rows, over so much of the speed it began with.
LEAST_ROWS, LEAST_FALL_FRAC = 20, 0.2
LEAST_RUNS = 2


class Way(NamedTuple):
    """One of the two ways to the drag: kg/m in this water, half its interval, how, and rows."""

    name: str
    value: float
    half: float
    how: str
    rows: int


def fit_drag(traces: Sequence[Trace], given: Given) -> Topic:
    """Drag of vehicle and rider.

    Parameters
    ----------
    traces : those with `speed_m_s`; with `thrust_n`, or with speeds of the propellers, steady runs are told; where
        nothing drives it, coasting.

    Notes
    -----
    Steady: ``T - m dv/dt = k v^2``, each run one point, the interval from how the runs scatter. Coasting:
    ``v = v0/(1 + k v0 t/m)`` with the vehicle file's mass, its rider and the water that moves along; its tolerances go
    into the interval, as do the propeller's own where thrust follows from its speed. Of both the better known one is
    taken.
    """
    used = [trace for trace in having(traces, "speed_m_s") if not trace.changes]
    book = Notebook("drag", names_of(used))
    if not used:
        book.miss("drag", "a recording, not of changes alone, with speed_m_s", "none")
        return book.done()
    ways = [way for way in (_steady(book, used, given), _coasting(book, used, given)) if way is not None]
    if not ways:
        return book.done()
    best = min(ways, key=lambda way: way.half / way.value)
    scale = hull.FRESH_WATER_KG_M3 / given.density_kg_m3
    key = f"hull.{given.attitude}.drag_kg_m"
    book.tell(
        key, "kg/m", best.value * scale, best.half * scale, f"{best.how}; {best.name}", best.rows, of_vehicle=True
    )
    for way in ways:
        book.tell(f"drag_{way.name}_kg_m", "kg/m", way.value, way.half, way.how, way.rows)
    if len(ways) == 2:
        apart = abs(ways[0].value - ways[1].value)
        agree = apart <= math.hypot(ways[0].half, ways[1].half)
        book.findings.append(
            f"Steady runs and coasting {'agree' if agree else 'do not agree'}: {ways[0].value:.1f} and"
            f" {ways[1].value:.1f} kg/m; {best.name} is the better known."
        )
    return book.done()


def _thrust_n(trace: Trace, given: Given) -> Floats | None:
    """Thrust on the vehicle: as recorded, or from the propellers' speeds and the vehicle file's curves."""
    if trace.has("thrust_n"):
        return trace.table["thrust_n"]
    found = [
        trace.table[name] for name in SPEEDS if name in trace.table and float(trace.table[name].max()) > SLOWEST_RPM
    ]
    if not found:
        return None
    entry = given.vehicle.hull
    blades = propeller_params(given.vehicle.propeller)
    diameter, density = blades.diameter_m, given.density_kg_m3
    inflow = np.maximum(trace.table["speed_m_s"], 0.0) * (1.0 - float(entry.wake_frac))
    total = np.zeros(len(inflow))
    for rpm in found:
        n = np.maximum(rpm, SLOWEST_RPM) / S_PER_MIN
        j = np.clip(inflow / (n * diameter), 0.0, blades.j_max)
        kt = blades.kt0 + j * (blades.kt1 + j * (blades.kt2 + j * blades.kt3))
        total += np.where(rpm > SLOWEST_RPM, kt * density * n * n * diameter**4, 0.0)
    thrust: Floats = total * (given.thrusters / len(found)) * (1.0 - float(entry.deduction_frac))
    return thrust


def _steady(book: Notebook, traces: Sequence[Trace], given: Given) -> Way | None:
    points: list[tuple[float, float, int]] = []
    known = [(trace, thrust) for trace in traces if (thrust := _thrust_n(trace, given)) is not None]
    if not known:
        book.miss("drag_steady_kg_m", "thrust_n, or left_rpm and right_rpm, beside speed_m_s", "neither")
        return None
    mass = _mass_kg(given)[0]
    for trace, thrust in known:
        driven = thrust > 0.0
        for rows in _stretches(trace, _is_steady(trace) & driven, LEAST_STEADY_S):
            speed = trace.table["speed_m_s"][rows]
            # What still speeds it up makes no drag.
            pushing = mass * float(np.polyfit(trace.t_s[rows], speed, 1)[0])
            points.append((float(np.sqrt(np.mean(speed**2))), float(np.mean(thrust[rows])) - pushing, len(speed)))
    if len(points) < LEAST_RUNS:
        needed = f"{LEAST_RUNS} runs of {LEAST_STEADY_S:g} s at a steady speed or more"
        book.miss("drag_steady_kg_m", needed, f"{len(points)}")
        return None
    speed, force = (np.array([point[index] for point in points]) for index in (0, 1))
    counted = sum(rows for *_, rows in points)
    each = force / speed**2
    value = float(each.mean())
    half = float(stats.t.isf(TAIL, len(each) - 1)) * float(each.std(ddof=1)) / math.sqrt(len(each))
    how = f"Student's t of {len(each)} runs"
    if not known[0][0].has("thrust_n"):
        share = _propeller_share(given)
        half = math.hypot(half, share * value)
        how += "; thrust from the propeller's curves, with their tolerance"
    at = np.linspace(0.0, float(speed.max()), 100)
    book.panels.append(
        Panel(
            "Thrust over speed, steady runs",
            "each run one point; the fit is drag over speed squared",
            "speed (m/s)",
            "N",
            (speed, force),
            (at, value * at * at),
            (speed, force - value * speed**2),
            dots=True,
        )
    )
    return Way("steady", value, half, how, counted)


def _propeller_share(given: Given) -> float:
    """What the propeller's own tolerance makes of thrust, as a share: of its pitch or KT, and of its diameter."""
    entry = given.vehicle.propeller

    def share(number: Toleranced | None) -> float:
        return 0.0 if number is None else 0.5 * (number.high - number.low) / float(number)

    steep = 1.0
    if entry.blades is not None and entry.pitch_ratio is not None and entry.area_ratio is not None:
        low, high = (
            propeller.open_water(entry.blades, float(entry.pitch_ratio) * factor, float(entry.area_ratio)).kt0
            for factor in (0.99, 1.01)
        )
        steep = (high - low) / (0.01 * (high + low))
    return math.hypot(steep * share(entry.pitch_ratio), share(entry.kt_at_0), 4.0 * share(entry.diameter_m))


def _is_steady(trace: Trace) -> Mask:
    speed = trace.table["speed_m_s"]
    width = max(round(LOOK_S / trace.interval_s), 1)
    smooth = uniform_filter1d(speed, 2 * (width // 2) + 1, mode="nearest")
    before = np.concatenate((np.full(width, np.nan), smooth[:-width]))
    after = np.concatenate((smooth[width:], np.full(width, np.nan)))
    # What the smoothed speed scatters by itself is no change.
    noise = float(np.median(np.abs(np.diff(speed)))) / 0.6745 / math.sqrt(2.0 * width)
    steady: Mask = (np.abs(after - before) <= 2.0 * STEADY_FRAC * np.abs(smooth) + 4.0 * noise) & (smooth > SLOWEST_M_S)
    return steady


def _stretches(trace: Trace, mask: Mask, least_s: float) -> list[slice]:
    found = []
    for part in trace.unbroken:
        for start, stop in stretches(mask[part]):
            rows = slice(part.start + start, part.start + stop)
            if stop - start >= 3 and trace.t_s[rows.stop - 1] - trace.t_s[rows.start] >= least_s:
                found.append(rows)
    return found


def _idle(trace: Trace) -> Mask | None:
    """Rows in which nothing drives; None where no column tells."""
    masks = []
    if trace.has("thrust_n"):
        masks.append(trace.table["thrust_n"] <= 0.005 * float(trace.table["thrust_n"].max()))
    masks += [
        trace.table[name] <= SLOWEST_RPM for name in SPEEDS if name in trace.table and trace.table[name].max() > 0.0
    ]
    if not masks:
        masks = [
            trace.table[name] <= trace.table[name].min()
            for name in ("left_pulse_us", "right_pulse_us")
            if name in trace.table
        ]
    if not masks:
        return None
    idle: Mask = np.logical_and.reduce(masks)
    return idle


def _coasting(book: Notebook, traces: Sequence[Trace], given: Given) -> Way | None:
    runs: list[tuple[Floats, Floats]] = []
    for trace in traces:
        idle = _idle(trace)
        if idle is None:
            continue
        speed = trace.table["speed_m_s"]
        for rows in _stretches(trace, idle & (speed > SLOWEST_M_S), 0.5):
            t_s, v = trace.t_s[rows] - trace.t_s[rows][0], speed[rows]
            tenth = max(len(v) // 10, 1)
            if len(v) >= LEAST_ROWS and np.mean(v[:tenth]) - np.mean(v[-tenth:]) > LEAST_FALL_FRAC * np.mean(v[:tenth]):
                runs.append((t_s, v))
    if not runs:
        needed = "speed_m_s falling by a fifth or more while thrust_n, rpm or pulses tell that nothing drives"
        book.miss("drag_coasting_kg_m", needed, "no such stretch")
        return None
    mass, mass_half = _mass_kg(given)
    fit = _coast(runs)
    per, per_half = float(fit.values[0]), float(fit.half[0])
    value = per * mass
    half = math.hypot(per_half * mass, per * mass_half)
    longest = max(range(len(runs)), key=lambda index: len(runs[index][0]))
    t_s, v = runs[longest]
    start = float(fit.values[1 + longest])
    model = start / (1.0 + per * start * t_s)
    many = f"{len(runs)} coasts, the longest shown" if len(runs) > 1 else "one coast"
    words = f"{many}; mass {mass:.0f} kg with the water it moves"
    book.panels.append(Panel("Coasting down", words, "time (s)", "m/s", (t_s, v), (t_s, model), (t_s, v - model)))
    return Way("coasting", value, half, f"{fit.how}; the mass's tolerance with it", sum(len(each[0]) for each in runs))


def _coast(runs: Sequence[tuple[Floats, Floats]]) -> Fit:
    """Drag over mass, and each run's first speed."""
    starts = [float(np.mean(v[: max(len(v) // 20, 1)])) for _, v in runs]
    t_s, v = runs[0]
    first = max((starts[0] / max(float(np.mean(v[-3:])), 1e-3) - 1.0) / (starts[0] * float(t_s[-1])), 1e-4)

    def left(values: Floats) -> Floats:
        parts = [v - v0 / (1.0 + values[0] * v0 * t) for (t, v), v0 in zip(runs, values[1:], strict=True)]
        return np.concatenate(parts)

    return fitted(left, np.array([first, *starts]), 1e-9)


def _mass_kg(given: Given) -> tuple[float, float]:
    """Vehicle, rider and the water that moves along, with half its band."""
    entry = given.vehicle.hull
    place: Attitude = getattr(entry, given.attitude)
    length, beam = float(entry.length_m), float(entry.beam_m)
    added = hullform.added_mass(length, beam).surge * hullform.displaced_mass_kg(length, beam, given.density_kg_m3)
    bands = [0.5 * (number.high - number.low) for number in (entry.mass_kg, place.rider_kg)]
    return float(entry.mass_kg) + float(place.rider_kg) + added, math.hypot(*bands)
