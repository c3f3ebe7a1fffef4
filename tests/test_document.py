"""YAML and text files: every way of being broken is one clear line with its place, and nothing half read or written."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import Annotated, Literal

import pytest
import yaml
from file_cases import faults
from hypothesis import given
from hypothesis import strategies as st
from pydantic import Field, model_validator

from sim.base.document import DEPTH_MAX, LONGEST, Entry, composed, load, refusal, spot_in_scalar
from sim.base.errors import Fault, InputError, one_line, shown
from sim.base.files import read_text, write_text, written_whole
from sim.base.wording import unit_of


class Part(Entry):
    """A part with one of each kind of key."""

    bus_v: Annotated[float, Field(gt=0.0)]
    count: Annotated[int, Field(ge=0, le=9)] = 1
    on: bool = False
    kind: Literal["soft", "hard"] = "soft"


class Whole(Entry):
    """A file of parts."""

    name: str
    parts: tuple[Part, ...] = ()
    span_s: tuple[float, float] = (0.0, 1.0)

    @model_validator(mode="after")
    def _three(self) -> Whole:
        if len(self.parts) > 2:
            raise refusal("two parts at most", f"{len(self.parts)}", "parts", 2, "bus_v")
        return self


def said(tmp_path: Path, text: str | bytes) -> list[str]:
    """What is wrong with a file of this text."""
    path = tmp_path / "f.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return faults(lambda: load(path, Whole, "a test file"), tmp_path)


def read(tmp_path: Path, text: str | bytes) -> Whole:
    """A file of this text."""
    path = tmp_path / "f.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load(path, Whole, "a test file")


@pytest.mark.parametrize("text", ["", " \n\n", "# only a comment\n", "\ufeff"])
def test_an_empty_file_is_said_to_be_empty(tmp_path: Path, text: str) -> None:
    """A file with nothing in it is one fault at its start."""
    assert said(tmp_path, text) == ["f.yaml:1:1: expected a test file; got an empty file"]


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    """A folder in place of a file is one fault."""
    assert faults(lambda: load(tmp_path / "a", Whole, "a test file"), tmp_path) == [
        "a: expected a test file; got no such file or directory"
    ]
    (tmp_path / "a").mkdir()
    assert faults(lambda: load(tmp_path / "a", Whole, "a test file"), tmp_path) == [
        "a: expected a test file; got is a directory"
    ]


def test_a_path_that_no_system_takes_is_a_fault(tmp_path: Path) -> None:
    """A zero character in a path is one fault, on one line."""
    assert faults(lambda: read_text(tmp_path / "a\0b", "a test file"), tmp_path) == [
        "a\\x00b: expected a test file; got embedded null byte"
    ]


@pytest.mark.parametrize(
    ("junk", "where", "got"),
    [
        (bytes(range(1, 256)), "2:118", "expected a test file in UTF-8; got the byte 0x80"),
        ("name: x\n".encode("utf-16"), "1:1", "expected a test file in UTF-8; got the byte 0xff"),
        ("name: x\nparts: b\xe4d\n".encode("latin-1"), "2:9", "expected a test file in UTF-8; got the byte 0xe4"),
        (b"\0" * 50, "1:1", "expected readable text; got the character U+0000"),
        (b"name: x\n \x07", "2:2", "expected readable text; got the character U+0007"),
    ],
)
def test_what_is_no_text_is_told_with_its_place(tmp_path: Path, junk: bytes, where: str, got: str) -> None:
    """Bytes that are no UTF-8, and characters that are no text, are one fault with line and column."""
    assert said(tmp_path, junk) == [f"f.yaml:{where}: {got}"]


@pytest.mark.parametrize("text", ["\ufeffname: x\n", "name: x\r\nparts: []\r\n", "name: x\rparts: []\r"])
def test_byte_order_marks_and_line_ends_of_any_kind_are_read(tmp_path: Path, text: str) -> None:
    """A byte order mark and Windows line ends change nothing."""
    assert read(tmp_path, text.encode()) == Whole(name="x")


def test_lines_are_counted_alike_with_any_line_end(tmp_path: Path) -> None:
    """A fault in a file with Windows line ends stands in the same line and column."""
    text = "name: x\nparts:\n  - bus_v: -1\n"
    assert said(tmp_path, text) == said(tmp_path, text.replace("\n", "\r\n"))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("name: x\nparts:\n\t- 1\n", "3:1: expected valid YAML; got a tab, where YAML takes blanks"),
        (
            "name: x\nparts: [\n  1\n",
            "4:1: expected ',' or ']'; got the end of the file while parsing a flow sequence that starts in line 2",
        ),
        (
            "name: 'x\n",
            "2:1: expected valid YAML; got unexpected end of stream while scanning a quoted scalar"
            " that starts in line 1",
        ),
        ("name: x: y\n", "1:8: expected valid YAML; got mapping values are not allowed here"),
        ("name: x\n---\nname: y\n", "2:1: expected a single document in the stream; got another document"),
        ("name: *x\n", "1:7: expected valid YAML; got undefined alias 'x'"),
        ("name: @x\n", "1:7: expected valid YAML; got character '@' that cannot start any token"),
    ],
)
def test_broken_yaml_is_told_where_it_breaks(tmp_path: Path, text: str, expected: str) -> None:
    """Text that is no YAML is one fault at the place that shows it, in plain words."""
    assert said(tmp_path, text) == [f"f.yaml:{expected}"]


@pytest.mark.parametrize(
    ("text", "got"), [("~", "nothing"), ("hello", "'hello'"), ("[]", "an empty list"), ("- 1", "a list")]
)
def test_another_thing_than_a_mapping_is_told(tmp_path: Path, text: str, got: str) -> None:
    """A whole file that is no mapping of keys is one fault."""
    assert said(tmp_path, text) == [f"f.yaml:1:1: expected a mapping of keys; got {got}"]


def test_a_key_given_twice_is_a_fault_at_any_depth(tmp_path: Path) -> None:
    """The second of two equal keys is told, at the top and in a part of a list."""
    assert said(tmp_path, "name: x\nname: y\nparts: [{bus_v: 1, bus_v: 2}]\n") == [
        "f.yaml:2:1: name: expected each key once; got a second one",
        "f.yaml:3:20: parts[0].bus_v: expected each key once; got a second one",
    ]


def test_a_key_given_twice_hides_no_other_fault(tmp_path: Path) -> None:
    """Faults of the text and of the values are said together, in the order of the lines."""
    assert said(tmp_path, "sort: 1\nname: x\nname: y\nparts: [{bus_v: -1}]\n") == [
        "f.yaml:1:1: sort: expected one of the keys name, parts, span_s; got unknown key sort",
        "f.yaml:3:1: name: expected each key once; got a second one",
        "f.yaml:4:17: parts[0].bus_v: expected a number in volts, more than 0; got '-1'",
    ]


@pytest.mark.parametrize(("key", "where"), [("[a, b]", "1:1"), ("? {a: b}\n", "1:3")])
def test_a_key_must_be_plain(tmp_path: Path, key: str, where: str) -> None:
    """A list or mapping as a key is a fault."""
    assert f"f.yaml:{where}: expected a plain key; got a list or mapping as key" in said(
        tmp_path, f"{key}: 1\nname: x\n"
    )


@pytest.mark.parametrize("tag", ["!mine", "tag:yaml.org,2002:python/object/apply:os.getcwd"])
def test_a_tag_is_refused(tmp_path: Path, tag: str) -> None:
    """A tag that asks for another type is a fault, and is never acted upon."""
    written = f"!<{tag}>" if tag.startswith("tag") else tag
    assert said(tmp_path, f"name: {written} x\n") == [f"f.yaml:1:7: name: expected a value without a tag; got {tag}"]


def test_an_alias_repeats_what_it_names(tmp_path: Path) -> None:
    """An anchor and its aliases are read as the same part, written again."""
    whole = read(tmp_path, "name: x\nparts:\n  - &one {bus_v: 3}\n  - *one\n")
    assert whole.parts == (Part(bus_v=3.0), Part(bus_v=3.0))


@pytest.mark.parametrize("text", ["name: &a [*a]", "name: &a [*a, *a]", "name: &a {x: *a, y: *a}"])
def test_an_alias_that_contains_itself_ends(tmp_path: Path, text: str) -> None:
    """An alias inside its own anchor is one fault, however often it branches."""
    (line,) = said(tmp_path, text)
    assert line.startswith("f.yaml:1:7: name")
    assert line.endswith(f"at most {DEPTH_MAX} levels, one inside the other; got more")


@pytest.mark.parametrize("levels", [100, 5000])
def test_deep_nesting_ends(tmp_path: Path, levels: int) -> None:
    """A hundred or thousands of levels are one fault."""
    (line,) = said(tmp_path, f"name: {'[' * levels}{']' * levels}\n")
    assert line.endswith(f"expected at most {DEPTH_MAX} levels, one inside the other; got more")


def test_aliases_of_aliases_end(tmp_path: Path) -> None:
    """A short text that aliases blow up to millions of parts is one fault, within seconds."""
    text = "a: &a [x,x,x,x,x,x,x,x,x]\n"
    for name, before in zip("bcdefgh", "abcdefg", strict=True):
        text += f"{name}: &{name} [{','.join([f'*{before}'] * 9)}]\n"
    started = time.monotonic()
    (line,) = said(tmp_path, text)
    assert "expected at most 200000 parts, aliases followed; got more" in line
    assert time.monotonic() - started < 10.0


def test_a_huge_file_is_refused_at_once(tmp_path: Path) -> None:
    """Ten megabytes are one fault, without the minutes it would take to read them as YAML."""
    assert said(tmp_path, "name: x\n" + "# filling\n" * 1_000_000) == [
        f"f.yaml: expected a test file of at most {LONGEST} characters; got 10000008"
    ]


def test_an_unknown_key_says_which_keys_there_are(tmp_path: Path) -> None:
    """An unknown key in a part of a list names the keys of that part, and the nearest."""
    assert said(tmp_path, "name: x\nparts:\n  - bus_v: 1\n    cuont: 2\n") == [
        "f.yaml:4:5: parts[0].cuont: expected one of the keys bus_v, count, kind, on (did you mean count?);"
        " got unknown key cuont"
    ]


@pytest.mark.parametrize("key", ["~", "1", "yes", "<<"])
def test_odd_keys_are_unknown_keys(tmp_path: Path, key: str) -> None:
    """What YAML would turn into something else is still the key that was written."""
    (line,) = said(tmp_path, f"name: x\n{key}: 1\n")
    assert line == f"f.yaml:2:1: {key}: expected one of the keys name, parts, span_s; got unknown key {key}"


def test_a_file_of_another_kind_is_one_fault(tmp_path: Path) -> None:
    """Many keys that nothing asks for, and most of those needed not there: nobody wants a line for each."""
    assert said(tmp_path, "one: 1\ntwo: 2\nthree: 3\nparts: []\nfour: [\nfive: 5]\n") == [
        "f.yaml:1:1: expected a test file, with the keys name; got one with the keys one, two, three, four"
    ]
    assert len(said(tmp_path, "one: 1\ntwo: 2\nthree: 3\n")) == 4
    assert len(said(tmp_path, "nam: x\npart: 2\nspan: 3\nparst: 4\n")) == 5
    assert len(said(tmp_path, "name: x\none: 1\ntwo: 2\nthree: 3\nfour: 4\nfive: 5\n")) == 5


def test_a_missing_key_says_what_it_takes(tmp_path: Path) -> None:
    """A key that is not there is told with its place and what it would take."""
    assert said(tmp_path, "parts:\n  - count: 2\n") == [
        "f.yaml:1:1: name: expected this key, with text; got no such key",
        "f.yaml:2:5: parts[0].bus_v: expected this key, with a number in volts; got no such key",
    ]


@pytest.mark.parametrize(
    ("key", "text", "expected"),
    [
        ("bus_v", "nan", "a number in volts, finite; got 'nan'"),
        ("bus_v", "NaN", "a number in volts, finite; got 'NaN'"),
        ("bus_v", ".nan", "a number in volts; got '.nan'"),
        ("bus_v", "inf", "a number in volts, finite; got 'inf'"),
        ("bus_v", "-Infinity", "a number in volts, finite; got '-Infinity'"),
        ("bus_v", ".inf", "a number in volts; got '.inf'"),
        ("bus_v", "-.INF", "a number in volts; got '-.INF'"),
        ("bus_v", "1e999", "a number in volts, finite; got '1e999'"),
        ("bus_v", "on", "a number in volts; got 'on'"),
        ("bus_v", "12 V", "a number in volts; got '12 V'"),
        ("bus_v", "1,5", "a number in volts; got '1,5'"),
        ("bus_v", "0x10", "a number in volts; got '0x10'"),
        ("bus_v", "~", "a number in volts; got nothing"),
        ("bus_v", "[1]", "a number in volts; got a list"),
        ("bus_v", "{a: 1}", "a number in volts; got a mapping"),
        ("bus_v", "0", "a number in volts, more than 0; got '0'"),
        ("count", "1.5", "a whole number; got '1.5'"),
        ("count", "1e1", "a whole number; got '1e1'"),
        ("count", "10", "a whole number, at most 9; got '10'"),
        ("count", "-1", "a whole number, at least 0; got '-1'"),
        ("count", "true", "a whole number; got 'true'"),
        ("on", "maybe", "true or false; got 'maybe'"),
        ("on", "2", "true or false; got '2'"),
        ("on", "[]", "true or false; got an empty list"),
        ("kind", "sofd", "one of soft, hard (did you mean soft?); got 'sofd'"),
        ("kind", "~", "one of soft, hard; got nothing"),
    ],
)
def test_a_value_of_another_kind_says_what_the_key_takes(tmp_path: Path, key: str, text: str, expected: str) -> None:
    """The key's type and unit are said, and what was written in its place."""
    other = "" if key == "bus_v" else "bus_v: 1\n    "
    (line,) = said(tmp_path, f"name: x\nparts:\n  - {other}{key}: {text}\n")
    assert line.partition(" ")[2] == f"parts[0].{key}: expected {expected}"
    assert line.startswith("f.yaml:3:" if key == "bus_v" else "f.yaml:4:")


