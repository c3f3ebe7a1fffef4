"""The longest path through machine code, counted in instructions, and its deepest stack (row 1).

Every branch counts as possible, so that the longest path need not be one that
any inputs take. A loop takes the turns that a comment on its line in the C
says, ``/* at most 8 turns */``, and once more its length for the way out.
Recursion, and jumps through a register, have no bound here.

Notes
-----
The path through a graph whose loops are bounded: each strongly connected part
becomes one node as long as its turns, innermost first (Y.-T. S. Li, S. Malik,
"Performance Analysis of Embedded Software Using Implicit Path Enumeration",
1995, states the same bound as a linear programme). It counts instructions;
what a chip takes for each is not modelled.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator, Mapping
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path

from sim.chip.disassembly import Code, constant, pushed

TURNS = re.compile(r"/\*\s*at most (?P<turns>\d+) turns?\s*\*/")
_LOOP = re.compile(r"\b(for|while|do)\b")
# The compiler's own division for chips without one: a turn finds 8 of a quotient's 32 bits, the last 8 come behind it.
_HELPER_TURNS = {"__divsi3": 3, "__udivsi3": 3, "__aeabi_idiv": 3, "__aeabi_uidiv": 3}
COPIES = ("memcpy", "memset", "memmove")
# Where either family's calls have their third argument.
LENGTH = ("r2", "a2")


class NoBoundError(Exception):
    """Why there is no longest path, or no deepest stack."""


class Longest:
    """Paths through a program.

    Parameters
    ----------
    code : all of it, what it calls included.
    frames : bytes of stack of each function as the compiler tells them; those of others are read from their code.
    """

    def __init__(self, code: Code, frames: Mapping[str, int]) -> None:
        self._code = code
        self._frames = frames
        self._paths: dict[int, int] = {}
        self._stacks: dict[int, int] = {}
        self._calling: list[int] = []
        self._texts: dict[str, list[str]] = {}

    @cached_property
    def _names(self) -> dict[int, str]:
        return {address: name for name, address in self._code.labels.items()}

    def path(self, name: str) -> int:
        """The most instructions from a function's first to its return, calls included.

        Raises
        ------
        NoBoundError
        """
        return self._path(self._code.labels[name])

    def stack(self, name: str) -> int:
        """The most bytes of stack that a function and all it calls take at once.

        Raises
        ------
        NoBoundError
        """
        return self._stack(self._code.labels[name])

    def _path(self, entry: int) -> int:
        if entry not in self._paths:
            graph = self._graph(entry)
            with self._inside(entry):
                weights = {address: 1 + self._called(address) for address in graph}
            self._paths[entry] = self._most(graph, {entry}, weights)
        return self._paths[entry]

    def _stack(self, entry: int) -> int:
        if entry not in self._stacks:
            graph = self._graph(entry)
            own = self._frames.get(self._names.get(entry, ""))
            if own is None:
                own = sum(pushed(self._code.instructions[address]) for address in graph)
            called = {self._code.step(address).calls for address in graph}
            # A function that ends with a call may jump there, its own frame gone.
            jumped = {address for address in graph if address != entry and self._names.get(address) in self._frames}
            with self._inside(entry):
                deepest = max((self._stack(address) for address in called if address is not None), default=0)
                behind = max(map(self._stack, jumped), default=0)
            self._stacks[entry] = max(own + deepest, behind)
        return self._stacks[entry]

    @contextmanager
    def _inside(self, entry: int) -> Iterator[None]:
        if entry in self._calling:
            raise NoBoundError(f"{self._names.get(entry, hex(entry))} calls itself")
        self._calling.append(entry)
        try:
            yield
        finally:
            self._calling.pop()

    def _graph(self, entry: int) -> dict[int, tuple[int, ...]]:
        """What is reached from an address without calls, and where each may lead."""
        found: dict[int, tuple[int, ...]] = {}
        waiting = [entry]
        while waiting:
            address = waiting.pop()
            if address in found:
                continue
            if address not in self._code.instructions:
                raise NoBoundError(f"no instruction at {address:#x}")
            step = self._code.step(address)
            if step.unknown:
                raise NoBoundError(f"{step.unknown} in {self._code.instructions[address].symbol}")
            found[address] = step.after
            waiting += step.after
        return found

    def _called(self, address: int) -> int:
        """Instructions of what an instruction calls."""
        called = self._code.step(address).calls
        if called is None:
            return 0
        name = self._names.get(called, "")
        if name in COPIES:
            return self._copy(called, self._copied(address))
        return self._path(called)

    def _copied(self, address: int) -> int:
        """How many bytes a call copies: the number that the code right before it puts where the length goes."""
        symbol = self._code.instructions[address].symbol
        before = sorted(each for each in self._code.instructions if each < address)[-12:]
        length: int | None = None
        for each in before:
            step = self._code.step(each)
            # What comes from elsewhere, or through a call, is not known.
            fresh = step.calls is not None or len(step.after) != 1 or self._code.instructions[each].symbol != symbol
            length = None if fresh else constant(self._code.instructions[each], LENGTH, length)
        if length is None:
            raise NoBoundError(f"a copy of unknown length in {symbol}")
        return length

    def _copy(self, entry: int, turns: int) -> int:
        """Instructions of a copy, one byte a turn."""
        graph = self._graph(entry)
        return self._most(graph, {entry}, dict.fromkeys(graph, 1), turns)

    def _most(
        self,
        graph: Mapping[int, Collection[int]],
        heads: Collection[int],
        weights: Mapping[int, int],
        turns: int | None = None,
    ) -> int:
        """The heaviest path from any of the heads; every loop in it turns as often as it may, or `turns` times."""
        parts = _connected(graph, heads)
        owner = {address: index for index, part in enumerate(parts) for address in part}
        best = dict.fromkeys(range(len(parts)), -1)
        for head in heads:
            best[owner[head]] = 0
        most = 0
        # A part stands behind all that it leads to.
        for index in reversed(range(len(parts))):
            part = parts[index]
            before = best[index]
            if before < 0:
                continue
            behind = before + self._weight(part, graph, heads, weights, turns)
            most = max(most, behind)
            for address in part:
                for after in graph[address]:
                    if owner[after] != index:
                        best[owner[after]] = max(best[owner[after]], behind)
        return most

    def _weight(
        self,
        part: Collection[int],
        graph: Mapping[int, Collection[int]],
        heads: Collection[int],
        weights: Mapping[int, int],
        turns: int | None,
    ) -> int:
        """The weight of one part: an instruction, or a loop with all its turns."""
        if not _turning(part, graph):
            return weights[next(iter(part))]
        # What is left without the ways back to the beginning is one turn, with the loops inside it.
        body, starts = _unwound(part, graph, heads)
        once = self._most(body, starts, weights, turns)
        return (1 + (self._turns(part, body, starts) if turns is None else turns)) * once

    def _turns(self, part: Collection[int], body: Mapping[int, Collection[int]], starts: Collection[int]) -> int:
        """How often a loop turns: as its line in the C says, or as is known of the compiler's helpers."""
        instructions = [self._code.instructions[address] for address in sorted(part)]
        for each in instructions:
            if each.symbol in _HELPER_TURNS:
                return _HELPER_TURNS[each.symbol]
        line = self._line(part, body, starts)
        if line is not None:
            return self._said(line) or 0
        first = instructions[0]
        place = f"{Path(first.file).name}:{min(each.line for each in instructions)}" if first.file else first.symbol
        raise NoBoundError(f"the loop near {place} does not say /* at most N turns */")

    def _line(
        self, part: Collection[int], body: Mapping[int, Collection[int]], starts: Collection[int]
    ) -> tuple[str, int] | None:
        """The line that says a loop's turns: of those that its instructions come from, none that an inner loop has."""
        inner = [_unwound(each, body, starts) for each in _connected(body, starts) if _turning(each, body)]
        taken = {self._line(each, each, begins) for each, begins in inner}
        instructions = [self._code.instructions[address] for address in part]
        found = {(each.file, each.line) for each in instructions} - taken
        return max(
            (line for line in found if self._said(line) is not None),
            key=lambda line: self._said(line) or 0,
            default=None,
        )

    def _said(self, place: tuple[str, int]) -> int | None:
        """What a line of the C says of its turns."""
        file, line = place
        if file not in self._texts:
            path = Path(file)
            lines = path.read_text(encoding="utf-8", errors="replace").splitlines() if path.is_file() else []
            self._texts[file] = lines
        lines = self._texts[file]
        text = lines[line - 1] if 0 < line <= len(lines) else ""
        found = TURNS.search(text)
        return int(found["turns"]) if found and _LOOP.search(text) else None


