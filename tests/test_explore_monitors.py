"""What is demanded of a controller, against controllers that break one thing each; and what is written of it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import pytest
from file_cases import ROOT, command, faults
from file_cases import controller as controller_file

from sim.bench.loop import ControllerError
from sim.face.cli import main
from sim.jobs.case import judge_case, load_case
from sim.jobs.explore import monitors
from sim.jobs.explore.explore import Exploration, explore
from sim.jobs.explore.scope import Scope, load_scope, scope_path, tasks
from sim.jobs.explore.script import write
from sim.jobs.explore.sequence import readings
from sim.jobs.export import export

SCOPE = scope_path("reference", "reference")
REFERENCE = (ROOT / "controllers" / "reference.py").read_text(encoding="utf-8")
HANDS = {"hall_counts": (516, 1800), "deadman": (0, 1), "kill_cord": (1, 0)}
# The lever at rest and the cord in place: what the gesture needs, and few states.
PRESSES = {"hall_counts": (516,), "deadman": (0, 1)}


def scope_with(readings: dict[str, tuple[int, ...]], *prove: str) -> Scope:
    """The reference's scope, of one round with these readings."""
    scope = load_scope(SCOPE)
    only = scope.rounds[0].model_copy(update={"readings": readings, "prove": prove})
    return scope.model_copy(update={"rounds": (only,)})


def explored(
    controller: str, readings: dict[str, tuple[int, ...]], *prove: str, engine: str = "interpreted"
) -> Exploration:
    return explore(tasks(scope_with(readings, *prove), SCOPE, controller), engine=engine)


# Lines of the reference, what stands there instead, and which property that breaks, how, in how many ticks at least.
MUTANTS = {
    "a dead-man that is not looked at while driving": (
        "        if deadman == 0:\n            # With",
        "        if deadman == 2:\n            # With",
        HANDS,
        "deadman",
        monitors.DRIVES_RELEASED,
    ),
    "a kill cord that does not latch": (
        "    elif mode == KILLED:\n        mode = START\n",
        "    elif mode == KILLED:\n        mode = DRIVE\n",
        HANDS,
        "kill",
        monitors.DRIVES_UNSTARTED,
    ),
    "a kill cord that is not looked at": (
        "    if cord == 0:\n        mode = KILLED",
        "    if cord == 2:\n        mode = KILLED",
        HANDS,
        "kill",
        monitors.DRIVES_UNSTARTED,
    ),
    "a dead-man held since boot that starts": (
        "        mode = READY if deadman == 0 else RELEASE",
        "        mode = READY",
        HANDS,
        "start",
        monitors.DRIVES_UNSTARTED,
    ),
    "a dead-man that starts although no reading shows the lever": (
        "    elif deadman == 1 and senses.seen_at_rest(params, throttle) == 1:",
        "    elif deadman == 1:",
        {**HANDS, "hall_counts": (516, 3570, 0)},
        "start",
        monitors.DRIVES_UNSTARTED,
    ),
    "two presses that raise the step": (
        "    if clicks == params.clicks_up:",
        "    if clicks == params.clicks_up or clicks == 2:",
        PRESSES,
        "step",
        monitors.STEP_UNASKED,
    ),
    "more presses than two that lower it": (
        "    if clicks == params.clicks_down:",
        "    if clicks >= params.clicks_down:",
        PRESSES,
        "step",
        monitors.STEP_MISCOUNTED,
    ),
    "a step that goes round at its end": (
        "return min(power_step + 1, params.step_count)",
        "return power_step % 2 + 1",
        PRESSES,
        "step",
        monitors.STEP_MISCOUNTED,
    ),
    "steps that are jumped over": (
        "return min(power_step + 1, params.step_count)",
        "return min(power_step + 2, 4)",
        PRESSES,
        "step",
        monitors.STEP_JUMPS,
    ),
    "a step that rises by itself under drive": (
        "    if mode == KILLED:\n        return 1\n",
        "    if mode == KILLED:\n        return 1\n    if mode == DRIVE:\n        return 2\n",
        HANDS,
        "step",
        monitors.STEP_UNASKED,
    ),
}


def mutant(folder: Path, name: str) -> str:
    old, new = MUTANTS[name][:2]
    assert REFERENCE.count(old) == 1, "the reference has been rewritten here: this mutant must follow"
    path = folder / "mutant.py"
    path.write_text(REFERENCE.replace(old, new), encoding="utf-8")
    return str(path)


