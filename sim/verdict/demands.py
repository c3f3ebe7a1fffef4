"""Requirements that many runs are held against: checked once, judged together (row 3)."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence

from sim.record.table import Table
from sim.verdict.check import require
from sim.verdict.requirement import Requirement, Verdict, faults_of, judged, names_of, nodes_of
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import Condition, Term

# In a recording longer than this, what requirements have in common takes more memory than it saves time.
SHARED_SAMPLES = 500_000


class Demands:
    """Requirements checked for runs with these signals, ready to be judged on each of them.

    Parameters
    ----------
    requirements : in the order in which they are judged.
    signals : the columns that a run could have.
    limits : of the first run; others may differ in their values, not in their names.

    Raises
    ------
    InputError
        Everything wrong with the requirements.

    Attributes
    ----------
    names : every signal and limit that any requirement names.
    """

    def __init__(
        self, requirements: Sequence[Requirement], signals: Collection[str], limits: Mapping[str, float]
    ) -> None:
        self.requirements = tuple(requirements)
        self._signals = tuple(signals)
        self._limits = dict(limits)
        self._named = [frozenset(names_of(each.claim)) for each in self.requirements]
        self.names = frozenset[str]().union(*self._named)
        self._needed = _needed_later([frozenset(nodes_of(each.claim)) for each in self.requirements])
        require([fault for each in self.requirements for fault in faults_of(each, self._signals, limits)])

    def judge(self, table: Table, limits: Mapping[str, float]) -> tuple[Verdict, ...]:
        """The verdict on each requirement, as ``requirement.judge`` gives it.

        Parameters
        ----------
        table : only the columns that are named are needed.

        Raises
        ------
        InputError
            Limits that a requirement cannot be judged with, or states that are not whole numbers.
        """
        # Names and units were right before; what a value may spoil is a duration or a bound.
        changed = {name for name, value in limits.items() if value != self._limits.get(name)}
        for each, named in zip(self.requirements, self._named, strict=True):
            if not named.isdisjoint(changed):
                require(faults_of(each, self._signals, limits))
        run = Evaluation(table, limits)
        shared = len(table) <= SHARED_SAMPLES
        verdicts = []
        for each, needed in zip(self.requirements, self._needed, strict=True):
            verdicts.append(judged(each, run))
            # Memory that is given back at once is used again while it is still at hand.
            run.keep(needed if shared else frozenset())
        return tuple(verdicts)


def _needed_later(used: Sequence[frozenset[Term | Condition]]) -> list[frozenset[Term | Condition]]:
    """After each set: what of it and those before is in a set that follows."""
    needed: list[frozenset[Term | Condition]] = []
    later: frozenset[Term | Condition] = frozenset()
    for nodes in reversed(used):
        needed.append(later)
        later |= nodes
    return needed[::-1]
