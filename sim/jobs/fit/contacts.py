"""Contacts, dry and wet: bounce, press lengths, presses nobody made, and the leak behind a line's voltage (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from sim.base.clock import to_s
from sim.bench.vehicle_senses import Contact
from sim.jobs.fit.bounce import APART_US, fit_bounce
from sim.jobs.fit.film import fit_film
from sim.jobs.fit.interval import Floats, mean_of, median_of, poisson_rate
from sim.jobs.fit.standing import stretches
from sim.jobs.fit.told import Notebook, Series, Topic
from sim.jobs.fit.trace import Given, Mask, Trace, names_of
from sim.jobs.replay import low_reads, read_line, thresholds

# After a true edge the contact bounces and the line follows: so long before and behind it nothing counts as nobody's.
EDGE_S = 0.1
# A line may lie above the rail by so much of it before the rail is another than the file's.
OVER_FRAC = 0.05
# And a line that never reaches this share of it is told.
NEAR_FRAC = 0.9
# So many rows of an untouched contact are asked for.
LEAST_ROWS = 50


class Wire(NamedTuple):
    """A contact by its names: in the vehicle file, of its reading, its line, its truth, and its leak in a scenario."""

    part: str
    reads: str
    line: str
    truth: str
    leak: str


WIRES = (
    Wire("deadman", "deadman", "deadman_line_v", "deadman_pressed", "deadman_leak"),
    Wire("mode_button", "mode_button", "mode_line_v", "mode_pressed", "button_leak"),
    Wire("kill_cord_sense", "kill_cord", "cord_line_v", "cord_seated", "cord_leak"),
)


class Touch(NamedTuple):
    """A contact in one recording.

    reads : 1 pressed (in place, for the kill cord), 0 not; as the chip has it.
    untouched : rows in which nobody touches it, away from true edges.
    idle : what it reads when nobody touches it.
    """

    trace: Trace
    reads: Floats
    untouched: Mask
    idle: float


def fit_contacts(traces: Sequence[Trace], given: Given) -> Topic:
    """All that recordings tell of the three contacts.

    Parameters
    ----------
    traces : those with a contact's reading or its line are taken; a truth column (`deadman_pressed`, ...) or a
        stretch told to be at rest says when nobody touched it.
    """
    book = Notebook("contacts", ())
    for wire in WIRES:
        used = [trace for trace in traces if trace.get(wire.reads, wire.line) is not None]
        if used:
            book.files = names_of(used)
            _contact(book, wire, used, given)
    if not book.files:
        book.miss("contacts", "a recording with a contact or its line's voltage", "none")
    book.files = names_of(traces) if book.files else ()
    return book.done()


def _contact(book: Notebook, wire: Wire, traces: Sequence[Trace], given: Given) -> None:
    entry: Contact = getattr(given.vehicle, wire.part)
    touches = [_touch(wire, trace, given) for trace in traces]
    fit_bounce(book, wire.part, [(touch.trace, touch.reads, ~touch.untouched) for touch in touches])
    _lengths(book, wire, touches)
    _nobody(book, wire, touches)
    lines = [touch for touch in touches if touch.trace.has(wire.line) and not touch.trace.changes]
    if lines:
        _leaks(book, wire, lines, entry, given)


def _touch(wire: Wire, trace: Trace, given: Given) -> Touch:
    truth = trace.get(wire.truth)
    cord = wire.part == "kill_cord_sense"
    reads = trace.get(wire.reads)
    if reads is None:
        rail_v = float(given.vehicle.supply.rail_v_nominal)
        low, high = (frac * rail_v for frac in thresholds(wire.reads, {}, given.vehicle))
        reads = read_line(trace.table[wire.line], low, high, low_reads(wire.reads, given.vehicle))
    idle = 1.0 if cord else 0.0
    if truth is None:
        return Touch(trace, reads, trace.at_rest, idle)
    return Touch(trace, reads, (truth == idle) & _away(trace, truth), idle)


def _away(trace: Trace, truth: Floats) -> Mask:
    """Rows that are no nearer to a true edge than its bounce and the line may reach."""
    edges = trace.t_s[np.flatnonzero(np.diff(truth)) + 1]
    if not edges.size:
        return np.ones(len(truth), dtype=np.bool_)
    after = np.searchsorted(edges, trace.t_s, side="right")
    since = trace.t_s - np.concatenate(([-np.inf], edges))[after]
    until = np.concatenate((edges, [np.inf]))[after] - trace.t_s
    away: Mask = (since > EDGE_S) & (until > trace.interval_s)
    return away


def _lengths(book: Notebook, wire: Wire, touches: Sequence[Touch]) -> None:
    """How long it is pressed (the kill cord: out)."""
    found: list[float] = []
    for touch in touches:
        truth = touch.trace.get(wire.truth)
        active = (truth if truth is not None else touch.reads) != touch.idle
        spells = _joined(_spells(touch.trace, active & ~_nobodys(touch)))
        found += [stop - start for start, stop in spells if stop < math.inf]
    lengths = np.array(found)
    if len(lengths) < 2:
        book.miss(f"{wire.part}_press_s", "2 whole presses or more", f"{len(lengths)}")
        return
    middle, low, high = median_of(lengths)
    span = f"{lengths.min():.3g} to {lengths.max():.3g} s"
    book.findings.append(f"{wire.part}: {len(lengths)} presses of {span}, {middle:.3g} s in the middle.")
    if math.isfinite(low):
        how = "of a median, by the sign test"
        book.tell_band(f"{wire.part}_press_s", "s", (middle, low, high), how, len(lengths))


def _nobodys(touch: Touch) -> Mask:
    """Rows in which it reads as touched and nobody touches it."""
    mask: Mask = touch.untouched & (touch.reads != touch.idle)
    return mask


def _spells(trace: Trace, mask: Mask) -> list[tuple[float, float]]:
    """Start and end of each stretch; the end is endless where the recording ends first, and the first is left out
    where it began before."""
    t_s = np.append(trace.t_s, math.inf)
    return [(float(t_s[start]), float(t_s[stop])) for start, stop in stretches(mask) if start > 0]


def _joined(spells: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Stretches so near to each other that a bounce parts them are one."""
    found: list[tuple[float, float]] = []
    for start, stop in spells:
        if found and start - found[-1][1] <= to_s(APART_US):
            start = found.pop()[0]
        found.append((start, stop))
    return found


