"""Tuning and searching by turns: a limit whose worst build lies between the ends of a tolerance."""

from __future__ import annotations

from pathlib import Path

import pytest
from tune_cases import DAY, bus_v, duty_at, ride

from sim.face.tune_text import reasons
from sim.jobs.tune.bed import Bed
from sim.jobs.tune.hard import tune_hard
from sim.jobs.tune.knobs import knobs_of
from sim.jobs.tune.tune import tune
from sim.jobs.tune.tuned import Tuned

# The joint's tolerance, and a bus voltage that builds near its bad end rest at with the drive as wished.
LEAST_OHM, MOST_OHM = 0.05, 0.15
# The reference's strongest step as filed.
WISH = 0.92
NEAR_V = 0.3
FORBIDDEN_V = bus_v(WISH, 0.14)
AWAY = f"""
requirements:
  - id: away
    says: The bus does not rest near a voltage at which something rings.
    formula: always(not held(1.0, abs(bus_v - {FORBIDDEN_V!r}) < {NEAR_V}))
"""
JOINT = {"leads__joint_ohm": f"{LEAST_OHM} .. {MOST_OHM}"}
OPEN = {"bus_floor_mv": 1, "bus_foldback_mv": 2, "pack_ceiling_ma": 400_000, "pack_foldback_ma": 399_999}
FIXED = {"ramp_up_ms": 200, **OPEN, **{f"cap_{step}_permille": 50 for step in (1, 2, 3)}}


@pytest.fixture(scope="module")
def bed_and_both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Tuned, Tuned]:
    """A tuning without and with the search."""
    given = ride(tmp_path_factory.mktemp("ride"), AWAY, esc__cut_v=20.0, **JOINT)
    knobs = knobs_of(given.case.bench.controller)
    with Bed(given, workers=1) as bed:
        return tune(bed, knobs, FIXED, DAY), tune_hard(bed, knobs, FIXED, DAY, runs=60)


def test_the_ends_alone_do_not_see_it(bed_and_both: tuple[Tuned, Tuned]) -> None:
    """Both ends of the tolerance are away from the voltage, so that without the search the whole wish is given."""
    plain, _ = bed_and_both
    assert abs(bus_v(WISH, LEAST_OHM) - FORBIDDEN_V) > NEAR_V
    assert abs(bus_v(WISH, MOST_OHM) - FORBIDDEN_V) > NEAR_V
    assert plain.settings["cap_4_permille"] == 1000 * WISH


def test_with_the_search_no_build_rests_there(bed_and_both: tuple[Tuned, Tuned]) -> None:
    """In closed form: at the cap found, even the most resistance leaves the bus above the forbidden band."""
    _, hard = bed_and_both
    cap = hard.settings["cap_4_permille"] / 1000.0
    assert bus_v(cap, MOST_OHM) >= FORBIDDEN_V + 0.98 * NEAR_V
    assert cap >= duty_at(FORBIDDEN_V + NEAR_V, MOST_OHM) - 0.03


def test_the_last_search_breaks_nothing(bed_and_both: tuple[Tuned, Tuned]) -> None:
    """It ends when neither moves: every search but the last broke something, and that is a corner now."""
    _, hard = bed_and_both
    assert [each.broken for each in hard.searches] == [True] * (len(hard.searches) - 1) + [False]
    names = [corner.name for corner in hard.corners]
    assert all(each.corner.name in names for each in hard.searches[:-1])


def test_what_no_drive_cures_is_told_and_fails(tmp_path: Path) -> None:
    """A pressed dead-man's line is U r / (R + r), whatever is driven; where it must not is told."""
    rail_v, closed_ohm, pullup_ohm = 5.0, 0.5, 700.0
    forbidden_v = rail_v * closed_ohm / (pullup_ohm + closed_ohm)
    limit = f"""
requirements:
  - id: line
    says: The line of a pressed dead-man does not rest there.
    formula: always(not held(1.0, abs(deadman_line_v - {forbidden_v!r}) < 0.0002))
"""
    given = ride(tmp_path, limit, deadman__pullup_ohm="500 .. 1500", deadman__closed_ohm=closed_ohm)
    knobs = knobs_of(given.case.bench.controller)
    with Bed(given, workers=1) as bed:
        found = tune_hard(bed, knobs, FIXED, DAY, runs=60)
    (hard,) = found.incurable
    assert hard.corner.vehicle_set["deadman.pullup_ohm"] == pytest.approx(pullup_ohm, rel=0.06)
    assert (found.verdict, found.refused, found.settings["cap_4_permille"]) == ("fail", "", 1000 * WISH)
    assert any("no ramp and no cap cures that" in sentence for sentence in reasons(found))