@pytest.mark.parametrize(
    ("text", "value"),
    [("1e3", 1000.0), ("'5'", 5.0), ('"5"', 5.0), (".5", 0.5), ("5.", 5.0), ("+1", 1.0), ("4.7e-4", 4.7e-4)],
)
def test_numbers_are_read_as_they_are_written(tmp_path: Path, text: str, value: float) -> None:
    """A number is a number with or without quotes, point or exponent, whatever YAML makes of it."""
    assert read(tmp_path, f"name: x\nparts: [{{bus_v: {text}}}]\n").parts[0].bus_v == value


@pytest.mark.parametrize(
    ("text", "value"), [("on", True), ("yes", True), ("True", True), ("off", False), ("no", False)]
)
def test_words_for_true_and_false_are_read(tmp_path: Path, text: str, value: bool) -> None:
    """The usual words for true and false are taken where a key wants one."""
    assert read(tmp_path, f"name: x\nparts: [{{bus_v: 1, on: {text}}}]\n").parts[0].on is value


@pytest.mark.parametrize("text", ["on", "1e3", "2024-01-01", "12:30", "no", "0o7"])
def test_text_stays_the_text_that_was_written(tmp_path: Path, text: str) -> None:
    """A key that takes text gets the text, not what YAML would read in it."""
    assert read(tmp_path, f"name: {text}\n").name == text


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("parts: 1", "parts: expected a list; got '1'"),
        ("parts: {bus_v: 1}", "parts: expected a list; got a mapping"),
        ("parts: [1]", "parts[0]: expected a mapping of keys; got '1'"),
        ("span_s: [1, x]", "span_s[1]: expected a number in seconds; got 'x'"),
        ("name: [1]", "name: expected text; got a list"),
        ("name: {a: b}", "name: expected text; got a mapping"),
    ],
)
def test_lists_and_mappings_in_the_wrong_place_are_told(tmp_path: Path, text: str, expected: str) -> None:
    """A list for a mapping, a mapping for text and so on are one fault each."""
    name = "" if text.startswith("name") else "name: x\n"
    assert [line.partition(" ")[2] for line in said(tmp_path, f"{name}{text}\n")] == [expected]


