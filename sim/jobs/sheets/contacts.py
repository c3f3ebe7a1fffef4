"""The contacts' sheet: what water makes of each input, and what helps (row 4)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import NamedTuple

from sim.base.errors import Fault, InputError
from sim.base.quantity import Toleranced
from sim.bench.vehicle import Vehicle, load_vehicle
from sim.bench.vehicle_senses import Contact
from sim.jobs.sheets.paper import Finding, Paper, Rows, hashes
from sim.jobs.sheets.series import E24_FRAC, at_least, at_most
from sim.world.electrodes import leak_conductance_siemens
from sim.world.water import KINDS, SALINE_DEGC, water

# The most that a small signal contact is asked to carry: common practice, no source.
CONTACT_A_MAX = 0.01
# A threshold of one's own needs wet and closed this many times apart, for contacts age: common practice, no source.
APART = 4.0
# Copper gone for each coulomb, M / (z F): 63.546 g/mol, two electrons, 96485.33 C/mol (CODATA; from memory).
COPPER_KG_C = 63.546e-3 / (2.0 * 96485.33)

OPEN, KEEPS, CLOSED = "open", "keeps", "closed"
NAMES = {"deadman": "dead-man", "mode_button": "mode button", "kill_cord_sense": "kill-cord sense"}


class Input(NamedTuple):
    """One input as it is fitted.

    lets_go_siemens : up to this leak an open contact always reads open.
    closes_siemens : from this leak on it reads closed by itself; between the two it stays as it was.
    The worst ones are over the tolerances of pull-up and thresholds.
    """

    contact: str
    pullup_ohm: float
    lets_go_siemens: float
    lets_go_siemens_worst: float
    closes_siemens: float
    closes_siemens_worst: float
    wet_means: str
    wet_is_safe: bool


class Reading(NamedTuple):
    """An open contact wetted in full, in one water.

    reads : "open", "closed", or "keeps": between the thresholds, where it stays as it last read.
    closes_wetted_frac, lets_go_wetted_frac : the shares of wetting at which, at worst, it closes by
        itself and lets go again; none where full wetting does not do it.
    leak_a, copper_kg_s : at worst, through the water from the pull-up, and what it takes off a copper contact.
    """

    contact: str
    water: str
    leak_siemens: float
    leak_siemens_worst: float
    line_v: float
    line_v_worst: float
    reads: str
    reads_worst: str
    closes_wetted_frac: float | None
    lets_go_wetted_frac: float | None
    leak_a: float
    copper_kg_s: float


class Cure(NamedTuple):
    """What would let an input read rightly where the fitted pull-up does not.

    pullup_ohm_most : the water asks for no more. pullup_ohm_least : the contact allows no less.
    pullup_ohm : of the E24 series between them, with its tolerance; none where they cross.
    closed_a : through the contact when it is closed, with that pull-up or, without one, with the most.
    threshold_frac : where no pull-up helps: of the rail, for a comparator or converter with `own_pullup_ohm`;
        none where wet and closed are too near each other.
    contact_ohm_most : with that threshold the closed contact must stay below this.
    """

    contact: str
    water: str
    pullup_ohm_most: float
    pullup_ohm_least: float
    pullup_ohm: float | None
    closed_a: float
    own_pullup_ohm: float | None
    threshold_frac: float | None
    contact_ohm_most: float | None


def contacts_sheet(path: Path, temperature_degc: float = 20.0) -> Paper:
    """Work the sheet out.

    Parameters
    ----------
    path : a vehicle file.
    temperature_degc : of every water, 0 to 35.

    Raises
    ------
    InputError
    """
    vehicle = load_vehicle(path)
    if not 0.0 <= temperature_degc <= SALINE_DEGC[1]:
        expected = f"degrees Celsius, 0 to {SALINE_DEGC[1]:g}, in which every water is known"
        raise InputError([Fault("", "temperature", expected, f"{temperature_degc:g}")])
    conductivity = {kind: water(kind, temperature_degc).conductivity_s_m for kind in KINDS}
    rail = vehicle.supply.rail_v_nominal
    inputs, readings, cures, findings = [], [], [], []
    for name, words in NAMES.items():
        entry: Contact = getattr(vehicle, name)
        fitted = input_of(words, entry, *wet_side(vehicle, name))
        own = [reading(words, entry, rail, kind, conductivity[kind]) for kind in KINDS]
        needed = [cure(words, entry, rail, each) for each in own if each.reads_worst != OPEN]
        inputs.append(fitted)
        readings += own
        cures += needed
        findings += _findings(fitted, own, needed)
    given = {"water_degc": temperature_degc, "rail_v": float(rail), "contact_a_max": CONTACT_A_MAX}
    tables: dict[str, Rows] = {"readings": readings, "fitted": inputs, "cures": cures}
    return Paper("contacts", vehicle.name, given, tuple(findings), tables, hashes([("vehicle", path)]))


def wet_side(vehicle: Vehicle, name: str) -> tuple[str, bool]:
    """What a wet contact is taken for, and whether that is the safe side."""
    if name == "deadman":
        return "pressed: letting go is not seen", False
    if name == "mode_button":
        return "pressed: it clicks by itself", False
    if vehicle.kill_cord_sense.closed_when == "pulled":
        return "pulled: nothing drives", True
    return "in place: pulling is not seen", False


def input_of(words: str, entry: Contact, wet_means: str, wet_is_safe: bool) -> Input:
    """The leaks that an input bears as it is fitted."""
    ohm, low, high = entry.pullup_ohm, entry.low_frac, entry.high_frac
    return Input(
        contact=words,
        pullup_ohm=float(ohm),
        lets_go_siemens=leak_at(float(ohm), float(high)),
        lets_go_siemens_worst=leak_at(ohm.high, high.high),
        closes_siemens=leak_at(float(ohm), float(low)),
        closes_siemens_worst=leak_at(ohm.high, low.high),
        wet_means=wet_means,
        wet_is_safe=wet_is_safe,
    )


def leak_at(pullup_ohm: float, line_frac: float) -> float:
    """The leak that brings the line to a share of the rail, inf for a share of 0: G = (1/share - 1) / R."""
    return (1.0 / line_frac - 1.0) / pullup_ohm if line_frac > 0.0 else math.inf


def line_frac(pullup_ohm: float, siemens: float) -> float:
    """Share of the rail that the line has against a conductance to ground: 1 / (1 + R G)."""
    return 1.0 / (1.0 + pullup_ohm * siemens)


def as_read(line: float, low_frac: float, high_frac: float) -> str:
    """What an input makes of a line; the thresholds themselves belong to it, as in ``contact.step``."""
    if line <= low_frac:
        return CLOSED
    return OPEN if line >= high_frac else KEEPS


def reading(words: str, entry: Contact, rail: Toleranced, kind: str, conductivity_s_m: float) -> Reading:
    """One open contact in one water."""
    ohm, radius, low, high = entry.pullup_ohm, entry.electrode_radius_m, entry.low_frac, entry.high_frac
    leak = leak_conductance_siemens(conductivity_s_m, float(radius))
    worst = leak_conductance_siemens(conductivity_s_m, radius.high)
    line, line_worst = line_frac(float(ohm), leak), line_frac(ohm.high, worst)

    def wetted(share: float) -> float | None:
        needs = leak_at(ohm.high, share)
        return needs / worst if 0.0 < needs <= worst else None

    # The most current flows with the smallest pull-up.
    leak_a = rail.high * worst / (1.0 + ohm.low * worst)
    return Reading(
        contact=words,
        water=kind,
        leak_siemens=leak,
        leak_siemens_worst=worst,
        line_v=float(rail) * line,
        line_v_worst=float(rail) * line_worst,
        reads=as_read(line, float(low), float(high)),
        reads_worst=as_read(line_worst, low.high, high.high),
        closes_wetted_frac=wetted(low.high),
        lets_go_wetted_frac=wetted(high.high),
        leak_a=leak_a,
        copper_kg_s=COPPER_KG_C * leak_a,
    )


def cure(words: str, entry: Contact, rail: Toleranced, wet: Reading) -> Cure:
    """A pull-up of the E24 series that serves at worst; or, without one, a threshold of one's own."""
    leak = wet.leak_siemens_worst
    most = (1.0 / entry.high_frac.high - 1.0) / leak
    # So that the contact is not asked to carry too much, and that closed it still reads closed.
    low = entry.low_frac.low
    least = max(rail.high / CONTACT_A_MAX, entry.closed_ohm.high * (1.0 / low - 1.0) if low > 0.0 else math.inf)
    chosen = at_most(most / (1.0 + E24_FRAC)) if 0.0 < most < math.inf else None
    if chosen is not None and chosen * (1.0 - E24_FRAC) < least:
        chosen = None
    own, threshold, contact_most = None, None, None
    if chosen is None and least < math.inf:
        own = at_least(least / (1.0 - E24_FRAC))
        wet_line = line_frac(own * (1.0 + E24_FRAC), leak)
        closed_line = line_frac(own * (1.0 - E24_FRAC), 1.0 / entry.closed_ohm.high)
        if wet_line >= APART * closed_line:
            threshold = math.sqrt(wet_line * closed_line)
            contact_most = own * (1.0 - E24_FRAC) * threshold / (1.0 - threshold)
    return Cure(
        contact=words,
        water=wet.water,
        pullup_ohm_most=most,
        pullup_ohm_least=least,
        pullup_ohm=chosen,
        closed_a=rail.high / ((chosen or most) * (1.0 - E24_FRAC if chosen else 1.0)),
        own_pullup_ohm=own,
        threshold_frac=threshold,
        contact_ohm_most=contact_most,
    )