@pytest.mark.parametrize("name", MUTANTS)
def test_a_controller_with_one_thing_broken_is_refuted_and_its_scenario_fails(tmp_path: Path, name: str) -> None:
    """The property is refuted for the expected reason, and the scenario written of it fails at the same tick."""
    _, _, tried, prove, found = MUTANTS[name]
    (proof,) = explored(mutant(tmp_path, name), tried, prove).proofs
    assert (proof.verdict, proof.walk.found) == ("fail", found), proof.why
    written = write(proof, "mutant", tmp_path / "out")
    assert written.why == ""
    tick_s = proof.task.tick_us / 1e6
    assert written.at_s == pytest.approx(len(readings(proof)) * tick_s)
    assert written.path is not None
    assert [each.verdict for each in judge_case(load_case(written.path)).verdicts] == ["fail"]


@pytest.mark.parametrize("prove", ["deadman", "start", "kill", "step"])
def test_the_reference_holds(prove: str) -> None:
    """The reference keeps each property in every state that lever, dead-man and kill cord lead to, and drives there."""
    (proof,) = explored("reference", {**HANDS, "hall_counts": (516, 1800, 0)}, prove, engine="compiled").proofs
    assert (proof.verdict, proof.why) == ("pass", "holds in every state")
    assert proof.walk.reached.driven > 0
    assert proof.walk.reached.power_steps == (1, 2)


def thin(readings: Mapping[str, tuple[int, ...]]) -> dict[str, tuple[int, ...]]:
    """Fewer readings, where pins beside the hands are varied: the lever's two ends, no speed that is not fitted."""
    if len(readings) == 3:
        return dict(readings)
    few = {pin: tuple(value for value in values if value != -1) for pin, values in readings.items()}
    return few | {"hall_counts": (516, 3570)}


def test_the_scope_reaches_every_mode_and_reason() -> None:
    """The shipped scope's rounds, thinned out for speed, reach each mode and each reason that the reference has."""
    scope = load_scope(SCOPE)
    thinned = [each.model_copy(update={"readings": thin(each.readings)}) for each in scope.rounds]
    found = explore(tasks(scope.model_copy(update={"rounds": tuple(thinned)}), SCOPE, "reference", wanted=("kill",)))
    assert found.verdict == "pass"
    assert found.modes() == set(found.controller.modes)
    assert found.reasons() == set(found.controller.reasons)


def test_the_first_draft_is_refuted_by_scenarios_that_check_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """`drydive explore first_draft` fails, and `drydive check` fails each scenario that it writes."""
    asked = ["explore", "first_draft", "--prove", "start", "kill", "step", "--engine", "interpreted"]
    assert main([*asked, "--out", str(tmp_path), "--json", str(tmp_path / "told.json")]) == 1
    told = json.loads((tmp_path / "told.json").read_text(encoding="utf-8"))
    assert [walk["verdict"] for walk in told["walks"]] == ["fail"] * 3
    assert [walk["scenario"]["fails_alike"] for walk in told["walks"]] == [True] * 3
    # One press, held since the power came on; the cord out and back with lever and dead-man held: what its own
    # docstring says that it lacks needs no more.
    assert [len(walk["sequence"]) for walk in told["walks"]] == [1, 3, 2]
    capsys.readouterr()
    assert main(["check", str(tmp_path), "--workers", "1"]) == 1
    assert "3 scenarios  3 fail" in capsys.readouterr().out


def mine(folder: Path, answer: str = "", prove: str = "start", **parts: str) -> Exploration:
    """A small controller explored by the common scope."""
    path = str(controller_file(folder, answer, **parts))
    scope = scope_path(None, path)
    return explore(tasks(load_scope(scope), scope, path, wanted=(prove,)), states_max=2000)


def test_a_controller_that_never_drives_proves_nothing(tmp_path: Path) -> None:
    """A whole walk without drive is undecided, not proved."""
    still = "def step(params, state, inputs):\n    return state, {command}\n"
    (proof,) = mine(tmp_path, step=still).proofs
    assert (proof.walk.ended, proof.verdict, proof.idle) == ("whole", "undecided", "it never drives")


