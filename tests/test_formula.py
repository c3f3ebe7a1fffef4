"""Reading formulas: what is accepted, what is refused and where the fault points."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sim.base.errors import Fault, InputError
from sim.record.table import Table
from sim.verdict.check import faults_in, scope_faults, unit_of_term
from sim.verdict.formula import DEEPEST, LONGEST, parse, parse_constant
from sim.verdict.place import Place
from sim.verdict.robustness import Evaluation
from sim.verdict.tree import And, Compare, Until, walk
from sim.verdict.units import symbol_of, unit_of

SIGNALS = ("bus_v", "pack_a", "lever_frac", "deadman", "mode", "left_n", "right_n", "bus_mv")
LIMITS = {"esc_cut_v": 42.0, "stop_s": 0.15, "arm_m": 0.2, "yaw_max_nm": 4.0}


def refusal(text: str) -> str:
    """The one fault a formula is refused with."""
    with pytest.raises(InputError) as caught:
        parse(text, Place("a.yaml", "formula", 7, 11))
    assert len(caught.value.faults) == 1
    return str(caught.value)


def faults_of(text: str) -> tuple[Fault, ...]:
    """The faults a text is refused with; none where it is read."""
    try:
        parse(text, Place("a.yaml", "formula", 1))
    except InputError as error:
        return error.faults
    return ()


def check(text: str) -> list[str]:
    """The faults a readable formula has for these signals and limits."""
    formula = parse(text, Place("a.yaml", "", 3))
    return [str(fault) for fault in faults_in(formula.root, formula.place, SIGNALS, LIMITS)]


def value(text: str, **columns: list[float]) -> list[float]:
    """A term's samples, taken from one side of a comparison."""
    atom = parse(f"({text}) >= 0").root
    assert isinstance(atom, Compare)
    arrays = {name: np.array(column, dtype=float) for name, column in columns.items()}
    count = len(next(iter(arrays.values())))
    table = Table(t_us=np.arange(count, dtype=np.int64) * 500_000, columns=arrays)
    return Evaluation(table, LIMITS).term(atom.left).tolist()


@pytest.mark.parametrize(
    ("text", "column"),
    [
        ("bus_v.real > 0", 11),
        ("__import__('os')", 11),
        ("always(bus_v[0] > 1)", 18),
        ("always(lambda: 1)", 18),
        ("bus_v > 'x'", 19),
        ("bus_v ** 2 > 1", 11),
        ("bus_v if mode else mode", 11),
        ("bus_v > (mode := 1)", 20),
        ("always(mode in (1, 2))", 18),
        ("always(mode is 1)", 18),
        ("bus_v > True", 19),
        ("bus_v > 1e999", 19),
        ("bus_v > 1j", 19),
        ("always(bus_v > 1, strict=1)", 11),
        ("always(*bus_v)", 11),
        ("always()", 11),
        ("within(0.1)", 11),
        ("bus_v > always(mode)", 19),
        ("not bus_v + 1", 15),
        ("bus_v > > 1", 19),
        ("1or mode", 11),
        ("mode == 1 # always", 21),
        ("bus_v > 1 + rait(bus_v)", 23),
        ("bus_v > " + "9" * 400, 19),
        ("\ud800", 11),
        ("bus_v > min(1)", 19),
    ],
)
def test_what_is_outside_the_language_is_refused_at_its_column(text, column):
    """Anything but the listed words is a fault at the very column of the line it stands in."""
    assert refusal(text).startswith(f"a.yaml:7:{column}: formula: expected ")


def test_without_a_line_the_column_goes_with_the_key():
    """A column alone after the path would read as a line."""
    with pytest.raises(InputError, match=r"^a.yaml: formula, column 9: expected a number"):
        parse("bus_v > True", Place("a.yaml", "formula"))


def test_a_near_miss_of_a_word_is_suggested():
    """A misspelt word is answered with the nearest one."""
    assert "'allways' (did you mean always?)" in refusal("allways(bus_v > 1)")


def test_a_column_after_wide_characters_counts_characters():
    """Columns count characters, not bytes."""
    assert refusal("é > 0 and bus_v ** 2 > 1").startswith("a.yaml:7:21:")


@pytest.mark.parametrize("text", ["(" * 500 + "mode" + ")" * 500, "-" * 1500 + "mode > 0", "not " * 100 + "mode"])
def test_nesting_is_bounded(text):
    """Deep nesting is one clear fault, not a crash of the reader."""
    assert f"at most {DEEPEST} levels of nesting" in refusal(text)