def _nobody(book: Notebook, wire: Wire, touches: Sequence[Touch]) -> None:
    """Presses that nobody made: how many, how long."""
    known = [touch for touch in touches if np.count_nonzero(touch.untouched) >= 2]
    key = f"{wire.part}_click_rate_hz"
    if not known:
        book.miss(key, f"{wire.truth}, or --rest with a stretch in which nobody touched it", "neither")
        return
    exposure_s = sum(_time_s(touch.trace, touch.untouched) for touch in known)
    found = [spell for touch in known for spell in _spells(touch.trace, _nobodys(touch))]
    rows = sum(int(np.count_nonzero(touch.untouched)) for touch in known)
    rate, low, high = poisson_rate(len(found), exposure_s)
    book.tell_band(key, "Hz", (rate, low, high), "exact, of a count", rows)
    if not found:
        book.findings.append(f"{wire.part}: no press that nobody made in {exposure_s:.0f} s.")
        return
    lengths = np.array([stop - start for start, stop in found if stop < math.inf])
    span = f", of {lengths.min():.3g} to {lengths.max():.3g} s" if lengths.size else ""
    book.findings.append(
        f"{wire.part}: {len(found)} press{'es' if len(found) > 1 else ''} that nobody made in {exposure_s:.0f} s{span}."
    )
    if len(lengths) < 2:
        book.miss(f"{wire.part}_click_s", "2 such presses or more", f"{len(lengths)}")
        return
    fit = mean_of(np.log(lengths))
    band = (float(fit.values[0]), float(fit.values[0] - fit.half[0]), float(fit.values[0] + fit.half[0]))
    how = "Student's t of the logarithms: a geometric mean"
    book.tell_band(
        f"{wire.part}_click_s", "s", (math.exp(band[0]), math.exp(band[1]), math.exp(band[2])), how, len(lengths)
    )


