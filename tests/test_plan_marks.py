"""Moments told by contacts and lever, and matched with a script whatever the pauses."""

from __future__ import annotations

import numpy as np
import pytest

from sim.jobs.plan.marks import marks_of, matched, steady
from sim.jobs.plan.model import Levels, Mark
from sim.record.table import Table

TICK_US = 5000
LEVELS = Levels(rest_counts=500.0, full_counts=3500.0, counts_max=4095.0)
RIDE = [("press", 1.0), ("lever up", 1.4), ("release", 4.0), ("lever down", 5.0)]


def recording(seconds: float, **levels: list[tuple[float, float]]) -> Table:
    """Columns that take a value at a moment and keep it; the lever by its travel."""
    t_us = np.arange(int(seconds * 1e6) // TICK_US, dtype=np.int64) * TICK_US
    columns = {}
    for name, changes in levels.items():
        at_us = [at_s * 1e6 for at_s, _ in changes]
        values = np.array([value for _, value in changes])
        columns[name] = values[np.searchsorted(at_us, t_us, side="right") - 1]
    if "lever" in columns:
        columns["hall_counts"] = 500.0 + 3000.0 * columns.pop("lever")
    return Table(t_us, columns)


def told(table: Table) -> list[tuple[str, float]]:
    return [(mark.kind, mark.at_s) for mark in marks_of(table, LEVELS)]


def marks(*named: tuple[str, float]) -> list[Mark]:
    return [Mark.model_validate({"kind": kind, "at_s": at_s}) for kind, at_s in named]


def test_a_ride_is_told_by_its_contacts_and_its_lever() -> None:
    """Press, pull, release and let back stand at the first sample that shows each."""
    table = recording(6.0, deadman=[(0, 0), (1, 1), (4, 0)], lever=[(0, 0), (1.4, 1), (5, 0)])
    assert told(table) == RIDE


def test_a_short_press_is_a_click_and_bounce_is_nothing() -> None:
    """A press of 0.2 s is one of a gesture; 10 ms are bounce (contacts settle in milliseconds: common practice)."""
    table = recording(3.0, deadman=[(0, 0), (0.5, 1), (0.7, 0), (1.5, 1), (1.51, 0), (2.0, 0)])
    assert told(table) == [("click", 0.5)]


def test_the_cord_is_told_both_ways() -> None:
    """Out and back, each at its moment."""
    assert told(recording(4.0, kill_cord=[(0, 1), (1, 0), (3, 1)])) == [("cord out", 1.0), ("cord back", 3.0)]


def test_a_wire_that_is_off_moves_no_lever() -> None:
    """A reading at a rail is the wire's; the lever stays as it was until the wire is back."""
    lever = [(0.0, 0.0), (1.0, 1.0), (2.0, -500 / 3000), (3.0, 1.0), (4.0, 0.0)]
    assert told(recording(5.0, lever=lever)) == [
        ("lever up", 1.0),
        ("wire off", 2.0),
        ("wire on", 3.0),
        ("lever down", 4.0),
    ]


def test_what_is_held_when_a_recording_begins_was_not_pressed_in_it() -> None:
    """A dead-man that is held from the first sample on shows its release alone."""
    assert told(recording(3.0, deadman=[(0, 1), (2, 0)])) == [("release", 2.0)]


def test_brief_states_take_the_state_before_them() -> None:
    """Three samples of 5 ms within a long state are not there; ten are."""
    values = np.array([0] * 20 + [1] * 3 + [0] * 20 + [1] * 10 + [0] * 20, dtype=bool)
    t_us = np.arange(len(values), dtype=np.int64) * TICK_US
    assert np.flatnonzero(np.diff(steady(values, t_us).astype(int))).tolist() == [42, 52]


@pytest.mark.parametrize("late_s", [0.0, 3600.0])
@pytest.mark.parametrize("slower", [1.0, 2.5])
def test_pauses_and_another_clock_do_not_matter(late_s: float, slower: float) -> None:
    """The same moments later and further apart are all found."""
    seen = marks(*((kind, late_s + slower * at_s) for kind, at_s in RIDE))
    assert matched(marks(*RIDE), seen) == [mark.at_s for mark in seen]


def test_what_was_done_once_more_is_passed_over() -> None:
    """A press that drove nothing, before the ride, is not the ride's."""
    seen = marks(("press", 0.2), ("release", 0.9), *((kind, at_s + 10.0) for kind, at_s in RIDE))
    assert matched(marks(*RIDE), seen) == [11.0, 11.4, 14.0, 15.0]


def test_what_was_left_out_is_not_found() -> None:
    """Without the lever's marks the contacts' are still found."""
    seen = marks(("press", 1.0), ("release", 4.0))
    assert matched(marks(*RIDE), seen) == [1.0, None, 4.0, None]


def test_of_two_alike_the_one_with_the_scripts_pauses_is_meant() -> None:
    """A release follows its own press, not a later one's."""
    script = marks(("press", 0.0), ("release", 2.0))
    seen = marks(("press", 0.0), ("press", 30.0), ("release", 32.0))
    assert matched(script, seen) == [30.0, 32.0]