def test_length_is_bounded():
    """A formula longer than the bound is refused before it is read."""
    assert f"at most {LONGEST} characters; got {LONGEST + 1}" in refusal("x" * (LONGEST + 1))


@given(st.text(max_size=60))
def test_any_text_is_read_or_refused(text):
    """No text at all makes the reader fail other than with a fault."""
    assert len(faults_of(text)) <= 1


WORDS = st.sampled_from(
    ["always", "(", ")", "bus_v", "mode", ">", "==", "0.5", ",", "not", "and", "until", "-", "abs", "within", "é"]
)


@given(st.lists(WORDS, max_size=20).map(" ".join))
def test_any_words_are_read_or_refused_inside_the_text(text):
    """A fault in a jumble of the language's own words points into the text or just behind it."""
    assert all(1 <= fault.column <= len(text) + 1 for fault in faults_of(text))


def test_the_longest_formula_is_read():
    """A formula just as long as the bound is read."""
    assert parse("x" * LONGEST).text == "x" * LONGEST


def test_a_chain_is_both_comparisons():
    """40 <= bus_v < 60 is two atoms joined by and."""
    root = parse("40 <= bus_v < 60").root
    assert isinstance(root, And)
    assert [atom.op for atom in root.args] == ["<=", "<"]


def test_line_ends_are_blanks():
    """A formula folded over lines reads like one on a line, with the same columns."""
    folded = parse("always(\n  bus_v > 40)").root
    assert folded == parse("always(bus_v > 40)").root
    assert [node.source.offset for node in walk(folded) if isinstance(node, Compare)] == [10]


def test_until_may_have_a_duration():
    """until takes two conditions and, if wanted, a duration after them."""
    plain, bounded = parse("until(mode == 1, mode == 2)").root, parse("until(mode == 1, mode == 2, 0.5)").root
    assert isinstance(plain, Until)
    assert plain.length is None
    assert isinstance(bounded, Until)
    assert bounded.length == parse_constant("0.5").root


def test_equal_parts_are_equal_nodes():
    """The same condition written twice is one node, so that it is evaluated once."""
    root = parse("always(mode == 1) and always( mode==1 )").root
    assert isinstance(root, And)
    assert root.args[0] == root.args[1]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("bus_v * 2 - 1", [1.0, 5.0, -9.0]),
        ("-bus_v + esc_cut_v", [41.0, 39.0, 46.0]),
        ("+bus_v", [1.0, 3.0, -4.0]),
        ("abs(bus_v)", [1.0, 3.0, 4.0]),
        ("min(bus_v, 2, pack_a)", [0.0, 2.0, -4.0]),
        ("max(bus_v, pack_a / 2)", [1.0, 3.0, 4.0]),
        ("previous(bus_v)", [1.0, 1.0, 3.0]),
        ("rate(bus_v)", [0.0, 4.0, -14.0]),
    ],
)
def test_terms_are_worked_out_sample_by_sample(text, expected):
    """Each operation on signals and limits gives its value at every sample (ticks of half a second)."""
    assert value(text, bus_v=[1, 3, -4], pack_a=[0, 4, 8]) == expected


def test_division_by_zero_is_no_crash():
    """One over zero is infinite and zero over zero is not known."""
    found = value("bus_v / pack_a", bus_v=[1, 0], pack_a=[0, 0])
    assert found[0] == np.inf
    assert np.isnan(found[1])


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("always(bus_w > 1)", "a.yaml:3:8: expected a signal or a named limit; got 'bus_w' (did you mean bus_v?)"),
        ("always(bus_v > pack_a)", "a.yaml:3:8: expected like units; got V and A in bus_v > pack_a"),
        ("always(bus_v + lever_frac > 1)", "a.yaml:3:8: expected like units; got V and 1 in bus_v + lever_frac"),
        ("always(bus_v > bus_mv)", "a.yaml:3:8: expected like units; got V and mV in bus_v > bus_mv"),
        ("within(mode, deadman)", "a.yaml:3:8: expected a named limit; got 'mode'"),
        ("within(-1, deadman)", "a.yaml:3:8: expected a duration in seconds, not negative; got -1 = -1 s"),
        (
            "within(esc_cut_v, deadman)",
            "a.yaml:3:8: expected a duration in seconds, not negative; got esc_cut_v = 42 V",
        ),
        ("within(1/0, deadman)", "a.yaml:3:8: expected a finite number; got 1/0 = inf"),
        ("always(bus_v)", "a.yaml:3:8: expected a comparison, such as bus_v > 0; got bus_v, a quantity in V"),
    ],
)
def test_names_units_and_durations_are_checked(text, fault):
    """What does not fit the signals and limits there are is one fault at its column."""
    assert check(text) == [fault]