def _findings(fitted: Input, readings: Sequence[Reading], cures: Sequence[Cure]) -> list[Finding]:
    name = fitted.contact.capitalize()
    if not cures:
        return [Finding(False, f"{name}: reads open in every water, at every end of its tolerances.")]
    unsafe = not fitted.wet_is_safe
    found = []
    for state, said in ((CLOSED, "reads closed by itself"), (KEEPS, "does not let go once it was closed")):
        sure = [each.water for each in readings if each.reads == state]
        worst = [each.water for each in readings if each.reads_worst == state and each.reads != state]
        parts = ([f"in {_listed(sure)}"] if sure else []) + ([f"at worst in {_listed(worst)}"] if worst else [])
        if parts:
            side = "the unsafe side" if unsafe else "the safe side"
            found.append(Finding(unsafe, f"{name} wet {said} {', '.join(parts)} ({fitted.wet_means}; {side})."))
    helped = [each for each in cures if each.pullup_ohm is not None]
    if helped:
        last = min(helped, key=lambda each: each.pullup_ohm or math.inf)
        waters = _listed([each.water for each in helped])
        text = f"{name}: a pull-up of {last.pullup_ohm:g} ohm (E24) serves {waters}; {last.closed_a:.4f} A when closed."
        found.append(Finding(unsafe, text))
    hopeless = [each for each in cures if each.pullup_ohm is None]
    if hopeless:
        found.append(Finding(unsafe, f"{name} in {_listed([each.water for each in hopeless])}: {_hopeless(hopeless)}"))
    if fitted.contact == NAMES["deadman"]:
        text = "Dead-man: a contact that opens when it is pressed would put the water on the safe side, read as let go."
        found.append(Finding(unsafe, text))
    return found


def _hopeless(cures: Sequence[Cure]) -> str:
    """Why no pull-up helps, worst water last, and what does."""
    ohms = _listed([f"{each.pullup_ohm_most:.0f}" for each in cures])
    amperes = _listed([f"{each.closed_a:.3f}" for each in cures])
    why = f"no pull-up helps, for it would have to be at most {ohms} ohm, with {amperes} A through the closed contact"
    last = cures[-1]
    if last.threshold_frac is None:
        return f"{why}; seal the contact, or move a magnet past a sealed switch."
    return (
        f"{why}; seal it, or read the line against {last.threshold_frac:.3f} of the rail over "
        f"{last.own_pullup_ohm:g} ohm, good while contact and wire stay under {last.contact_ohm_most:.1f} ohm."
    )


def _listed(names: Sequence[str]) -> str:
    words = [name.replace("_", " ") for name in names]
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
