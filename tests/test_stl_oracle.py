"""Margins against rtamt, against the definitions taken word by word, and against longer recordings.

INDEPENDENT values: rtamt 0.4.10, discrete time, `StlDiscreteTimeSpecification.evaluate`.

Where this project's conventions differ from rtamt's, and are tested here:
- rtamt clips every window at the end; here that is an option, and by default what was not recorded is not known.
- rtamt's edges take what was before the first sample as false for rise and true for fall; here nothing rises or falls
  at the first sample.
- rtamt gives == the margin -|a - b|, which is never positive; here a state is true or false without a distance.
- rtamt gives a tie 0; here a tie is the smallest positive number for <= and >=, the smallest negative for < and >.
Both have the half-open until: the left side need not hold where the right one does.
"""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sim.record.table import Table
from sim.verdict.formula import parse
from sim.verdict.robustness import Bounds, End, Evaluation
from sim.verdict.tree import (
    And,
    Before,
    Compare,
    Implies,
    Not,
    Of,
    Or,
    Side,
    State,
    Until,
    Window,
)

with warnings.catch_warnings():
    # The parser runtime that rtamt 0.4.10 needs, antlr4 4.7 or older, imports TextIO from a module Python has given up.
    warnings.filterwarnings("ignore", message="typing.io is deprecated", category=DeprecationWarning)
    import rtamt

X = [0.0, 1.0, 3.0, 2.0, -1.0, 0.5, 4.0, 2.5]
Y = [2.0, 2.0, 1.0, -0.5, -1.0, 3.0, 0.0, 1.0]
U = [0, 0, 0.8, 0.9, 0.9, 0, 0, 0, 0, 0, 0, 0.6]
F = [0, 0.02, 0.3, 0.7, 0.9, 0.6, 0.3, 0.1, 0.04, 0.01, 0, 0.2]


def recording(columns: dict[str, list[float]]) -> Table:
    """Columns sampled once a second."""
    count = len(next(iter(columns.values())))
    arrays = {name: np.array(values, dtype=float) for name, values in columns.items()}
    return Table(t_us=np.arange(count, dtype=np.int64) * 1_000_000, columns=arrays)


def bounds(text: str, end: End = End.UNKNOWN, **columns: list[float]) -> Bounds:
    """The bounds of a formula on columns sampled once a second."""
    return Evaluation(recording(columns), {}, end).bounds(parse(text).root)


def clipped(text: str, **columns: list[float]) -> list[float]:
    """The margins where the windows are clipped at the end; there the two bounds are one."""
    lower, upper = bounds(text, End.CLIPPED, **columns)
    assert lower.tolist() == upper.tolist()
    return lower.tolist()


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("held(2, x >= 0.5)", [-0.5, 0.5, -1.5, -1.5, -1.5, 0, 2, 2]),
        ("within(3, x >= 3)", [0, 0, 0, 1, 1, 1, 1, -0.5]),
        ("until(y >= 0, x >= 2, 3)", [1, 1, 1, 0, -1, 2, 2, 0.5]),
        ("always(implies(x >= 2, within(2, y >= 1)))", [0] * 8),
        ("always(x >= -2)", [1, 1, 1, 1, 1, 2.5, 4.5, 4.5]),
        ("eventually(y >= 2.5)", [0.5, 0.5, 0.5, 0.5, 0.5, 0.5, -1.5, -1.5]),
        ("not x >= 2 or y >= 0", [2, 2, 1, 0, 3, 3, 0, 1]),
        ("once(2, x >= 3)", [-3, -2, 0, 0, 0, -1, 1, 1]),
        ("throughout(2, x >= -1)", [1, 1, 1, 2, 0, 0, 0, 1.5]),
    ],
)
def test_the_margins_are_those_of_rtamt(text, expected):
    """Each operator gives the margins rtamt 0.4.10 gives in discrete time."""
    assert clipped(text, x=X, y=Y) == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize(
    ("window_s", "expected"),
    [
        (3, [0.01] * 6 + [0.04] + [0.05] * 4 + [0.55]),
        (2, [-0.05] * 6 + [0.01, 0.04] + [0.05] * 3 + [0.55]),
    ],
)
def test_the_response_margins_are_those_of_rtamt(window_s, expected):
    """The response example: satisfied within 3 s, violated within 2 s (rtamt 0.4.10, discrete time)."""
    found = clipped(f"always(implies(u <= 0.05, within({window_s}, f <= 0.05)))", u=U, f=F)
    assert found == pytest.approx(expected, abs=1e-12)


