"""When a stage ends at once: limits from the requirements, from what builds do, and from what must not move (row 4)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence

from sim.jobs.plan.model import Number, Stop
from sim.jobs.plan.numbers import LOGGED, STILL_RPM
from sim.jobs.ride import PIN_ALLOWANCE_S, Stated
from sim.verdict.check import constant_value, unit_of_atom
from sim.verdict.place import NOWHERE
from sim.verdict.requirement import Requirement
from sim.verdict.tree import Compare, Condition, Constant, Formula, Implies, Name, Of, Term, Window, names_in
from sim.verdict.units import symbol_of

# The run's name of a column that a logger calls otherwise.
AS_LOGGED = {column.run: name for name, column in LOGGED.items()}
FLIPPED = {"<": ">", "<=": ">=", ">": "<", ">=": "<="}


def required(requirements: Iterable[Requirement], limits: Mapping[str, float]) -> Iterator[Stop]:
    """The limits of requirements that bound one signal all the time, or all the time while something is driven."""
    for requirement in requirements:
        claim = requirement.claim
        if not isinstance(claim, Formula):
            continue
        root = claim.root
        if not (isinstance(root, Window) and root.of is Of.ALL and root.length is None):
            continue
        condition: Condition = root.arg
        driven = isinstance(condition, Implies)
        if isinstance(condition, Implies):
            condition = condition.right
        if isinstance(condition, Compare) and (bound := _bound(condition, limits)):
            name, op, value = bound
            # A pulse, or a count, is what the plan's own figures look at.
            if name in ("left_pulse_us", "right_pulse_us"):
                continue
            unit = unit_of_atom(condition)
            yield Stop(
                of=AS_LOGGED.get(name, name),
                side="low" if op in (">", ">=") else "high",
                value=value,
                unit=symbol_of(unit) if unit is not None else "",
                when="driven" if driven else "always",
                why=f"{requirement.says} ({requirement.id})",
            )


def _bound(atom: Compare, limits: Mapping[str, float]) -> tuple[str, str, float] | None:
    """A signal, how it is compared, and with what; none where the comparison is another one."""
    for one, other, op in ((atom.left, atom.right, atom.op), (atom.right, atom.left, FLIPPED.get(atom.op, ""))):
        if isinstance(one, Name) and one.name not in limits and op in FLIPPED and _is_constant(other, limits):
            value = constant_value(Constant(other, other.source.text, NOWHERE), limits)
            return (one.name, op, value) if math.isfinite(value) else None
    return None


def _is_constant(term: Term, limits: Mapping[str, float]) -> bool:
    return all(name.name in limits for name in names_in(term))


def unasked(said: Stated, stop_us: float, numbers: Iterable[Number], towed: bool) -> Iterator[Stop]:
    """What must not move: pulses, and shafts, with the dead-man let go for long enough."""
    after_s = round(said.deadman_latency + PIN_ALLOWANCE_S, 3)
    yield Stop(
        of="pulse_us",
        side="high",
        value=stop_us + LOGGED["left_pulse_us"].reads,
        unit="us",
        when="unheld",
        for_s=after_s,
        why=f"Drive is asked for {after_s:g} s after the dead-man was let go: the controller's own latency is over.",
    )
    still = [number.high for number in numbers if number.id.endswith(".still") and number.high is not None]
    if still and not towed:
        for_s = math.ceil(10.0 * max(still)) / 10.0
        yield Stop(
            of="rpm",
            side="high",
            value=STILL_RPM,
            unit="rpm",
            when="unheld",
            for_s=for_s,
            why=f"A shaft turns {for_s:g} s after the dead-man was let go: no simulated build coasts so long.",
        )


def never_drawn(peaks_a: Sequence[float], already: Iterable[Stop]) -> Iterator[Stop]:
    """A current that no simulated build draws in the stage, where that is less than what is allowed."""
    if not peaks_a:
        return
    most_a = _rounded_up(max(peaks_a))
    if all(stop.value > most_a for stop in already if stop.of == "pack_a"):
        why = f"No build of {len(peaks_a)} drew so much here: something binds, is wired wrongly, or leaks."
        yield Stop(of="pack_a", side="high", value=most_a, unit="A", why=why)


def _rounded_up(value: float) -> float:
    """Up to two digits."""
    digits = 10.0 ** (math.floor(math.log10(value)) - 1) if value > 0.0 else 1.0
    return float(f"{math.ceil(value / digits - 1e-9) * digits:.6g}")