def test_a_controller_that_raises_is_refuted_by_the_shortest_way_to_it(tmp_path: Path) -> None:
    """An error after three ticks is found in three, with its words, whichever engine walks."""
    raising = (
        "def step(params, state, inputs):\n"
        "    ticks = state.ticks + 1 if inputs.deadman == 1 else 0\n"
        "    return State(ticks // (3 - ticks) * 0 + ticks), {command}\n"
    )
    (proof,) = mine(tmp_path, step=raising).proofs
    assert (proof.walk.ended, proof.verdict, len(proof.walk.path)) == ("error", "fail", 3)
    assert "ZeroDivisionError" in proof.why
    written = write(proof, "mine", tmp_path / "out")
    assert (written.why, written.at_s) == ("", pytest.approx(0.03))
    assert written.path is not None
    with pytest.raises(ControllerError):
        judge_case(load_case(written.path))


@pytest.mark.parametrize("name", MUTANTS)
def test_a_sequence_that_the_desk_cannot_make_is_a_recording_that_fails(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    """Where the bus must read something, which no script can make it do, a recording does; its replay fails alike."""
    _, _, tried, prove, _ = MUTANTS[name]
    (proof,) = explored(mutant(tmp_path, name), {**tried, "bus_mv": (55_000,)}, prove).proofs
    written = write(proof, "mutant", tmp_path / "out")
    assert (proof.verdict, written.why) == ("fail", "")
    assert written.path == tmp_path / "out" / f"mutant.{prove}.csv"
    assert written.at_s == pytest.approx((len(readings(proof)) - 1) * proof.task.tick_us / 1e6)
    assert main(list(written.repeat[1:])) == 1
    assert capsys.readouterr().out.startswith("FAIL")


def test_a_recording_of_a_controller_that_raises_ends_alike(tmp_path: Path) -> None:
    """What raises in the walk raises when it is replayed, at the same tick."""
    raising = "def step(params, state, inputs):\n    return State(1 // (inputs.bus_mv - 7)), {command}\n"
    path = str(controller_file(tmp_path, "", step=raising))
    scope = scope_with({"hall_counts": (516,), "bus_mv": (0, 7)}, "start")
    scope = scope.model_copy(update={"params": None, "constants": {}})
    (proof,) = explore(tasks(scope, SCOPE, path), engine="interpreted").proofs
    written = write(proof, "mine", tmp_path / "out")
    assert (proof.walk.ended, written.why, written.at_s) == ("error", "", pytest.approx(0.01))
    assert written.path is not None
    assert written.path.suffix == ".csv"


def test_a_contact_that_reads_neither_is_no_recording(tmp_path: Path) -> None:
    """A pin that reads 2 stands in no recording: nothing is written, and why is told."""
    path = mutant(tmp_path, "two presses that raise the step")
    readings = {"hall_counts": (516,), "deadman": (2, 1), "bus_mv": (55_000,)}
    (proof,) = explored(path, readings, "step").proofs
    written = write(proof, "mutant", tmp_path / "out")
    assert (proof.verdict, written.path) == ("fail", None)
    assert "deadman must read neither 0 nor 1" in written.why
    assert not (tmp_path / "out").exists()


def test_a_controller_in_c_is_walked_as_its_python_is(tmp_path: Path) -> None:
    """The first draft exported to C is refuted after as many states and by the same sequence as its Python."""
    path = scope_path("first_draft", "first_draft")
    scope = load_scope(path)
    (task,) = tasks(scope, path, "first_draft", wanted=("kill",))
    export(task.space.controller, tmp_path / "c", ticks_max=10)
    made = tasks(scope.model_copy(update={"params": None}), path, str(tmp_path / "c" / "throttle.c"), wanted=("kill",))
    (python,), (c,) = (explore(each, engine="interpreted").proofs for each in ((task,), made))
    assert (c.walk.ended, c.walk.states, c.walk.path) == (python.walk.ended, python.walk.states, python.walk.path)
    assert write(c, "throttle", tmp_path / "out").why == ""


def test_a_scope_beside_the_controller_is_its_own(tmp_path: Path) -> None:
    """Without a name it is the one beside the controller, then the shipped one of its name, then the common one."""
    own = tmp_path / "mine.scope.yaml"
    own.touch()
    named = [scope_path(None, str(tmp_path / "mine.py")), scope_path(None, "reference"), scope_path(None, "other.py")]
    assert [path.name for path in named] == ["mine.scope.yaml", "reference.scope.yaml", "common.scope.yaml"]
    assert named[0] == own


@pytest.mark.parametrize(
    ("scope", "controller"),
    [("reference_button", "reference"), ("starter", str(ROOT / "sim" / "starter" / "controller.py"))],
)
def test_the_other_shipped_scopes_hold(scope: str, controller: str) -> None:
    """The reference with a mode button, and what `drydive new` writes, never drive without the dead-man."""
    path = scope_path(scope, controller)
    rounds = load_scope(path).rounds[-1:]
    only = load_scope(path).model_copy(update={"rounds": rounds})
    (proof,) = explore(tasks(only, path, controller, wanted=("deadman",))).proofs
    assert (proof.verdict, proof.walk.reached.driven > 0) == ("pass", True)


def test_a_controller_that_does_not_compile_is_walked_interpreted(tmp_path: Path) -> None:
    """A step that makes a dictionary, which does not compile, is walked all the same, and why is told."""
    path = controller_file(
        tmp_path,
        command(left="pulse", right="pulse"),
        State="class State(NamedTuple):\n    held: int\n",
        step="def step(params, state, inputs):\n    pulse = 1000 + 1000 * inputs._asdict()['deadman']\n"
        "    return State(inputs.deadman), {command}\n",
    )
    scope = scope_path(None, str(path))
    found = explore(tasks(load_scope(scope), scope, str(path), wanted=("deadman",)))
    (proof,) = found.proofs
    assert (proof.walk.engine, proof.verdict, proof.walk.states) == ("interpreted", "pass", 62)
    assert proof.engine_why


def test_parameters_for_another_tick_are_told_with_the_scopes(capsys: pytest.CaptureFixture[str]) -> None:
    """What is right at the controller's own rate and not at the common scope's names the tick, and whose it is."""
    starter = ROOT / "sim" / "starter" / "controller.py"
    assert main(["explore", str(starter)]) == 2
    said = "deadman_press_ms: expected no less than 55 here, at the tick of 10000 us that common.scope.yaml has; got 50"
    assert said in capsys.readouterr().err


def wrong_scope(folder: Path, old: str, new: str) -> list[str]:
    """What is said of the common scope with something changed."""
    path = folder / "wrong.scope.yaml"
    text = scope_path("common", "").read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return faults(lambda: tasks(load_scope(path), path, "first_draft"), folder)


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("deadman: [0, 1]", "dead_man: [0, 1]", "rounds[0].readings.dead_man: expected one of the pins"),
        ("deadman: [0, 1]", "deadman: []", "rounds[0].readings.deadman: expected"),
        ("name: hands", "name: hands\n    prove: [kil]", "rounds[0].prove[0]: expected one of deadman, start, kill"),
        ("kill_ms: 50", "kill_ms: soon", "demands.kill_ms: expected a whole number"),
        ("tick_us: 10000", "tick_us: 10000\nconstants: {TIMER: 3}", "constants.TIMER: expected a whole-number const"),
        ("tick_us: 10000", "tick_us: 10000\nparams: none.yaml", "none.yaml: expected"),
        ("name: hands", "name: hands\n    set: {cap_9: 3}", "rounds[0].set.cap_9: expected one of the keys"),
    ],
)  # fmt: skip
def test_a_wrong_scope_is_told_in_one_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    """Each fault of a scope is one line that names its key and what was expected."""
    (line,) = wrong_scope(tmp_path, old, new)
    assert said in line


@pytest.mark.parametrize(
    ("asked", "said"),
    [
        (["refrence"], "drydive explore: NAME|FILE.py: expected a path ending in .py or .c, or one of"),
        (["reference", "--prove", "kil"], "drydive explore: --prove: expected one of deadman, start, kill, step"),
        (["reference", "--set", "ramp_up_ms=0"], "drydive explore: --set ramp_up_ms: expected a whole number, 1 to"),
        (["reference", "--set", "ramp_up_ms"], "expected KEY=N with a whole number"),
        (["reference", "--states-max", "0"], "expected states from 1"),
        (["reference", "--scope", "none.scope.yaml"], "none.scope.yaml: expected a scope"),
    ],
)
def test_a_wrong_command_line_is_told_in_one_line(
    asked: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """A fault of the command line is one line on standard error and exit code 2."""
    try:
        code = main(["explore", *asked])
    except SystemExit as ended:
        code = int(str(ended.code))
    told = capsys.readouterr().err.splitlines()
    assert (code, len(told)) == (2, 1)
    assert said in told[0]
