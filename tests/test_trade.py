"""Facts of the trade, met by the demo vehicle through the whole loop: thrust, tow speed, sag, and the dry bench.

Each is common practice without a source unless one is named. The vehicle's numbers are invented; what is tested is that
the physics between them gives what builders of such vehicles see.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

import numpy as np
import pytest

from sim.bench.run import Bench, Run, simulate
from sim.world import esc, protection

GRAVITY_M_S2 = 9.80665
# A cold morning's pack, some years old, a third full.
TIRED = {"charge_frac": 0.3, "temperature_degc": 4.0, "resistance_growth_frac": 0.3}
COLD = {"kind": "lake", "temperature_degc": 4.0}


class Drive(NamedTuple):
    """A run, and the moment its lever was pulled."""

    run: Run
    at_s: float

    def after(self, name: str, seconds: float = 0.0) -> np.ndarray[Any, np.dtype[np.float64]]:
        """A column from some time after the pull on."""
        return self.run.table[name][round((self.at_s + seconds) * 1e3) :]


def presses(times: int, key: str, at_s: float) -> list[dict[str, Any]]:
    """Short presses of a contact, 0.2 s on and 0.2 s off."""
    return [{"at_s": round(at_s + 0.2 * edge, 3), key: edge % 2 == 0} for edge in range(2 * times)]


def reference_drive(moorhen: Callable[..., Bench], step: int, seconds: float, **changes: Any) -> Drive:
    """The reference brought to a power step by its gesture of three presses, then the lever pulled to full."""
    rider = [press for up in range(step - 1) for press in presses(3, "deadman", 3.2 + 2.2 * up)]
    at_s = 3.2 + 2.2 * (step - 1) + 1.0
    rider += [{"at_s": at_s - 0.5, "deadman": True}, {"at_s": at_s, "lever_frac": 1.0}]
    run = simulate(moorhen(controller="reference", rider=rider, duration_s=at_s + seconds, **changes))
    assert run.table["power_step"][-1] == step
    return Drive(run, at_s)


def draft_drive(moorhen: Callable[..., Bench], seconds: float, **changes: Any) -> Drive:
    """The first draft brought to its fourth step by its button, then the lever pulled to full: duty 1 at once."""
    rider = [*presses(3, "mode_button", 2.0), {"at_s": 3.4, "deadman": True}, {"at_s": 4.0, "lever_frac": 1.0}]
    run = simulate(moorhen(controller="first_draft", rider=rider, duration_s=4.0 + seconds, **changes))
    assert run.table["power_step"][-1] == 4
    return Drive(run, 4.0)


@pytest.fixture(scope="module")
def drives(moorhen: Callable[..., Bench]) -> Callable[[str], Drive]:
    """The runs that several tests look at, each made once."""

    @cache
    def made(name: str) -> Drive:
        return {
            "bollard": lambda: draft_drive(moorhen, 3.0, pack={"charge_frac": 0.5}),
            "tow": lambda: reference_drive(moorhen, 3, 10.0, attitude="towed"),
            "tired draft": lambda: draft_drive(moorhen, 1.5, water=COLD, pack=TIRED),
            "tired reference": lambda: reference_drive(moorhen, 4, 6.0, water=COLD, pack=TIRED),
            "fresh draft": lambda: draft_drive(moorhen, 1.5, pack={"charge_frac": 0.9}),
            "dry draft": lambda: draft_drive(moorhen, 1.5, water={"kind": "air"}, pack={"charge_frac": 0.9}),
        }[name]()

    return made


def test_each_thruster_pulls_about_fifty_kilograms(drives: Callable[[str], Drive]) -> None:
    """Held still at full duty on a half full pack, each thruster makes 50 kgf within 20 %."""
    drive = drives("bollard")
    for side in ("left", "right"):
        assert drive.after(f"{side}_esc_duty_frac", 1.0).min() == 1.0
        thrust_n = drive.after(f"{side}_thrust_n", 1.0)
        assert thrust_n == pytest.approx(50.0 * GRAVITY_M_S2, rel=0.2)


def test_third_step_tows_at_about_three_metres_a_second(drives: Callable[[str], Drive]) -> None:
    """In the third of four power steps a towed prone rider settles at 3 m/s within 0.4."""
    speed = drives("tow").after("speed_m_s")
    assert speed[-1] - speed[-1000] < 0.01
    assert speed[-1] == pytest.approx(3.0, abs=0.4)


# The fastest human swimmers reach about 2.1 m/s.
def test_third_step_passes_the_fastest_swimmers(drives: Callable[[str], Drive]) -> None:
    """In the third step the vehicle overtakes a swimmer at 2.1 m/s within 5 s of its start."""
    assert drives("tow").after("speed_m_s")[5000] > 2.1


def dropped(drive: Drive) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Ticks after the pull on which an ESC has cut, or the pack has opened."""
    cut = (drive.after("left_esc_mode") == esc.CUT) | (drive.after("right_esc_mode") == esc.CUT)
    return cut | (drive.after("protection_tripped") != protection.CLOSED)


def test_full_at_once_drops_the_drive_of_a_tired_pack(drives: Callable[[str], Drive]) -> None:
    """Driven at once to full on a cold, aged, third full pack, an ESC or the pack drops within half a second."""
    out = dropped(drives("tired draft"))
    assert out.any()
    assert np.argmax(out) * 1e-3 < 0.5
    assert drives("tired draft").after("left_thrust_n", 1.0).max() < 100.0


def test_full_at_once_passes_on_a_fresh_pack(drives: Callable[[str], Drive]) -> None:
    """The same pull on a warm, new, full pack drops nothing: on a good day the fault does not show."""
    assert not dropped(drives("fresh draft")).any()


def test_reference_stays_inside_on_the_tired_pack(drives: Callable[[str], Drive]) -> None:
    """In the same water and on the same pack the reference drops nothing, keeps over the cut-off, and drives on."""
    drive = drives("tired reference")
    assert not dropped(drive).any()
    assert drive.after("bus_v").min() > drive.run.limits["esc_cut_v"]
    assert drive.after("bus_a").max() < drive.run.limits["trip_slow_a"]
    assert drive.after("left_thrust_n", 4.0).min() > 150.0


def test_air_hardly_loads_the_motors(drives: Callable[[str], Drive]) -> None:
    """Settled at full duty, the current in air is under a twentieth of that in water: that is why a dry test passes."""
    dry_a = drives("dry draft").after("bus_a", 1.0).mean()
    assert dry_a < 0.05 * drives("fresh draft").after("bus_a", 1.0).mean()
    assert not dropped(drives("dry draft")).any()


# Consequence of the above: heat and charge go with the current.
def test_dry_run_of_full_power_costs_next_to_nothing(drives: Callable[[str], Drive]) -> None:
    """Over the same pull the dry run takes a tenth of the wet run's charge or less."""
    dry, wet = (np.ptp(drives(name).after("soc_frac")) for name in ("dry draft", "fresh draft"))
    assert 0.0 < dry < 0.1 * wet
