"""Which of a controller's parameters are looked for, by what they do, and which stay as told (row 4)."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from sim.base.errors import Fault, InputError, did_you_mean, shown
from sim.bench.control import WHOLE, Controller

# Who asked, in a fault's first place.
HERE = "drydive tune"


@dataclass(frozen=True, slots=True)
class Knobs:
    """Names of parameters; an empty one is not to be found in this controller, and no caps are none.

    ramp_up, ramp_down : milliseconds from no drive to full, and back.
    caps : drive of each power step in use at full lever, gentlest first, in permille.
    steps : how many power steps are in use; not looked for.
    bus_foldback, bus_floor : bus at which drive is held back, and at which none is left, mV.
    pack_foldback, pack_ceiling : pack current likewise, mA.
    """

    ramp_up: str = "ramp_up_ms"
    ramp_down: str = "ramp_down_ms"
    caps: tuple[str, ...] = ("cap_1_permille", "cap_2_permille", "cap_3_permille", "cap_4_permille")
    steps: str = "step_count"
    bus_foldback: str = "bus_foldback_mv"
    bus_floor: str = "bus_floor_mv"
    pack_foldback: str = "pack_foldback_ma"
    pack_ceiling: str = "pack_ceiling_ma"

    @property
    def names(self) -> tuple[str, ...]:
        """All that are looked for."""
        guard = (self.bus_foldback, self.bus_floor, self.pack_foldback, self.pack_ceiling)
        return tuple(name for name in (self.ramp_up, self.ramp_down, *self.caps, *guard) if name)


KNOBS = tuple(each.name for each in fields(Knobs))


def knobs_of(controller: Controller, named: Mapping[str, str] | None = None) -> Knobs:
    """The knobs of a controller: those of the usual names that it has, or those named.

    Parameters
    ----------
    named : a parameter's name for each knob that goes by another; ``caps`` takes several, with commas.

    Raises
    ------
    InputError
        A name that is none of the controller's parameters, or no cap.
    """
    known = type(controller.params)._fields
    given = dict(named or {})
    faults = [
        Fault(HERE, "--name", f"a knob of {', '.join(KNOBS)}{did_you_mean(knob, KNOBS)}", shown(knob))
        for knob in given
        if knob not in KNOBS
    ]
    found: dict[str, Any] = {}
    usual = Knobs()
    for knob in KNOBS:
        names: Sequence[str] = given[knob].split(",") if knob in given else _listed(getattr(usual, knob))
        if knob in given:
            expected = f"a parameter of {controller.path.name}"
            faults += [
                Fault(HERE, f"--name {knob}", f"{expected}{did_you_mean(name, known)}", shown(name) or "nothing")
                for name in names
                if name not in known
            ]
        has = tuple(name for name in names if name in known)
        found[knob] = has if knob == "caps" else (has[0] if has else "")
    if not faults and not found["caps"]:
        expected = "cap_1_permille and so on among the parameters, or --name caps=..."
        faults.append(Fault(str(controller.path), "Params", expected, ", ".join(known)))
    if faults:
        raise InputError(faults)
    if found["steps"]:
        found["caps"] = found["caps"][: getattr(controller.params, found["steps"])]
    return Knobs(**found)


def _listed(names: str | tuple[str, ...]) -> tuple[str, ...]:
    return (names,) if isinstance(names, str) else names


def named(given: Sequence[tuple[str, str]]) -> dict[str, str]:
    """Names of parameters by knob.

    Raises
    ------
    InputError
        A knob that stands twice.
    """
    knobs = [knob for knob, _ in given]
    faults = [
        Fault(HERE, f"--name {shown(knob)}", "each knob once", shown(name))
        for place, (knob, name) in enumerate(given)
        if knob in knobs[:place]
    ]
    if faults:
        raise InputError(faults)
    return dict(given)


def fixed(controller: Controller, knobs: Knobs, given: Sequence[tuple[str, str]]) -> dict[str, int]:
    """Parameters that stay as told, each as a whole number that the controller takes.

    Parameters
    ----------
    given : name and value as written, in order.

    Raises
    ------
    InputError
        A name that is no knob's parameter or stands twice, or a value out of range.
    """
    values: dict[str, int] = {}
    faults = []
    for name, text in given:
        if name not in knobs.names:
            expected = f"one of {', '.join(knobs.names)}{did_you_mean(name, knobs.names)}"
            faults.append(Fault(HERE, "--fix", expected, shown(name)))
            continue
        low, high = reach(controller, name)
        if name in values:
            faults.append(Fault(HERE, f"--fix {name}", "each parameter once", shown(text)))
        elif (value := _whole(text)) is None or not low <= value <= high:
            faults.append(Fault(HERE, f"--fix {name}", f"a whole number, {low} to {high}", shown(text)))
        else:
            values[name] = value
    if faults:
        raise InputError(faults)
    return values


def _whole(text: str) -> int | None:
    try:
        return int(text)
    except ValueError:
        return None


def reach(controller: Controller, name: str) -> tuple[int, int]:
    """Lowest and highest value that a parameter takes."""
    limits = getattr(sys.modules[controller.initial.__module__], "LIMITS", {})
    low, high = limits.get(name, WHOLE)
    return int(low), int(high)
