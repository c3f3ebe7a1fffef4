"""Figures: which panels appear, what they say, and that they are drawn the same every time."""

from __future__ import annotations

import re
import subprocess
import sys
from functools import cache
from pathlib import Path

import matplotlib
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure

from sim.base.errors import InputError
from sim.bench.events import Event
from sim.face import look
from sim.face.figures import Picture, Verdict, listed, save, side_by_side, timeline
from sim.record.table import Table
from sim.world import esc, protection, supply

LIMITS = {
    "esc_cut_v": 42.0,
    "trip_slow_a": 150.0,
    "trip_fast_a": 300.0,
    "cell_low_v": 2.7,
    "brown_out_v": 4.3,
    "rail_nominal_v": 5.0,
    "input_low_frac": 0.3,
    "input_high_frac": 0.7,
    "stop_us": 1000.0,
    "full_us": 2000.0,
}
MODES = {0: "stopped", 1: "driving"}


def columns(rows: int = 400) -> dict[str, np.ndarray]:
    """Every column a panel draws, of a drive in which all is well."""
    part = np.linspace(0.0, 1.0, rows)
    driving = (part > 0.3) & (part < 0.8)
    flat = np.ones(rows)
    return {
        "lever_frac": 1.0 * driving,
        "lever_understood_frac": 1.0 * driving,
        "hall_counts": 500.0 + 3000.0 * driving,
        "deadman": 1.0 * driving,
        "deadman_pressed": 1.0 * driving,
        "deadman_line_v": 5.0 - 5.0 * driving,
        "mode_button": 0.0 * flat,
        "mode_pressed": 0.0 * flat,
        "mode_line_v": 4.8 * flat,
        "kill_cord": flat,
        "cord_seated": flat,
        "cord_line_v": 4.9 * flat,
        "power_step": 2.0 * flat,
        "mode": 1.0 * driving,
        "left_pulse_us": 1000.0 + 600.0 * driving,
        "right_pulse_us": 1000.0 + 600.0 * driving,
        "bus_v": 56.0 - 6.0 * driving,
        "cell_v_min": 4.0 - 0.4 * driving,
        "rail_v": 5.0 * flat,
        "bus_a": 90.0 * driving,
        "left_thrust_n": 300.0 * driving,
        "right_thrust_n": 300.0 * driving,
        "speed_m_s": 3.0 * part,
    }


