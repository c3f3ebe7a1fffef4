"""The kill cord: its switch opens by itself, its sense contact follows, each after its own delay."""

from __future__ import annotations

import inspect

import pytest

from sim.world import killcord

CORD = killcord.Params(open_delay_s=0.010, sense_delay_s=0.005, dt_s=0.001)


def ticks_until_open(params: killcord.Params, welded: float = 0.0, ticks: int = 100) -> tuple[int | None, int | None]:
    """Ticks from the magnet's going to the switch open and to the sense contact moved; None is never."""
    state = killcord.initial(params)
    opened = sensed = None
    for tick in range(1, ticks + 1):
        state, out = killcord.step(params, state, killcord.Inputs(seated=0.0, welded=welded))
        opened = tick if opened is None and out.switch_closed == 0 else opened
        sensed = tick if sensed is None and out.sense_seated == 0 else sensed
    return opened, sensed


# IEC 60204-1, stop category 0 (paraphrased from safety-engineering pages): power removed at once, uncontrolled.
@pytest.mark.parametrize("delay_s", [0.0, 0.001, 0.010, 0.0335])
def test_switch_opens_after_its_delay(delay_s: float) -> None:
    """Pulled, the switch opens within one tick of its own delay."""
    opened, _ = ticks_until_open(CORD._replace(open_delay_s=delay_s))
    assert opened is not None
    assert opened * CORD.dt_s == pytest.approx(delay_s, abs=CORD.dt_s + 1e-12)


@pytest.mark.parametrize("delay_s", [0.0, 0.001, 0.005, 0.0335])
def test_sense_contact_moves_after_its_delay(delay_s: float) -> None:
    """Pulled, the sense contact moves within one tick of its own delay."""
    _, sensed = ticks_until_open(CORD._replace(sense_delay_s=delay_s))
    assert sensed is not None
    assert sensed * CORD.dt_s == pytest.approx(delay_s, abs=CORD.dt_s + 1e-12)


def test_no_software_in_the_path() -> None:
    """The switch has no input but the magnet and what is broken: no controller can hold it closed."""
    assert killcord.Inputs._fields == ("seated", "welded")
    assert list(inspect.signature(killcord.step).parameters) == ["params", "state", "inputs"]


def test_welded_switch_stays_closed_but_is_sensed() -> None:
    """A welded switch never opens, and the sense contact still tells."""
    opened, sensed = ticks_until_open(CORD, welded=1.0)
    assert opened is None
    assert sensed is not None


def test_switch_stays_closed_while_the_magnet_is_in_place() -> None:
    """Nothing happens for as long as the magnet is seated."""
    state = killcord.initial(CORD)
    for _ in range(1000):
        state, out = killcord.step(CORD, state, killcord.Inputs(seated=1.0, welded=0.0))
        assert out == killcord.Outputs(switch_closed=1, sense_seated=1)


def test_short_tug_opens_nothing() -> None:
    """A magnet back before the delay leaves the switch closed, and the delay starts anew."""
    state = killcord.initial(CORD)
    for _ in range(5):
        for seated in (0.0,) * 8 + (1.0,):
            state, out = killcord.step(CORD, state, killcord.Inputs(seated=seated, welded=0.0))
            assert out.switch_closed == 1


def test_magnet_put_back_closes_again() -> None:
    """Back in place, the switch is closed at once and the sense contact follows after its delay."""
    state = killcord.initial(CORD)
    for _ in range(50):
        state, _ = killcord.step(CORD, state, killcord.Inputs(seated=0.0, welded=0.0))
    seen = []
    for _ in range(10):
        state, out = killcord.step(CORD, state, killcord.Inputs(seated=1.0, welded=0.0))
        assert out.switch_closed == 1
        seen.append(out.sense_seated)
    assert seen.index(1) * CORD.dt_s == pytest.approx(CORD.sense_delay_s, abs=CORD.dt_s + 1e-12)