def test_a_relation_points_to_the_key_that_breaks_it(tmp_path: Path) -> None:
    """A validator of the whole names the part and key at fault, and the fault stands there."""
    text = "name: x\nparts:\n  - {bus_v: 1}\n  - {bus_v: 1}\n  - {count: 1, bus_v: 1}\n"
    assert said(tmp_path, text) == ["f.yaml:5:23: parts[2].bus_v: expected two parts at most; got 3"]


def test_every_fault_of_a_file_is_said_at_once_in_the_order_of_its_lines(tmp_path: Path) -> None:
    """Faults of several parts come together, sorted by line and column."""
    text = "parts:\n  - {bus_v: x, kind: y}\n  - {bus_v: 1, other: 2}\nmore: 1\n"
    lines = said(tmp_path, text)
    assert [line.split(" ")[0] for line in lines] == [
        "f.yaml:1:1:",
        "f.yaml:2:13:",
        "f.yaml:2:22:",
        "f.yaml:3:16:",
        "f.yaml:4:1:",
    ]


def test_a_fault_stays_on_its_line(tmp_path: Path) -> None:
    """A value with line ends and control characters is shown with escapes, a long one cut."""
    (line,) = said(tmp_path, 'name: x\nparts: [{bus_v: "a\\nb\\e[31m"}]\n')
    assert line.endswith("got 'a\\nb\\x1b[31m'")
    (line,) = said(tmp_path, f"name: x\nparts: [{{bus_v: {'9' * 400}}}]\n")
    assert line.endswith(f"got '{'9' * 60}... (400 characters)'")