def _time_s(trace: Trace, mask: Mask) -> float:
    """How long a condition held: each row until the next."""
    return float(np.sum(np.diff(trace.t_s)[mask[:-1]]))


def _leaks(book: Notebook, wire: Wire, lines: Sequence[Touch], entry: Contact, given: Given) -> None:
    """The conductance across an untouched contact, from the divider that it makes with the pull-up."""
    rail_v = float(given.vehicle.supply.rail_v_nominal)
    highest = max(float(np.percentile(touch.trace.table[wire.line], 99.5)) for touch in lines)
    if highest > (1.0 + OVER_FRAC) * rail_v:
        got = f"{highest:.2f} V over a rail of {rail_v:g} V"
        book.miss(f"{wire.part} leak", "a line within the vehicle file's rail", got)
        return
    if highest < NEAR_FRAC * rail_v:
        book.findings.append(
            f"{wire.part}: its line never comes nearer to the vehicle file's rail of {rail_v:g} V than {highest:.2f} V."
            " If that is not the water, the rail is another, and so is every leak."
        )
    usable = [touch for touch in lines if np.count_nonzero(touch.untouched) >= LEAST_ROWS]
    if not usable:
        needed = f"{LEAST_ROWS} rows told untouched by {wire.truth} or --rest"
        book.miss(f"{wire.part} leak", needed, "fewer")
        return
    closed_idle = low_reads(wire.reads, given.vehicle) == (1.0 if wire.part == "kill_cord_sense" else 0.0)
    if wire.part == "kill_cord_sense" and closed_idle:
        book.miss(f"{wire.part} leak", "a contact that is open while nobody touches it", "closed_when: in_place")
        return
    parts = []
    for touch in usable:
        line_v = np.maximum(touch.trace.table[wire.line], 1e-3 * rail_v)
        parts.append((touch, (rail_v / line_v - 1.0) / float(entry.pullup_ohm)))
    _mean_leak(book, wire, parts, rail_v)
    fit_film(book, wire.part, [(touch.trace, siemens, touch.untouched) for touch, siemens in parts], given.sigma_s_m)
    _as_recorded(book, wire, parts)


def _mean_leak(book: Notebook, wire: Wire, parts: Sequence[tuple[Touch, Floats]], rail_v: float) -> None:
    volts = np.concatenate([touch.trace.table[wire.line][touch.untouched] for touch, _ in parts])
    siemens = np.concatenate([each[touch.untouched] for touch, each in parts])
    level, leak = mean_of(volts), mean_of(siemens)
    book.tell_fit(f"{wire.part}_line_v", "V", level)
    book.tell_fit(f"{wire.part}_leak_siemens", "S", leak)
    book.findings.append(
        f"{wire.part}: untouched, its line lies at {volts.min():.2f} to {volts.max():.2f} V of {rail_v:g} V,"
        f" {float(level.values[0]):.2f} V in the middle: a leak of {1e6 * float(leak.values[0]):.1f} uS,"
        f" {1e6 * siemens.max():.1f} uS at most."
    )


def _as_recorded(book: Notebook, wire: Wire, parts: Sequence[tuple[Touch, Floats]]) -> None:
    """The leak itself over time, of the recording with the most of it; where the contact was touched it is held."""
    touch, siemens = max(parts, key=lambda each: int(np.count_nonzero(each[0].untouched)))
    known = np.where(touch.untouched, np.maximum(siemens, 0.0), np.nan)
    first = int(np.argmax(touch.untouched))
    rows = np.where(touch.untouched, np.arange(len(known)), first)
    held = known[np.maximum.accumulate(rows)]
    t_us = touch.trace.table.t_us - touch.trace.table.t_us[0]
    if wire.part != "kill_cord_sense":
        book.series.append(Series(wire.leak, f"{wire.leak}_siemens", t_us, held))