def test_until_is_half_open():
    """A closed until (the form of Donze and Maler 2010) would differ at samples 3, 5 and 6."""
    closed = [1, 1, 1, -0.5, -1, 0, 0, 0.5]
    found = clipped("until(y >= 0, x >= 2, 3)", x=X, y=Y)
    assert [i for i in range(8) if abs(found[i] - closed[i]) > 1e-12] == [3, 5, 6]


def from_rtamt(spec_text: str, **columns: list[float]) -> list[float]:
    """The margins rtamt gives."""
    spec = rtamt.StlDiscreteTimeSpecification()
    for name in columns:
        spec.declare_var(name, "float")
    spec.spec = spec_text
    spec.parse()
    count = len(next(iter(columns.values())))
    data = {"time": list(range(count)), **{name: list(values) for name, values in columns.items()}}
    return [margin for _, margin in spec.evaluate(data)]


# Pairs of one formula as written here and as rtamt writes it. Halves make ties and equal margins common.
NUMBERS = st.integers(-6, 6).map(lambda n: n / 2)
TERMS = st.sampled_from([("x", "x"), ("y", "y"), ("x + y", "x + y"), ("abs(x - y)", "abs(x - y)"), ("x * y", "x * y")])
ATOMS = st.tuples(TERMS, st.sampled_from(["<", "<=", ">", ">="]), NUMBERS).map(
    lambda parts: tuple(f"({term} {parts[1]} ({parts[2]}))" for term in parts[0])
)


def deeper(inner: st.SearchStrategy) -> st.SearchStrategy:
    """One operator more around formulas."""
    span = st.integers(0, 6)
    one = [("not ({a})", "not({a})"), ("always({a})", "always({a})"), ("eventually({a})", "eventually({a})")]
    timed = [("held", "always"), ("within", "eventually"), ("throughout", "historically"), ("once", "once")]
    two = [
        ("(({a}) and ({b}))", "(({a}) and ({b}))"),
        ("(({a}) or ({b}))", "(({a}) or ({b}))"),
        ("implies({a}, {b})", "(({a}) implies ({b}))"),
        ("until({a}, {b})", "(({a}) until ({b}))"),
    ]
    return st.one_of(
        st.builds(lambda f, a: tuple(t.format(a=p) for t, p in zip(f, a, strict=True)), st.sampled_from(one), inner),
        st.builds(
            lambda f, n, a: (f"{f[0]}({n}, {a[0]})", f"({f[1]}[0,{n}]({a[1]}))"), st.sampled_from(timed), span, inner
        ),
        st.builds(
            lambda f, a, b: tuple(t.format(a=p, b=q) for t, p, q in zip(f, a, b, strict=True)),
            st.sampled_from(two),
            inner,
            inner,
        ),
        st.builds(
            lambda n, a, b: (f"until({a[0]}, {b[0]}, {n})", f"(({a[1]}) until[0,{n}] ({b[1]}))"), span, inner, inner
        ),
    )


FORMULAS = st.recursive(ATOMS, deeper, max_leaves=5)
VALUES = st.integers(-6, 6).map(lambda n: n / 2)
# rtamt 0.4.10 cannot take a recording of one sample.
TRACES = st.lists(st.tuples(VALUES, VALUES), min_size=2, max_size=9).map(
    lambda rows: [list(column) for column in zip(*rows, strict=True)]
)


@settings(max_examples=250, deadline=None)
@given(FORMULAS, TRACES)
def test_random_formulas_have_the_margins_of_rtamt(formula, trace):
    """Clipped at the end, every mix of operators gives what rtamt gives on every recording."""
    x, y = trace
    assert clipped(formula[0], x=x, y=y) == pytest.approx(from_rtamt(formula[1], x=x, y=y), abs=1e-12)