def test_escapes_leave_printable_text_alone() -> None:
    """What prints stays as it is, blanks and letters of any script too."""
    assert one_line("a  b µ ☃") == "a  b µ ☃"
    assert one_line("a\tb\u2028") == "a\\tb\\u2028"
    assert shown("x" * 60) == "x" * 60


def test_a_fault_without_a_path_starts_with_its_key() -> None:
    """A fault of nobody's file has no place before the key."""
    assert str(Fault("", "seed", "a number", "x")) == "seed: expected a number; got x"


@pytest.mark.parametrize(
    ("key", "unit"),
    [
        ("bus_v", "volts"),
        ("rail_v_nominal", "volts"),
        ("drag_kg_m", "kilograms per metre"),
        ("conductivity_s_m", "siemens per metre"),
        ("sensitivity_v_tesla", "volts per tesla"),
        ("kv_rpm_v", "turns a minute per volt"),
        ("at_s", "seconds"),
        ("bounce_us_mean", "microseconds"),
        ("low_frac", "a fraction of 1"),
        ("kt_at_0", ""),
        ("series", ""),
        ("v", ""),
        ("s_or_so", ""),
    ],
)
def test_the_unit_is_read_from_the_end_of_the_key(key: str, unit: str) -> None:
    """The longest unit before the qualifiers counts; the first word is never one."""
    assert unit_of(key) == unit