def _turning(part: Collection[int], graph: Mapping[int, Collection[int]]) -> bool:
    """Whether a strongly connected part is a loop."""
    first = next(iter(part))
    return len(part) > 1 or first in graph[first]


def _unwound(
    part: Collection[int], graph: Mapping[int, Collection[int]], heads: Collection[int]
) -> tuple[dict[int, list[int]], set[int]]:
    """A loop without the ways back to where it begins anew, and where it may be entered."""
    members = set(part)
    entered = {address for each, after in graph.items() if each not in members for address in after} & members
    entered |= set(heads) & members
    begins = next(iter(entered))
    if len(entered) > 1:
        # The first that it goes back to.
        begins = min(after for each in members for after in graph[each] if after in members and after <= each)
    body = {address: [each for each in graph[address] if each in members - {begins}] for address in members}
    return body, {begins, *entered}


def _connected(graph: Mapping[int, Collection[int]], heads: Iterable[int]) -> list[list[int]]:
    """Strongly connected parts of what is reached from the heads, each behind all that it leads to (Tarjan 1972)."""
    number: dict[int, int] = {}
    lowest: dict[int, int] = {}
    stack: list[int] = []
    on_stack: set[int] = set()
    parts: list[list[int]] = []
    for head in heads:
        if head in number:
            continue
        work = [(head, iter(graph[head]))]
        number[head] = lowest[head] = len(number)
        stack.append(head)
        on_stack.add(head)
        while work:
            at, ways = work[-1]
            new = next((each for each in ways if each not in number or each in on_stack), None)
            if new is None:
                work.pop()
                if work:
                    lowest[work[-1][0]] = min(lowest[work[-1][0]], lowest[at])
                if lowest[at] == number[at]:
                    part = stack[stack.index(at) :]
                    del stack[len(stack) - len(part) :]
                    on_stack.difference_update(part)
                    parts.append(part)
            elif new in number:
                lowest[at] = min(lowest[at], number[new])
            else:
                work.append((new, iter(graph[new])))
                number[new] = lowest[new] = len(number)
                stack.append(new)
                on_stack.add(new)
    return parts
