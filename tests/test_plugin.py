"""Plain pytest collects scenarios, tells their failures in sentences, and gives tests a dive."""

from __future__ import annotations

import pytest
from test_check import scenario

pytest_plugins = ["pytester"]


@pytest.fixture
def folder(pytester):
    scenario(pytester.path, "good")
    scenario(pytester.path, "bad", most_us=900)
    return pytester


def test_scenarios_are_tests(folder):
    """A folder with scenarios alone is a test suite."""
    folder.runpytest().assert_outcomes(passed=1, failed=1)


def test_a_failure_tells_its_story(folder):
    """The sentence, the worst moment, the seed and the command that repeats it are shown."""
    result = folder.runpytest("-k", "bad")

    result.stdout.fnmatch_lines(
        ["*fail nothing-moves: left_pulse_us rose to 1000 us at *", "*seed 1; repeat: drydive run*"]
    )


def test_k_selects(folder):
    """`-k` takes a scenario by its name."""
    folder.runpytest("-k", "good").assert_outcomes(passed=1, deselected=1)


def test_xdist_shares_them_out(folder):
    """Scenarios run under `-n` as any test."""
    folder.runpytest("-n", "2").assert_outcomes(passed=1, failed=1)


def test_junit_names_them(folder):
    """`--junitxml` has a case for each scenario."""
    folder.runpytest("--junitxml=report.xml")

    text = (folder.path / "report.xml").read_text(encoding="utf-8")
    assert 'name="good"' in text
    assert 'name="bad"' in text


def test_what_decides_nothing_is_skipped(pytester):
    """A scenario whose only requirement was never tried does not count as passed."""
    path = scenario(pytester.path, "idle")
    text = path.read_text(encoding="utf-8").replace(
        "formula: always(left_pulse_us <= 1000)", "formula: always(implies(mode == 99, left_pulse_us <= 1000))"
    )
    path.write_text(text, encoding="utf-8")

    pytester.runpytest().assert_outcomes(skipped=1)


def test_bad_input_is_a_failure_with_its_line(pytester):
    """A scenario that cannot be read fails with the line of the fault, not with a traceback."""
    (pytester.path / "wrong.scenario.yaml").write_text("name: wrong\nwater: {kind: soup}\n", encoding="utf-8")

    result = pytester.runpytest()

    result.assert_outcomes(failed=1)
    result.stdout.fnmatch_lines(["*wrong.scenario.yaml:2:*kind: expected one of*"])


def test_a_dive_gives_the_run(folder):
    """The fixture runs a scenario beside the test and hands over table and verdicts."""
    folder.makepyfile(
        """
        def test_dive(dive):
            judged = dive("good.scenario.yaml", seed=3)
            assert judged.run.bench.scenario.seed == 3
            assert judged.run.table["left_pulse_us"].max() == 1000.0
            assert [verdict.verdict for verdict in judged.verdicts] == ["pass"]
        """
    )

    folder.runpytest("-k", "dive").assert_outcomes(passed=1, deselected=2)


def test_the_plugin_imports_nothing_of_the_harness(pytester):
    """A test run without scenarios does not load the harness."""
    pytester.makepyfile(
        "import sys\ndef test_it(): assert 'sim.bench' not in sys.modules and 'sim.jobs' not in sys.modules"
    )

    pytester.runpytest_subprocess().assert_outcomes(passed=1)