@given(
    st.lists(st.text("abcxyz()<>=.1", min_size=1, max_size=6), min_size=1, max_size=12),
    st.sampled_from(["'", '"', ">\n      ", "|\n      ", ">-  # why\n      ", "&a '", "!!str ", ""]),
    st.data(),
)
def test_a_character_of_a_scalar_is_found_in_the_file(words: list[str], opening: str, data: st.DataObject) -> None:
    """Whatever the scalar's style and however it is broken over lines, a place in it is the same character."""
    gaps = data.draw(st.lists(st.sampled_from([" ", "\n      "]), min_size=len(words), max_size=len(words)))
    broken = "".join(gap + word for gap, word in zip(gaps, words, strict=True)).strip()
    closing = opening[-1] if opening[-1:] in ("'", '"') else ""
    # A plain text that begins with a sign would be another thing in YAML.
    source = f"formula: {opening}a{broken}{closing}\n"
    node = yaml.compose(source).value[0][1]
    start = (node.start_mark.line + 1, node.start_mark.column + 1)
    offset = data.draw(st.integers(0, len(node.value) - 1))
    line, column = spot_in_scalar(source, start, node.value, offset)
    assert node.value[offset].isspace() or source.splitlines()[line - 1][column - 1] == node.value[offset]


def test_the_end_of_a_scalar_is_the_place_behind_its_last_character() -> None:
    """A fault at the end of a text stands just behind it, inside a closing quote."""
    assert spot_in_scalar("a: 'b c'\n", (1, 4), "b c", 3) == (1, 8)