def test_edges_differ_from_rtamt_at_the_first_sample_only():
    """rtamt lets a signal that begins true rise at its first sample; here nothing came before it, so nothing rises."""
    found, other = clipped("rising(x >= 1)", x=[2.0, 0.0, 3.0, 3.0]), from_rtamt("rise(x >= 1)", x=[2.0, 0.0, 3.0, 3.0])
    assert other[0] == 1.0
    assert found[0] == -1.0
    assert found[1:] == other[1:]


def test_a_falling_edge_differs_from_rtamt_at_the_first_sample_only():
    """rtamt lets a signal that begins false fall at its first sample; here it does not."""
    found, other = (
        clipped("falling(x >= 1)", x=[0.0, 2.0, 0.0, 3.0]),
        from_rtamt("fall(x >= 1)", x=[0.0, 2.0, 0.0, 3.0]),
    )
    assert other[0] == 1.0
    assert found[0] == -1.0
    assert found[1:] == other[1:]


def test_states_differ_from_rtamt():
    """rtamt's == has a margin of 0 when true, which its negation shares; here true and false are apart."""
    assert from_rtamt("x == 2", x=[2.0, 5.0]) == [0.0, -3.0]
    assert clipped("x == 2", x=[2.0, 5.0]) == [np.inf, -np.inf]
    assert clipped("not x == 2", x=[2.0, 5.0]) == [-np.inf, np.inf]


# The definitions, word by word, on lists: no windows, no folding, no bounds.


def naive(node, run: Evaluation, at: int, atom) -> float:
    """A condition's value at one sample by its definition; `atom` values the comparisons."""
    match node:
        case Compare():
            return atom(run, node, at)
        case Not(arg=arg):
            return -naive(arg, run, at, atom)
        case And(args=args):
            return min(naive(arg, run, at, atom) for arg in args)
        case Or(args=args):
            return max(naive(arg, run, at, atom) for arg in args)
        case Implies(left=left, right=right):
            return max(-naive(left, run, at, atom), naive(right, run, at, atom))
        case State(arg=arg):
            return float(np.copysign(np.inf, naive(arg, run, at, atom)))
        case Before(arg=arg):
            return naive(arg, run, max(at - 1, 0), atom)
        case Window(of=of, side=side, length=length, arg=arg):
            reach = run.count if length is None else length.value
            samples = [
                i for i in range(run.count) if (0 <= i - at <= reach if side is Side.AHEAD else 0 <= at - i <= reach)
            ]
            return (min if of is Of.ALL else max)(naive(arg, run, i, atom) for i in samples)
        case Until(left=left, right=right, length=length):
            reach = run.count if length is None else length.value
            return max(
                min([naive(right, run, stop, atom)] + [naive(left, run, i, atom) for i in range(at, stop)])
                for stop in range(at, run.count)
                if stop - at <= reach
            )


def truth(run: Evaluation, node: Compare, at: int) -> float:
    """1 where the comparison is true in Python, -1 where it is false."""
    left, right = run.term(node.left)[at], run.term(node.right)[at]
    true = {"<": left < right, "<=": left <= right, ">": left > right, ">=": left >= right, "==": left == right}
    return 1.0 if true[node.op] else -1.0


# Our own language alone: edges, states and equality too.
OWN_ATOMS = st.one_of(ATOMS.map(lambda pair: pair[0]), st.sampled_from(["m == 1", "m == 2", "state(x > 0.5)"]))


def own_deeper(inner: st.SearchStrategy, whole_run: bool) -> st.SearchStrategy:
    """One operator of our language more around formulas; `whole_run` lets in those without a duration."""
    words = ["not ({a})", "held({n}, {a})", "within({n}, {a})", "once({n}, {a})", "throughout({n}, {a})"]
    words += ["rising({a})", "falling({a})", "state({a})"]
    words += ["({a}) and ({b})", "({a}) or ({b})", "implies({a}, {b})", "until({a}, {b}, {n})"]
    words += ["always({a})", "never({a})", "eventually({a})", "until({a}, {b})"] if whole_run else []
    span = st.integers(0, 6)
    return st.builds(lambda word, a, b, n: word.format(a=a, b=b, n=n), st.sampled_from(words), inner, inner, span)