def picture(changed: dict[str, np.ndarray] | None = None, only: tuple[str, ...] = (), **fields: object) -> Picture:
    """A picture of one second; `only` keeps these columns."""
    data = {**columns(), **(changed or {})}
    kept = {name: data[name] for name in only} if only else data
    rows = len(next(iter(kept.values())))
    table = Table(np.arange(rows, dtype=np.int64) * (1_000_000 // max(rows, 1)), kept)
    given_fields = {"title": "Dive", "subtitle": "pool", "limits": LIMITS, "modes": MODES, **fields}
    return Picture(table=table, **given_fields)


@cache
def usual() -> Figure:
    """The timeline of a drive in which all is well; it is only looked at."""
    return timeline(picture())


def words(axes: Axes) -> list[str]:
    """All that is written in or beside axes."""
    return [text.get_text() for text in axes.texts if text.get_text()]


def all_words(figure: Figure) -> str:
    """All that is written on a page."""
    return "\n".join(line for axes in figure.axes for line in words(axes))


def panel(figure: Figure, name: str) -> Axes:
    """The first panel whose name begins so."""
    return next(axes for axes in figure.axes if any(text.startswith(name) for text in words(axes)))


def names(figure: Figure) -> list[str]:
    """The panels' names from the top down, without their units."""
    known = (
        *("Out of order", "Lever", "Dead-man", "Mode button", "Kill cord", "Controller", "Pulses", "Bus voltage"),
        *("Weakest cell", "Rail of the logic", "Pack current", "Thrust", "Speed"),
    )
    found = {}
    for axes in figure.axes:
        for name in known:
            if any(text.startswith(name) for text in words(axes)):
                found[name] = axes.get_position().y0
    return sorted(found, key=lambda name: -found[name])


def in_view(axes: Axes, label: str) -> bool:
    """Whether a line of this label is drawn in axes."""
    return any(line.get_label() == label for line in axes.lines)


@pytest.mark.parametrize(
    ("only", "expected"),
    [
        (("bus_v",), ["Bus voltage"]),
        (("hall_counts",), ["Lever"]),
        (("mode_line_v",), ["Mode button"]),
        (("kill_cord", "deadman"), ["Dead-man", "Kill cord"]),
        (("mode",), ["Controller"]),
        (("left_pulse_us", "bus_v"), ["Pulses", "Bus voltage"]),
        (("speed_m_s", "bus_a"), ["Pack current", "Speed"]),
        (("right_thrust_n",), ["Thrust"]),
    ],
)
def test_a_panel_appears_only_where_its_columns_exist(only, expected):
    """A table with a few columns gets the panels of those columns and no others, in the usual order."""
    assert names(timeline(picture(only=only))) == expected


def test_a_whole_run_has_every_panel_in_order():
    """A run with all columns shows all panels, from the lever down to the speed."""
    assert names(usual()) == [
        *("Lever", "Dead-man", "Mode button", "Kill cord", "Controller", "Pulses", "Bus voltage", "Pack current"),
        *("Thrust", "Speed"),
    ]


def test_the_weakest_cell_appears_on_demand():
    """The weakest cell has a panel, with its limit, only when it is asked for."""
    figure = timeline(picture(), weakest_cell=True)
    assert in_view(panel(figure, "Weakest cell"), "cell limit 2.7 V")
    assert "Weakest cell" not in names(usual())


def test_the_rail_appears_when_it_sags():
    """The logic's rail has a panel once it comes near its brown-out."""
    rail_v = columns()["rail_v"].copy()
    rail_v[200:210] = 4.2
    figure = timeline(picture({"rail_v": rail_v}))
    assert in_view(panel(figure, "Rail"), "brown-out 4.3 V")
    assert any("4.20 V, 0.10 V under the brown-out" in text for text in words(panel(figure, "Rail")))


@pytest.mark.parametrize(("name", "label"), [("Bus voltage", "ESC cut-off 42 V"), ("Pack current", "slow trip 150 A")])
def test_a_limit_is_drawn_and_labelled_at_its_line(name, label):
    """A limit's label stands beside its line, at most a line of text away."""
    axes = panel(usual(), name)
    (line,) = [line for line in axes.lines if line.get_label() == label]
    (text,) = [text for text in axes.texts if text.get_text() == label]
    low, high = axes.get_ylim()
    line_at = (line.get_ydata()[0] - low) / (high - low)
    _, height_in = look.size_in(axes)
    assert abs(line_at - text.get_position()[1]) * height_in <= look.LINE_EM * look.SMALL_PT / 72.0


def test_a_far_limit_is_named_and_not_drawn():
    """The fast trip far over the data is named with an arrow, and does not flatten the data."""
    axes = panel(usual(), "Pack current")
    assert "\N{UPWARDS ARROW} fast trip 300 A" in words(axes)
    assert axes.get_ylim()[1] < 200.0


@pytest.mark.parametrize(("lowest_v", "expected"), [(50.0, "8.0 V over"), (40.5, "1.5 V under")])
def test_the_bus_says_how_near_it_came_to_the_cut_off(lowest_v, expected):
    """The lowest bus voltage is told with its distance from the ESCs' cut-off."""
    bus_v = np.full(400, 56.0)
    bus_v[100] = lowest_v
    axes = panel(timeline(picture({"bus_v": bus_v})), "Bus voltage")
    assert f"lowest {lowest_v:.1f} V, {expected} the ESC cut-off" in words(axes)


def test_a_bus_that_is_switched_off_is_not_its_lowest():
    """With the main switch open the bus is at nothing, which is no sag."""
    off = np.linspace(0.0, 1.0, 400) > 0.9
    changed = {"bus_v": np.where(off, 0.0, 55.0), "switch_closed": np.where(off, 0.0, 1.0)}
    axes = panel(timeline(picture(changed)), "Bus voltage")
    assert any(text.startswith("lowest 55.0 V") for text in words(axes))


def test_readings_with_no_hand_on_the_contact_are_counted():
    """A button that water presses twice says so in its panel."""
    read = np.zeros(400)
    read[50:60] = read[200:260] = 1.0
    axes = panel(timeline(picture({"mode_button": read})), "Mode button")
    assert "reads pressed twice with no hand on it" in words(axes)


def test_a_reading_that_outlasts_the_hand_by_a_filter_is_the_riders():
    """A press read a few milliseconds longer than it was is not called wrong."""
    read = columns()["deadman"].copy()
    last = int(np.flatnonzero(read)[-1])
    read[last : last + 10] = 1.0
    axes = panel(timeline(picture({"deadman": read})), "Dead-man")
    assert not any("no hand" in text for text in words(axes))


def test_a_chip_that_does_not_run_reads_nothing():
    """What an input reads while the chip is off is not counted as a press."""
    changed = {"mode_button": np.ones(400), "chip": np.full(400, float(supply.HELD))}
    assert not any("no hand" in text for text in words(panel(timeline(picture(changed)), "Mode button")))


def test_input_thresholds_are_drawn_at_their_fraction_of_the_rail():
    """The band in which an input keeps its reading runs from 0.3 to 0.7 of a rail of 5 V."""
    axes = panel(usual(), "Mode button")
    assert {"pressed to 1.5 V", "open from 3.5 V"} <= set(words(axes))
    flat = {float(line.get_ydata()[0]) for line in axes.lines if np.ptp(line.get_ydata()) == 0.0}
    assert {1.5, 3.5} <= flat


def test_modes_and_steps_are_bands_with_words():
    """The controller's panel carries words and not numbers."""
    assert {"driving", "stopped", "step 2"} <= set(words(panel(usual(), "Controller")))


def test_a_missing_pulse_is_a_gap():
    """A width of 0 is drawn as no pulse, and the scale stays that of the pulses."""
    pulse_us = columns()["left_pulse_us"].copy()
    pulse_us[:50] = 0.0
    axes = panel(timeline(picture({"left_pulse_us": pulse_us})), "Pulses")
    assert "gaps: no pulses sent" in words(axes)
    assert axes.get_ylim()[0] > 800.0


def test_recorded_pulses_are_drawn_beside_the_computed():
    """A replay's recorded pulses have lines and labels of their own."""
    changed = {"recorded_left_pulse_us": np.full(400, 1500.0)}
    assert {"left", "left, recorded", "right, dashed"} <= set(words(panel(timeline(picture(changed)), "Pulses")))


@pytest.mark.parametrize(
    ("column", "value", "expected"),
    [
        ("left_esc_mode", esc.CUT, "left ESC cut off"),
        ("right_esc_mode", esc.SIGNAL_LOST, "right ESC no signal"),
        ("protection_tripped", protection.CURRENT_HIGH, "pack open"),
        ("chip", supply.HELD, "chip in reset"),
        ("collapsed", 1, "bus collapsed"),
    ],
)
def test_what_is_wrong_is_named_and_shaded_in_every_panel(column, value, expected):
    """A stretch in which something is wrong has a bar with words, and a tint over all other panels."""
    values = np.zeros(400)
    values[200:300] = value
    figure = timeline(picture({column: values}))
    assert expected in words(panel(figure, "Out of order"))
    for name in names(figure)[1:]:
        (tint,) = [patch for patch in panel(figure, name).patches if to_hex(patch.get_facecolor()) == "#d55e00"]
        box = tint.get_path().transformed(tint.get_patch_transform()).get_extents()
        assert (box.x0, box.x1) == pytest.approx((0.5, 0.75))


def test_the_first_boot_is_not_out_of_order():
    """A chip that boots after power-up is not in reset."""
    chip = np.zeros(400)
    chip[:60] = supply.BOOTING
    assert "Out of order" not in names(timeline(picture({"chip": chip})))


def events(count: int) -> tuple[Event, ...]:
    """So many different events of all kinds, a hundredth of a second apart."""
    kinds = ("rider", "water", "controller", "drive", "supply", "fault")
    return tuple(Event(0.01 * k, f"thing {k}", f"reason {k}", kinds[k % len(kinds)]) for k in range(count))


@pytest.mark.parametrize("count", [0, 1, 9, 60])
def test_events_are_numbered_over_the_panels_as_in_the_list(count):
    """The marks and the list carry the same numbers, 1 to n, at most 14, in order of time and with equal times."""
    figure = timeline(picture(events=events(count)))
    marks, told = [axes for axes in figure.axes if not axes.axison][1:3]
    shown = min(count, 14)
    numbers = [str(number) for number in range(1, shown + 1)]
    assert [text for text in words(marks) if text.isdigit()] == numbers
    assert [text for text in words(told) if text.isdigit()] == numbers
    times = [text for text in words(told) if re.fullmatch(r"\d+\.\d{3} s", text)]
    assert times == sorted(times)
    lines = {float(line.get_xdata()[0]) for line in panel(figure, "Speed").lines if line.get_alpha() == 0.5}
    assert sorted(f"{t_s:.3f} s" for t_s in lines) == times


def test_the_important_events_are_kept():
    """Of thirty events in six kinds the list keeps the first of each kind, and then those of supply and drive."""
    entries, left_out = listed(events(30), 14)
    kinds = [entry.event.kind for entry in entries]
    assert len(entries) + len(left_out) == 30
    assert (kinds.count("supply"), kinds.count("drive")) == (5, 5)
    assert [kinds.count(kind) for kind in ("fault", "controller", "water", "rider")] == [1, 1, 1, 1]


def test_start_up_gives_way_to_what_has_a_reason():
    """An ESC that is merely ready is left out before a rider's press."""
    some = (Event(0.1, "left ESC is ready", "", "drive"), Event(0.2, "rider presses the dead-man", "", "rider"))
    entries, left_out = listed(some, 1)
    assert entries[0].event.kind == "rider"
    assert left_out == [some[0]]


def test_equal_clicks_of_water_are_one_entry():
    """Seven equal clicks that water made are told once, with their count and the last of them."""
    clicks = tuple(Event(0.1 * k, "button reads pressed", "wet", "water") for k in range(1, 8))
    entries, left_out = listed(clicks, 14)
    assert len(entries) == 1
    assert not left_out
    told = all_words(timeline(picture(events=clicks)))
    assert "button reads pressed \N{MULTIPLICATION SIGN}7, last at 0.700 s" in told.replace("\n", " ")


@pytest.mark.parametrize("sides", [("left", "right"), ("right", "left")])
def test_both_thrusters_doing_the_same_is_one_entry(sides):
    """Two ESCs that cut two milliseconds apart are told as one event, whichever was first."""
    both = tuple(Event(0.5 + 0.002 * k, f"{side} ESC cuts", "low bus", "drive") for k, side in enumerate(sides))
    (entry,) = listed(both, 14)[0]
    assert entry.event == Event(0.5, "each ESC cuts", "low bus", "drive")


def test_one_thruster_twice_is_two_entries():
    """The same ESC cutting twice, or two that cut apart, stay two events."""
    twice = (Event(0.5, "left ESC cuts", "", "drive"), Event(0.51, "left ESC cuts", "", "drive"))
    apart = (Event(0.5, "left ESC cuts", "", "drive"), Event(0.6, "right ESC cuts", "", "drive"))
    assert len(listed(twice, 14)[0]) == len(listed(apart, 14)[0]) == 2


def test_the_head_states_the_worst_verdict_and_the_closest_margin():
    """One failed requirement makes the page fail; failures stand first, and the closest margin is told."""
    verdicts = (*(Verdict("pass", f"fine {k}") for k in range(6)), Verdict("fail", "bus under the cut-off"))
    told = words(timeline(picture(verdicts=verdicts, closest="1.6 V at 4.9 s")).axes[0])
    assert "FAIL" in told
    assert "Closest: 1.6 V at 4.9 s" in told
    assert told.index("bus under the cut-off") < told.index("fine 0")
    assert "and 3 pass" in told


def test_side_by_side_shares_rows_and_scales():
    """Every row has the same name and scale in each column, and every column its own head."""
    calm = picture({"bus_a": np.full(400, 5.0), "bus_v": np.full(400, 57.0)}, title="In air")
    hard = picture({"bus_a": np.full(400, 220.0), "bus_v": np.full(400, 39.0)}, title="In the pool")
    figure = side_by_side([calm, hard])
    assert {"In air", "In the pool"} <= set(all_words(figure).split("\n"))
    for name in ("Mode button", "Controller", "Pulses", "Bus voltage", "Pack current", "Thrust"):
        left, right = (axes for axes in figure.axes if any(text.startswith(name) for text in words(axes)))
        assert left.get_ylim() == right.get_ylim()
        assert left.get_xlim() == right.get_xlim()


def test_side_by_side_says_what_a_run_lacks():
    """A row that only one run has is named as not recorded in the other."""
    figure = side_by_side([picture(), picture(only=("bus_v",))])
    assert all_words(figure).count("not recorded") == 5


@pytest.mark.parametrize("count", [0, 1, 5])
def test_side_by_side_takes_two_to_four(count):
    """Another number of pictures is refused."""
    with pytest.raises(ValueError, match="two to four"):
        side_by_side([picture()] * count)


def test_a_table_without_rows_is_refused():
    """There is nothing to draw in an empty table."""
    with pytest.raises(ValueError, match="at least one row"):
        picture({"bus_v": np.zeros(0)}, only=("bus_v",))


def noisy(rows: int) -> dict[str, np.ndarray]:
    """Every column as noise; steps, modes and contacts change in nearly every row."""
    draw = np.random.default_rng(5)
    whole = {"power_step": 5, "mode": 3, "deadman": 2, "mode_button": 2, "left_esc_mode": 5}
    known = {name: draw.normal(50.0, 9.0, rows) for name in columns(2)}
    return known | {name: draw.integers(0, top, rows).astype(np.float64) for name, top in whole.items()}


@pytest.mark.parametrize(
    "odd",
    [
        picture({name: values[:1] for name, values in columns().items()}),
        picture({name: np.full(400, np.nan) for name in columns()}),
        picture({name: np.zeros(400) for name in columns()}),
        picture(noisy(3000), events=events(60)),
        picture(only=("bus_v",), limits={}, modes={}),
        picture({"tank_degc": np.zeros(9)}, only=("tank_degc",), events=events(3)),
        picture(title="$x_1 \N{HIRAGANA LETTER A}" + 40 * " long", subtitle="", verdicts=(Verdict("undecided", ""),)),
        picture(limits={**LIMITS, "esc_cut_v": 70.0, "trip_slow_a": 10.0, "trip_fast_a": 20.0}),
    ],
    ids=["one row", "unknown", "zero", "noise", "no limits", "no panel", "odd words", "limits crossed"],
)
def test_odd_pictures_are_drawn_without_a_warning(odd, tmp_path):
    """One row, unknown values, noise, sixty events, odd words: all are drawn and saved, with no warning."""
    svg, png = save(timeline(odd), tmp_path / "odd")
    assert svg.read_bytes().startswith(b"<?xml")
    assert png.read_bytes().startswith(b"\x89PNG")


def test_a_long_noisy_run_stays_light():
    """A minute at 1 kHz of pure noise is drawn from few points, so that it draws quickly."""
    figure = timeline(picture(noisy(60_000), events=events(60)))
    most = 5 * look.COLUMNS + 5
    assert max(len(line.get_xdata()) for axes in figure.axes for line in axes.lines) <= most
    assert max(len(each.get_paths()) for axes in figure.axes for each in axes.collections) <= look.COLUMNS + 1


def test_svg_and_png_are_the_same_bytes_every_time(tmp_path):
    """One picture drawn twice, the second time under other settings of the user's, gives equal files."""
    drawn = picture(events=events(9), verdicts=(Verdict("pass", "fine"),))
    first = save(timeline(drawn), tmp_path / "first")
    with matplotlib.rc_context({"font.size": 21.0, "svg.hashsalt": "other", "lines.linewidth": 7.0}):
        second = save(timeline(drawn), tmp_path / "second")
    for one, other in zip(first, second, strict=True):
        assert one.read_bytes() == other.read_bytes()


def test_drawing_leaves_the_users_settings_alone(tmp_path):
    """Settings of matplotlib are after a figure what they were before."""
    before = dict(matplotlib.rcParams)
    save(side_by_side([picture(), picture()]), tmp_path / "page")
    assert dict(matplotlib.rcParams) == before


def test_figures_need_no_window_system():
    """Importing and drawing does not load pyplot, which would pick a window system."""
    code = "import sys, sim.face.figures; sys.exit('matplotlib.pyplot' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_saving_keeps_a_name_with_a_dot_and_makes_the_folder(tmp_path):
    """The two suffixes are added to the name, whatever is in it."""
    svg, png = save(timeline(picture(only=("bus_v",))), tmp_path / "new" / "run.v2")
    assert (svg.name, png.name) == ("run.v2.svg", "run.v2.png")
    assert sorted(path.name for path in svg.parent.iterdir()) == ["run.v2.png", "run.v2.svg"]


def test_saving_where_nothing_can_be_written_is_one_fault(tmp_path):
    """A folder that is a file is a clear fault, and leaves nothing behind."""
    (tmp_path / "taken").write_text("", encoding="utf-8")
    with pytest.raises(InputError):
        save(timeline(picture(only=("bus_v",))), Path(tmp_path / "taken" / "run"))
    assert [path.name for path in tmp_path.iterdir()] == ["taken"]


values_or_gaps = st.one_of(st.floats(-1e6, 1e6), st.just(float("nan")))


@given(values=st.lists(values_or_gaps, min_size=1, max_size=300), count=st.integers(1, 20))
def test_the_envelope_keeps_extremes_ends_and_gaps(values, count):
    """Thinning keeps lowest, highest, first and last point and any gap, invents none, and keeps the order."""
    y = np.array(values)
    t = np.arange(len(y), dtype=np.float64)
    kept_t, kept_y = look.envelope(t, y, count)
    np.testing.assert_array_equal(kept_y, y[kept_t.astype(int)])
    assert np.all(np.diff(kept_t) > 0.0)
    assert (kept_t[0], kept_t[-1]) == (t[0], t[-1])
    assert len(kept_t) <= 5 * count + 5
    assert np.isnan(kept_y).any() == np.isnan(y).any()
    if not np.isnan(y).all():
        assert (np.nanmin(kept_y), np.nanmax(kept_y)) == (np.nanmin(y), np.nanmax(y))


def test_the_envelope_keeps_a_single_sample_of_a_minute():
    """One wrong sample in 60 000 is still in the line."""
    y = np.zeros(60_000)
    y[31_234] = 4095.0
    t, kept = look.envelope(np.arange(60_000) / 1000.0, y)
    assert t[kept.argmax()] == 31.234


@given(wanted=st.lists(st.floats(0.0, 10.0), min_size=1, max_size=30).map(sorted), gap=st.floats(0.01, 0.3))
def test_places_are_spread_in_order_and_inside(wanted, gap):
    """Labels come out at least a gap apart, in their order, within the bounds that hold them all."""
    places = look.spread(wanted, gap, 0.0, 10.0)
    assert np.all(np.diff(places) >= gap - 1e-9)
    assert min(places) >= 0.0
    assert max(places) <= 10.0 + 1e-9


def test_places_far_enough_apart_stay_where_they_are():
    """Spreading moves nothing that has room."""
    assert look.spread([1.0, 2.0, 5.0], 0.5, 0.0, 10.0) == pytest.approx([1.0, 2.0, 5.0])


def test_crowded_places_stay_about_their_mean():
    """Three labels wanted in one place stand evenly about it."""
    assert look.spread([5.0, 5.0, 5.0], 1.0, 0.0, 10.0) == pytest.approx([4.0, 5.0, 6.0])


@given(values=st.lists(st.sampled_from([0.0, 1.0, 2.0, float("nan")]), min_size=1, max_size=60))
def test_runs_cover_the_clock_once(values):
    """Stretches of equal value follow one another from the first row to the end of the last."""
    t_s = np.arange(len(values)) / 8.0
    found = look.runs(t_s, np.array(values))
    assert found[0].start_s == 0.0
    assert [run.stop_s for run in found[:-1]] == [run.start_s for run in found[1:]]
    for t, value in zip(t_s, values, strict=True):
        (here,) = [run.value for run in found if run.start_s <= t < max(run.stop_s, run.start_s + 1e-9)]
        assert here == value or (here != here and value != value)