def test_places_of_parts_are_those_of_the_text(tmp_path: Path) -> None:
    """Each part's mark is the line and column it starts in."""
    (tmp_path / "f.yaml").write_text("a:\n  - b: 1\n", encoding="utf-8")
    data, marks, found = composed(tmp_path / "f.yaml", "a test file")
    assert (data, found) == ({"a": [{"b": "1"}]}, [])
    assert marks[("a", 0, "b")] == (2, 8)
    assert marks[("a", 0, "b", "key")] == (2, 5)


def test_writing_replaces_the_whole_file(tmp_path: Path) -> None:
    """A written file holds the text, and nothing else is left in the folder."""
    path = tmp_path / "new" / "f.txt"
    write_text(path, "one\n")
    write_text(path, "two\n")
    assert path.read_text(encoding="utf-8") == "two\n"
    assert os.listdir(path.parent) == ["f.txt"]


def test_a_failed_writing_leaves_the_old_file(tmp_path: Path) -> None:
    """What breaks while writing leaves the file as it was, and no second one."""
    path = tmp_path / "f.txt"
    write_text(path, "old\n")

    def breaks() -> None:
        with written_whole(path) as temporary:
            temporary.write_text("half", encoding="utf-8")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        breaks()
    assert path.read_text(encoding="utf-8") == "old\n"
    assert os.listdir(tmp_path) == ["f.txt"]


@pytest.mark.parametrize("place", [".", "f.txt/below", "sub"])
def test_a_place_that_cannot_be_written_is_a_fault(tmp_path: Path, place: str) -> None:
    """A folder, or a file in place of a folder, is one fault and leaves nothing behind."""
    (tmp_path / "f.txt").write_text("old\n", encoding="utf-8")
    (tmp_path / "sub").mkdir()
    with pytest.raises(InputError):
        write_text(tmp_path / place, "new\n")
    assert sorted(os.listdir(tmp_path)) == ["f.txt", "sub"]


def test_writing_keeps_a_link(tmp_path: Path) -> None:
    """A link stays a link, and what it leads to is written."""
    (tmp_path / "real.txt").write_text("old\n", encoding="utf-8")
    (tmp_path / "link.txt").symlink_to(tmp_path / "real.txt")
    write_text(tmp_path / "link.txt", "new\n")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_text(encoding="utf-8") == "new\n"


def test_writing_into_a_pipe_leaves_it_a_pipe(tmp_path: Path) -> None:
    """What is no file (a pipe, a device) is written to, never replaced by a file."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[str] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_text(encoding="utf-8")))
    reader.start()
    write_text(pipe, "through\n")
    reader.join(timeout=10.0)
    assert heard == ["through\n"]
    assert pipe.is_fifo()