OWN = st.recursive(OWN_ATOMS, lambda inner: own_deeper(inner, whole_run=True), max_leaves=6)
BOUNDED = st.recursive(OWN_ATOMS, lambda inner: own_deeper(inner, whole_run=False), max_leaves=6)
OWN_TRACES = st.lists(st.tuples(VALUES, VALUES, st.sampled_from([1.0, 2.0])), min_size=1, max_size=9).map(
    lambda rows: dict(zip("xym", (list(c) for c in zip(*rows, strict=True)), strict=True))
)


@settings(max_examples=300, deadline=None)
@given(OWN, OWN_TRACES)
def test_the_sign_of_a_margin_is_the_truth(text, trace):
    """A margin is positive exactly where the formula is true, ties and states included, and never zero."""
    root, run = parse(text).root, Evaluation(recording(trace), {}, End.CLIPPED)
    assert np.sign(run.bounds(root).lower).tolist() == [np.sign(naive(root, run, at, truth)) for at in range(run.count)]


@settings(max_examples=300, deadline=None)
@given(OWN, OWN_TRACES)
def test_the_margin_is_the_definition(text, trace):
    """Windows and folding give at every sample what the definitions give, looked up one by one."""
    root, run = parse(text).root, Evaluation(recording(trace), {}, End.CLIPPED)

    expected = [naive(root, run, at, lambda run, node, at: run.bounds(node).lower[at]) for at in range(run.count)]
    assert run.bounds(root).lower.tolist() == expected


@settings(max_examples=300, deadline=None)
@given(BOUNDED, OWN_TRACES, st.data())
def test_what_is_decided_stays_decided(text, trace, data):
    """The bounds on a cut recording hold the bounds on every longer one, so no verdict of it is ever taken back."""
    whole = bounds(text, **trace)
    cut_at = data.draw(st.integers(1, len(trace["x"])))
    cut = bounds(text, **{name: values[:cut_at] for name, values in trace.items()})
    assert np.all(cut.lower <= whole.lower[:cut_at])
    assert np.all(cut.upper >= whole.upper[:cut_at])


@settings(max_examples=300, deadline=None)
@given(OWN, OWN_TRACES, st.data())
def test_missing_samples_only_widen_the_bounds(text, trace, data):
    """Whatever a missing sample was, the margin lies between the bounds found without it."""
    gaps = data.draw(st.sets(st.integers(0, len(trace["x"]) - 1)))
    holed = {name: [np.nan if i in gaps else v for i, v in enumerate(values)] for name, values in trace.items()}
    full, widened = bounds(text, **trace), bounds(text, **holed)
    assert np.all(widened.lower <= full.lower)
    assert np.all(widened.upper >= full.upper)


@settings(max_examples=200, deadline=None)
@given(BOUNDED, OWN_TRACES)
def test_far_from_the_end_both_conventions_agree(text, trace):
    """Padded so that no window passes the end, the clipped margins are the decided ones."""
    padded = {name: values + [values[-1]] * 40 for name, values in trace.items()}
    count = len(trace["x"])
    lower, upper = bounds(text, **padded)
    assert lower[:count].tolist() == upper[:count].tolist() == clipped(text, **padded)[:count]


@pytest.mark.parametrize(
    ("text", "lower", "upper"),
    [
        ("held(2, x >= 0)", [-1, -1, -np.inf, -np.inf], [-1, -1, -1, 5]),
        ("within(2, x >= 0)", [2, 5, 5, 5], [2, 5, np.inf, np.inf]),
        ("until(x >= 0, x >= 4, 2)", [-2, -1, -1, 1], [-2, -1, -1, 5]),
        ("until(x >= 1, x >= 9, 2)", [-7, -4, -4, -4], [-7, -4, -2, 4]),
        ("always(x >= -2)", [1, 1, 1, 7], [1, 1, 1, 7]),
        ("eventually(x >= 9)", [-4, -4, -4, -4], [-4, -4, -4, -4]),
    ],
)
def test_windows_cut_by_the_end_have_wide_bounds(text, lower, upper):
    """What a cut window could still become is unknown; what is already spoiled or met is not; whole runs end there."""
    found = bounds(text, x=[0.0, 2.0, -1.0, 5.0])
    assert found.lower.tolist() == pytest.approx(lower, abs=1e-12)
    assert found.upper.tolist() == pytest.approx(upper, abs=1e-12)
