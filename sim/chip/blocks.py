"""Functions written in C, with their comments above what they explain (row 1)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sim.chip.intervals import Range
from sim.chip.layout import INDENT, Doc, Group, lines, remark, row
from sim.chip.names import PREFIX, Names, free
from sim.chip.phrases import Phrases
from sim.chip.tree import Assign, Expr, Function, If, Kind, Leave, Local, Loop, Return, Stmt, Test, kind_of, within
from sim.chip.values import Findings

# Where a variable is met: the blocks on the way, each as the index of a statement and which of its blocks.
Route = tuple[tuple[int, str], ...]


@dataclass(frozen=True, slots=True)
class _Home:
    """Where a variable is declared: the block, the statement before which, and whether that statement sets it."""

    block: Route
    index: int
    sets: bool
    once: bool


def c_kind(kind: Kind, names: Names) -> str:
    """A kind's name in C."""
    return "int32_t" if kind is int else names.kinds[kind]


def prototype(function: Function, names: Names, variables: dict[str, str]) -> Doc:
    """A function's head."""
    given = [
        f"int32_t {variables[name]}" if kind is int else f"const {c_kind(kind, names)} *{variables[name]}"
        for name, kind in function.arguments
    ]
    opening = f"static {c_kind(function.answers[0], names)} {names.functions[function]}("
    return Group(opening, tuple(given) or ("void",), ")")