@pytest.mark.parametrize(
    "text",
    [
        "always(bus_v >= esc_cut_v + 1.0)",
        "within(stop_s * 2, deadman == 0)",
        "always(abs(left_n - right_n) * arm_m <= yaw_max_nm)",
        "always(rate(lever_frac) <= 2)",
        "always(lever_frac * bus_v <= 40 and bus_v * pack_a < 900)",
    ],
)
def test_sound_formulas_have_no_fault(text):
    """Like units and known names pass the check."""
    assert check(text) == []


def test_a_limit_called_like_a_signal_is_refused():
    """A name must mean one thing."""
    formula = parse("always(bus_v > 1)")
    faults = faults_in(formula.root, formula.place, ("bus_v",), {"bus_v": 1.0})
    assert [fault.expected for fault in faults] == ["a limit called unlike every signal"]


@pytest.mark.parametrize(
    ("text", "alone"),
    [
        ("bus_v >= 40", ["bus_v >= 40"]),
        ("implies(deadman, within(1, mode == 2))", ["deadman"]),
        ("once(1, mode == 2) or always(mode == 1)", ["mode == 2"]),
        ("held(0, mode == 0) and never(mode == 3)", []),
        ("until(mode == 0, deadman)", []),
    ],
)
def test_a_comparison_tried_at_the_first_sample_only_is_refused(text, alone):
    """A comparison that no word spreads over the run would say next to nothing, and is a fault."""
    formula = parse(text)
    assert [fault.got.split(",")[0] for fault in scope_faults(formula.root, formula.place)] == alone


@pytest.mark.parametrize(
    ("name", "symbol"),
    [
        ("bus_v", "V"),
        ("phase_a_max", "A"),
        ("lever_frac", "1"),
        ("speed_m_s", "m/s"),
        ("water_s_m", "S/m"),
        ("shaft_rad_s", "rad/s"),
        ("left_pulse_us", "us"),
        ("ramp_frac_s", "1/s"),
        ("yaw_nm", "N m"),
        ("mode", "1"),
        ("v", "1"),
        ("power_step", "1"),
    ],
)
def test_a_unit_is_read_from_the_suffix(name, symbol):
    """Noun, unit, qualifier: the unit of a name is in its suffix, and without one it is a plain number."""
    assert symbol_of(unit_of(name)) == symbol


@pytest.mark.parametrize(
    ("text", "symbol"),
    [
        ("bus_v * pack_a", "W"),
        ("bus_v / pack_a", "ohm"),
        ("thrust_n * speed_m_s", "W"),
        ("speed_m_s * duration_s", "m"),
        ("rate(bus_v)", "V/s"),
        ("rate(speed_m_s)", "m/s2"),
        ("2 * bus_v", "V"),
        ("bus_v * bus_v", "V^2"),
        ("max(0, left_n - right_n)", "N"),
        ("bus_v / esc_cut_v", "1"),
        ("bus_v * lever_frac", "V"),
        ("power_w / bus_v", "A"),
        ("energy_j / bus_v / pack_a", "s"),
        ("bulk_f * bus_v / pack_a", "s"),
        ("coil_h * rate(pack_a)", "V"),
        ("coil_h * slope_a_s", "V"),
        ("bulk_f * slope_v_s", "A"),
        ("mass_kg * pull_m_s2", "N"),
        ("pull_m_s2 * pause_s", "m/s"),
        ("gap_tesla * wire_m * pack_a", "N"),
        ("1 / (water_s_m * gap_m)", "ohm"),
        ("torque_nm * shaft_rad_s", "W"),
        ("inertia_kg * arm_m * arm_m * turn_rad_s2", "J"),
        ("ramp_frac_s * pause_s", "1"),
        ("jerk_frac_s2 * pause_s", "1/s"),
        ("rate(pulse_us)", "us/s"),
        ("bus_mv / bus_mv + 1", "1"),
        ("temp_degc / temp_degc", "1"),
    ],
)
def test_units_are_multiplied_and_divided(text, symbol):
    """The unit of an expression follows from those of its names."""
    assert symbol_of(unit_of_term(parse_constant(text).root)) == symbol
