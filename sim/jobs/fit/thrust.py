"""Static thrust from a tank rig: the thrust coefficient at standstill, and the thrust there is (row 4)."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import brentq

from sim.bench.vehicle import Propeller
from sim.jobs.fit.interval import Fit, Floats, linear, mean_of
from sim.jobs.fit.standing import stretches
from sim.jobs.fit.told import Notebook, Panel, Topic
from sim.jobs.fit.trace import Given, Trace, names_of
from sim.world import b_series, propeller

FORCES = ("rig_n", "thrust_n")
SPEEDS = ("left_rpm", "right_rpm")
PULSES = ("left_pulse_us", "right_pulse_us")
LEAST_ROWS = 50
# Speeds under this make no thrust that a load cell tells from its zero.
SLOWEST_RPM = 30.0
# The static thrust is the mean over rows whose speed (or force) is within this share of its highest.
TOP_FRAC = 0.03
LEAST_TOP_S = 1.0
S_PER_MIN = 60.0


def fit_thrust(traces: Sequence[Trace], given: Given) -> Topic:
    """What a vehicle held still in a tank pulls.

    Parameters
    ----------
    traces : those with the rig's force (`rig_n`, or `thrust_n` where it is thrust already) and no speed through the
        water; with `left_rpm` or `right_rpm` the coefficient is told.

    Notes
    -----
    ``T = KT rho D^4 (n1^2 + n2^2)`` plus the load cell's own zero, by least squares over all rows; the thrust
    deduction of the vehicle file is taken off before. With one speed alone both propellers are taken to turn alike.
    """
    used = [trace for trace in traces if trace.get(*FORCES) is not None and _still(trace)]
    book = Notebook("thrust", names_of(used))
    if not used:
        book.miss("thrust", "a recording with rig_n, or thrust_n, of a vehicle that is held still", "none")
        return book.done()
    force = np.concatenate([_force_n(trace, given) for trace in used])
    if len(force) < LEAST_ROWS:
        book.miss("thrust", f"{LEAST_ROWS} rows of the rig's force", f"{len(force)}")
        return book.done()
    turning = [trace for trace in used if _turns(trace, given) is not None]
    zero_n = 0.0
    if not turning:
        book.miss("kt_at_0", "left_rpm or right_rpm beside the rig's force", "neither")
    else:
        zero_n = _coefficient(book, turning, given)
    _static(book, used, given, zero_n)
    return book.done()


def _still(trace: Trace) -> bool:
    speed = trace.get("speed_m_s")
    return speed is None or float(np.abs(speed).max()) < 0.05


def _force_n(trace: Trace, given: Given) -> Floats:
    """Thrust on the vehicle, as the rig's lever makes it."""
    if trace.has("rig_n"):
        return given.rig_ratio * trace.table["rig_n"]
    return trace.table["thrust_n"]


def _turns(trace: Trace, given: Given) -> Floats | None:
    """Sum of the squares of the propellers' speeds, in turns a second; None where none was recorded."""
    found = [trace.table[name] for name in SPEEDS if name in trace.table]
    # A speed of -1 is a channel that is not fitted.
    found = [rpm for rpm in found if float(rpm.max()) > SLOWEST_RPM][: given.thrusters]
    if not found:
        return None
    squares: Floats = np.sum([(np.maximum(rpm, 0.0) / S_PER_MIN) ** 2 for rpm in found], axis=0)
    return squares * given.thrusters / len(found)