class FunctionWriter:
    """Writes one function.

    Parameters
    ----------
    body : its statements without what is left out.
    is_step : whether it is the step, which C gives a head of its own.
    """

    def __init__(
        self, function: Function, body: tuple[Stmt, ...], names: Names, findings: Findings, is_step: bool = False
    ) -> None:
        self._function = function
        self._body = body
        self._names = names
        self._is_step = is_step
        self._findings = findings
        self._variables = _variables(function, body, names, {"command"} if is_step else set())
        self._homes = dict(_homes(function, body))
        self._kinds = dict(function.arguments) | {
            part.name: kind_of(part.value) for part in _inside(body) if isinstance(part, Assign)
        }
        source = function.place.source
        span = range(function.place.line, function.place.last_line + 1)
        self._waiting = [(line, text) for line, text in sorted(source.comments.items()) if line in span]
        pointers = frozenset(name for name, kind in function.arguments if kind is not int)
        self.phrases = Phrases(names, findings, self._variables, pointers, self._comments)

    def text(self) -> str:
        """The function, its docstring above it."""
        function = self._function
        body = self._block(self._body, (), 1)
        if body[-1].strip() == "return;":
            del body[-1]
        body += remark(self._comments(function.place.last_line), 1)
        unread = [name for name, _ in function.arguments if name not in self.phrases.used]
        # A compiler that warns of what is not used is told that it is known.
        body = [f"{INDENT}(void){self._variables[name]};" for name in unread] + body
        said = _above(function)
        head = self._step_head() if self._is_step else lines(prototype(function, self._names, self._variables), 0)
        return "\n".join([*remark(said), *head, "{", *body, "}"])

    def _step_head(self) -> list[str]:
        (state, state_kind), (inputs, inputs_kind) = self._function.arguments
        given = (
            f"{c_kind(state_kind, self._names)} *{self._variables[state]}",
            f"const {c_kind(inputs_kind, self._names)} *{self._variables[inputs]}",
            f"{c_kind(self._function.answers[1], self._names)} *{self._variables['*command']}",
        )
        return lines(Group(f"void {PREFIX}_step(", given, ")"), 0)

    def _comments(self, line: int) -> tuple[str, ...]:
        """Every comment down to a line that is not yet written."""
        found = tuple(text for at, text in self._waiting if at <= line)
        self._waiting = [(at, text) for at, text in self._waiting if at > line]
        return found

    def _block(self, stmts: Sequence[Stmt], route: Route, depth: int) -> list[str]:
        found: list[str] = []
        for index, stmt in enumerate(stmts):
            apart = index > 0 and stmt.place.line > stmts[index - 1].place.last_line and _stands_apart(stmt)
            found += [""] if apart else []
            found += self._declared(stmt, (*route, (index, "")), depth)
            found += self._statement(stmt, (*route, (index, "")), depth)
        return found

    def _declared(self, stmt: Stmt, at: Route, depth: int) -> list[str]:
        """Variables that must be known from here on, but get their values in one block or another."""
        return [
            f"{INDENT * depth}{c_kind(self._kinds[name], self._names)} {self._variables[name]};"
            for name, home in self._homes.items()
            if not home.sets and (home.block, home.index) == (at[:-1], at[-1][0])
        ]

    def _statement(self, stmt: Stmt, at: Route, depth: int) -> list[str]:
        margin = INDENT * depth
        match stmt:
            case Assign():
                return self._assign(stmt, at, depth)
            case If():
                return self._if(stmt, at, depth)
            case Loop():
                return self._loop(stmt, at, depth)
            case Leave():
                return [*remark(self._comments(stmt.place.last_line), depth), f"{margin}{stmt.word};"]
            case Return():
                return self._return(stmt, depth)
        # What goes takes its comments with it.
        self._waiting = [(line, text) for line, text in self._waiting if line not in stmt.gone]
        return remark([stmt.text], depth)

    def _simple(self, stmt: Stmt, depth: int, *docs: Doc) -> list[str]:
        """Statements of one place, under that place's comments; `docs` took those inside them."""
        rest = remark(self._comments(stmt.place.last_line), depth)
        return rest + [line for doc in docs for line in lines(doc, depth)]

    def _assign(self, stmt: Assign, at: Route, depth: int) -> list[str]:
        above = remark(self._comments(stmt.place.line), depth)
        home = self._homes.get(stmt.name)
        name = self._variables[stmt.name]
        value = self.phrases.value(stmt.value)
        word = ""
        if home is not None and home.sets and (home.block, home.index) == (at[:-1], at[-1][0]):
            word = f"{'const ' if home.once else ''}{c_kind(self._kinds[stmt.name], self._names)} "
        found = above + self._simple(stmt, depth, row(f"{word}{name} = ", value, ";"))
        return found if _is_read(stmt.name, self._body) else [*found, f"{INDENT * depth}(void){name};"]

    def _if(self, stmt: If, at: Route, depth: int, word: str = "if") -> list[str]:
        above = remark(self._comments(stmt.test.place.last_line), depth + (word != "if"))
        margin = INDENT * depth
        head = lines(row(f"{word} ", Group("(", (self.phrases.test(stmt.test),), ")"), " {"), depth)
        then = self._block(stmt.then, (*at[:-1], (at[-1][0], "then")), depth + 1)
        # A comment above `elif` has its place inside, since C has none for it before `else`.
        found = [*above, *head, *then] if word == "if" else [*head, *above, *then]
        inner = (*at[:-1], (at[-1][0], "other"))
        if not stmt.other:
            return [*found, f"{margin}}}"]
        only = stmt.other[0]
        if len(stmt.other) == 1 and isinstance(only, If) and not self._declared(only, (*inner, (0, "")), depth):
            return found + self._if(only, (*inner, (0, "")), depth, "} else if")
        return [*found, f"{margin}}} else {{", *self._block(stmt.other, inner, depth + 1), f"{margin}}}"]

    def _loop(self, stmt: Loop, at: Route, depth: int) -> list[str]:
        above = remark(self._comments(stmt.place.line), depth)
        name = self._variables[stmt.name]
        start, stop = self.phrases.value(stmt.start), self.phrases.value(stmt.stop)
        turns = max(self._known(stmt.stop).high - self._known(stmt.start).low, 0)
        head = lines(row(f"for (int32_t {name} = ", start, f"; {name} < ", stop, f"; {name}++) {{"), depth)
        # The longest path through machine code is found by it, see `sim.chip.longest`.
        head[-1] += f"  /* at most {turns} turn{'' if turns == 1 else 's'} */"
        body = self._block(stmt.body, (*at[:-1], (at[-1][0], "body")), depth + 1)
        return [*above, *head, *body, f"{INDENT * depth}}}"]

    def _known(self, end: Expr) -> Range:
        """What is proved of a loop's end, over every way the loop is come by."""
        return self._findings.ranges.get(end) or self._findings.ghosts[end]

    def _return(self, stmt: Return, depth: int) -> list[str]:
        above = remark(self._comments(stmt.place.line), depth)
        docs = [self.phrases.value(value) for value in stmt.values]
        if not self._is_step:
            return above + self._simple(stmt, depth, row("return ", docs[0], ";"))
        state = self._function.arguments[0][0]
        found = [row(f"*{self._variables['*command']} = ", docs[1], ";")]
        if not (isinstance(stmt.values[0], Local) and stmt.values[0].name == state):
            found.append(row(f"*{self._variables[state]} = ", docs[0], ";"))
        return above + self._simple(stmt, depth, *found, "return;")