def _coefficient(book: Notebook, traces: Sequence[Trace], given: Given) -> float:
    """KT at standstill; the load cell's zero, in newtons."""
    entry = given.vehicle.propeller
    force = np.concatenate([_force_n(trace, given) for trace in traces])
    turns = np.concatenate([found for trace in traces if (found := _turns(trace, given)) is not None])
    head = given.density_kg_m3 * float(entry.diameter_m) ** 4 * turns * (1.0 - float(given.vehicle.hull.deduction_frac))
    if float(np.ptp(turns)) < given.thrusters * (2.0 * SLOWEST_RPM / S_PER_MIN) ** 2:
        book.miss(
            "kt_at_0", "several speeds of the propellers", f"squares from {turns.min():.1f} to {turns.max():.1f} 1/s2"
        )
        return 0.0
    fit = linear(np.stack([head, np.ones_like(head)], axis=1), force)
    kt, zero = float(fit.values[0]), float(fit.values[1])
    if kt <= 0.0:
        book.miss("kt_at_0", "a force that rises with speed; a negative rig ratio turns it round", f"{kt:.3g}")
        return 0.0
    _known(book, fit, entry)
    book.tell_fit("rig_zero_n", "N", fit, 1)
    order = np.argsort(turns, kind="stable")
    shown = np.sqrt(turns[order] / given.thrusters) * S_PER_MIN
    at = np.linspace(0.0, float(shown.max()), 100)
    line = fit.values[0] * float(head.max()) * (at / float(shown.max())) ** 2
    book.panels.append(
        Panel(
            "Static thrust over propeller speed",
            f"fit: KT {kt:.4f}, the load cell's zero of {zero:+.2f} N taken off",
            "propeller speed (rpm)",
            "N",
            (shown, force[order] - zero),
            (at, line),
            (shown, fit.residuals[order]),
            dots=True,
        )
    )
    return zero


def _known(book: Notebook, fit: Fit, entry: Propeller) -> None:
    """KT as the vehicle file has it: a line's own number, or the pitch at which the series has as much."""
    rows = len(fit.residuals)
    kt, half = float(fit.values[0]), float(fit.half[0])
    if entry.kt_at_0 is not None:
        book.tell_fit("propeller.kt_at_0", "1", fit, 0, of_vehicle=True)
        return
    book.tell_fit("kt_at_0", "1", fit)
    blades, area = int(entry.blades or 3), float(entry.area_ratio or 0.5)

    def off(pitch: float, wanted: float) -> float:
        return propeller.open_water(blades, pitch, area).kt0 - wanted

    pitches = []
    for wanted in (kt, kt - half, kt + half):
        if not off(b_series.PITCH_RATIO[0], wanted) <= 0.0 <= off(b_series.PITCH_RATIO[1], wanted):
            low, high = (off(pitch, 0.0) for pitch in b_series.PITCH_RATIO)
            needed = f"a KT that the B-series has at some pitch, {low:.3f} to {high:.3f}"
            book.miss("propeller.pitch_ratio", needed, f"{kt:.3f} +- {half:.3f}; give the propeller's lines instead")
            return
        pitches.append(float(brentq(off, *b_series.PITCH_RATIO, args=(wanted,))))
    how = f"{fit.how}; the pitch at which the series has this KT"
    book.tell_band("propeller.pitch_ratio", "1", (pitches[0], pitches[1], pitches[2]), how, rows, of_vehicle=True)
    book.findings.append(
        f"The B-series makes KT {kt:.4f} at a pitch ratio of {pitches[0]:.3f}; its torque follows it there, which the"
        " rig did not measure."
    )


def _static(book: Notebook, traces: Sequence[Trace], given: Given, zero_n: float) -> None:
    """The highest thrust that was held."""
    best: tuple[float, Trace, slice] | None = None
    for trace in traces:
        force, squares = _force_n(trace, given) - zero_n, _turns(trace, given)
        drive = trace.get(*PULSES) if squares is None else np.sqrt(squares)
        drive = force if drive is None else drive
        top = float(np.percentile(drive, 99.0))
        if not top > 0.0:
            continue
        for part in trace.unbroken:
            for start, stop in stretches(drive[part] >= (1.0 - TOP_FRAC) * top):
                rows = slice(part.start + start, part.start + stop)
                length_s = float(trace.t_s[rows.stop - 1] - trace.t_s[rows.start])
                if length_s >= LEAST_TOP_S and (best is None or float(np.mean(force[rows])) > best[0]):
                    best = float(np.mean(force[rows])), trace, rows
    if best is None:
        book.miss("static_thrust_n", f"full drive held for {LEAST_TOP_S:g} s", "less")
        return
    _, trace, rows = best
    held = mean_of(_force_n(trace, given)[rows] - zero_n)
    book.tell_fit("static_thrust_n", "N", held)
    book.findings.append(
        f"Static thrust {float(held.values[0]):.1f} +- {float(held.half[0]):.1f} N, the highest that was held"
        f" ({trace.name}, {trace.t_s[rows.start]:.1f} to {trace.t_s[rows.stop - 1]:.1f} s)."
    )