def _stands_apart(stmt: Stmt) -> bool:
    """Whether the source leaves a line empty before a statement and its comments."""
    source, line = stmt.place.source, stmt.place.line - 1
    text = source.text.splitlines()
    while line in source.comments and text[line - 1].lstrip().startswith("#"):
        line -= 1
    return line > 0 and not text[line - 1].strip()


def _above(function: Function) -> list[str]:
    """A function's docstring, under the comments that stand right above it."""
    source, line = function.place.source, function.place.line - 1
    said: list[str] = []
    while line in source.comments:
        said.insert(0, source.comments[line])
        line -= 1
    return said + function.docstring.splitlines()


def _inside(body: Sequence[Stmt]) -> Iterator[Expr | Test | Stmt]:
    for stmt in body:
        yield from within(stmt)


def _is_read(name: str, body: Sequence[Stmt]) -> bool:
    return any(isinstance(part, Local) and part.name == name for part in _inside(body))


def _variables(function: Function, body: Sequence[Stmt], names: Names, extra: set[str]) -> dict[str, str]:
    """A C name for each argument and variable; "*command" is the pointer that the step writes to."""
    wanted = [name for name, _ in function.arguments]
    wanted += [part.name for part in _inside(body) if isinstance(part, Assign | Loop)]
    found: dict[str, str] = {}
    for name in dict.fromkeys(wanted):
        found[name] = free(name.replace(".", "_"), {*names.taken, *found.values()})
    for name in extra:
        found[f"*{name}"] = free(name if name not in found else f"{name}_out", {*names.taken, *found.values()})
    return found


def _homes(function: Function, body: Sequence[Stmt]) -> Iterator[tuple[str, _Home]]:
    """Where each variable is declared: as far inside as all that names it allows."""
    met: dict[str, list[tuple[Route, bool]]] = {}
    for name, route, sets in _met(body, ()):
        met.setdefault(name, []).append((route, sets))
    given = {name for name, _ in function.arguments}
    for name, places in met.items():
        if name in given:
            continue
        blocks = [route[:-1] for route, _ in places]
        shared = blocks[0]
        for block in blocks[1:]:
            length = next((i for i, (a, b) in enumerate(zip(shared, block, strict=False)) if a != b), None)
            shared = shared[: min(len(shared), len(block)) if length is None else length]
        index = min(route[len(shared)][0] for route, _ in places)
        first = [(route, sets) for route, sets in places if route[len(shared)][0] == index]
        direct = all(len(route) == len(shared) + 1 for route, _ in first) and any(sets for _, sets in first)
        yield name, _Home(shared, index, direct, sum(sets for _, sets in places) == 1)


def _met(stmts: Sequence[Stmt], route: Route) -> Iterator[tuple[str, Route, bool]]:
    """Every variable with the way to where it is met, and whether it is set there; loops name their own numbers."""
    for index, stmt in enumerate(stmts):
        at = (*route, (index, ""))
        match stmt:
            case Assign():
                yield stmt.name, at, True
                yield from ((name, at, False) for name in _locals(stmt.value))
            case If():
                yield from ((name, at, False) for name in _locals(stmt.test))
                for block, word in ((stmt.then, "then"), (stmt.other, "other")):
                    yield from _met(block, (*route, (index, word)))
            case Loop():
                yield from ((name, at, False) for end in (stmt.start, stmt.stop) for name in _locals(end))
                for name, way, sets in _met(stmt.body, (*route, (index, "body"))):
                    if name != stmt.name:
                        yield name, way, sets
            case Return():
                yield from ((name, at, False) for value in stmt.values for name in _locals(value))


def _locals(part: Expr | Test) -> Iterator[str]:
    yield from (each.name for each in within(part) if isinstance(each, Local))
