"""The schema over a whole build: one fault, one sentence, at the key that is wrong."""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import pytest

from buildkit import document, validation
from buildkit.model import Fault

# A build with every key of the schema in it.
WHOLE: dict[str, Any] = {
    "build": "kitchen-hood",
    "about": "Runs the hood.",
    "board": "atmega328p-5v",
    "supply": {"rail": "5V", "volts": 5, "max_ma": 500},
    "mains": {"volts": 120, "hz": 60, "region": "us"},
    "ambient_c": 35,
    "probes": {
        "smoke": {
            "part": "pm-frame32", "wires": {"TXD": 8}, "address": 64, "value": "pm2_5",
            "unit": "ug/m3", "every_s": 1, "average": 10, "own_figures": {"refresh_s": 1},
        }
    },
    "loads": {
        "hood": {
            "part": "ssr-zero-cross-dc-control", "wires": {"CTRL+": 7},
            "draws": {"volts": 120, "amps": 1.1, "kind": "motor", "inrush_amps": 6},
            "cutout": "bimetal switch", "switches": "live", "own_figures": {"on_ma": 10},
        }
    },
    "displays": {
        "panel": {
            "part": "lcd1602-pcf8574", "wires": {"SDA": "A4"}, "address": 39, "rows": ["{smoke}"],
            "follows": "hood", "own_figures": {"columns_count": 16},
        }
    },
    "alarms": {
        "lamp": {
            "part": "led-indicator", "wires": {"A": 6}, "when": ["no-reading"],
            "own_figures": {"series_ohms": 470},
        }
    },
    "hands": {
        "boost": {
            "part": "button", "wires": {"A": 5}, "commands": "hood", "does": "run-for",
            "for_s": 600, "own_figures": {"debounce_ms": 40},
        }
    },
    "control": [
        {
            "drive": "hood", "by": "smoke", "start_at": 15, "stop_at": 9, "min_on_s": 60,
            "min_off_s": 60, "max_on_s": 14400, "run_on_s": 120, "if_no_reading": "off",
            "no_reading_after_s": 15, "stuck_after_s": 900,
        }
    ],
    "cables": {"smoke": {"length_m": 2, "awg": 24, "size_mm2": 0.2}},
    "between": {"smoke.TXD": {"part": "divider", "own_figures": {"upper_ohms": 5600}}},
}  # fmt: skip

Path = tuple[str | int, ...]
Walk = Iterator[tuple[Path, dict[str, Any]]]


def resolved(schema: dict[str, Any]) -> dict[str, Any]:
    """A schema with its reference followed."""
    reference = schema.get("$ref", "")
    return validation.schema("build")["$defs"][reference.rsplit("/", 1)[1]] if reference else schema


def walk(value: Any, schema: dict[str, Any], path: Path = ()) -> Walk:
    """Every value of a build with its path and its schema."""
    schema = resolved(schema)
    yield path, schema
    if isinstance(value, dict):
        known, other = schema.get("properties", {}), schema.get("additionalProperties")
        for key, child in value.items():
            yield from walk(child, known.get(key, other), (*path, key))
    elif isinstance(value, list):
        for index, child in enumerate(value):
            yield from walk(child, schema["items"], (*path, index))


PLACES = dict(walk(WHOLE, validation.schema("build")))


def said(path: Path) -> str:
    """A path as findings say it: ``control[0].by``."""
    text = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in path)
    return text.removeprefix(".")


def faults(build: Any) -> list[Fault]:
    tree = document.parse(json.dumps(build, ensure_ascii=False, indent=1).encode(), "build.yaml")
    return validation.faults(tree, "build")


def at(build: Any, path: Path) -> Any:
    for step in path:
        build = build[step]
    return build


def with_value(path: Path, value: Any) -> Any:
    build = copy.deepcopy(WHOLE)
    if not path:
        return value
    at(build, path[:-1])[path[-1]] = value
    return build


def test_the_whole_build_has_every_key_of_the_schema() -> None:
    assert faults(WHOLE) == []
    for path, schema in PLACES.items():
        assert all(key in at(WHOLE, path) for key in schema.get("properties", {}))


WRONG = {
    "string": [5, 1.5, True, None, [], {}, ["x"]],
    "number": ["15", "15 s", "", True, None, [], {}],
    "integer": ["15", 1.5, True, None, [], {}],
    "array": ["x", 5, None, {}, {"a": 1}],
    "object": ["x", 5, None, [], [{"a": 1}], False],
}
ENUM = ["nonsense", "", 3, True, None, [], {}]


def wrong_values() -> Iterator[tuple[Path, Any]]:
    for path, schema in PLACES.items():
        kinds = schema.get("type", [])
        kinds = [kinds] if isinstance(kinds, str) else kinds
        wrong = ENUM if "enum" in schema else WRONG[kinds[0]]
        fits = {"integer": int, "number": int | float}
        for value in wrong:
            others = [fits[kind] for kind in kinds[1:]]
            if not any(isinstance(value, other) and value is not True for other in others):
                yield path, value


@pytest.mark.parametrize(("path", "value"), list(wrong_values()), ids=str)
def test_a_wrong_kind_is_told_once_at_its_key(path: Path, value: Any) -> None:
    (fault,) = faults(with_value(path, value))
    assert fault.rule == ("doc.out-of-range" if "enum" in PLACES[path] else "doc.wrong-type")
    assert fault.at.path == said(path)
    assert fault.message
    assert fault.fix.endswith(".")


REQUIRED = [(p, key) for p, schema in PLACES.items() for key in schema.get("required", [])]


@pytest.mark.parametrize(("path", "key"), REQUIRED, ids=str)
def test_a_missing_key_is_told_once(path: Path, key: str) -> None:
    build = copy.deepcopy(WHOLE)
    del at(build, path)[key]
    (fault,) = faults(build)
    assert (fault.rule, fault.at.path) == ("doc.missing-key", said(path))
    assert f"has no '{key}'" in fault.message
    assert fault.fix.startswith(f"Add '{key}:'.")


KEYS = [(p, key) for p, schema in PLACES.items() for key in schema.get("properties", {})]


@pytest.mark.parametrize(("path", "key"), KEYS, ids=str)
def test_a_misspelt_key_is_told_once_and_not_as_missing(path: Path, key: str) -> None:
    build = copy.deepcopy(WHOLE)
    holder = at(build, path)
    misspelt = key + key[-1]
    holder[misspelt] = holder.pop(key)
    (fault,) = faults(build)
    assert (fault.rule, fault.at.path) == ("doc.unknown-key", said((*path, misspelt)))
    assert fault.fix.startswith(f"Did you mean '{key}'?")


LIMITS = [
    (path, word, schema[word])
    for path, schema in PLACES.items()
    for word in ("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum")
    if word in schema
]


@pytest.mark.parametrize(("path", "word", "limit"), LIMITS, ids=str)
def test_a_number_beyond_its_limit(path: Path, word: str, limit: float) -> None:
    outside = limit - 1 if "inimum" in word else limit + 1
    outside = limit if word.startswith("exclusive") else outside
    (fault,) = faults(with_value(path, outside))
    assert (fault.rule, fault.at.path) == ("doc.out-of-range", said(path))
    assert f"is {outside}; it must be" in fault.message
    assert fault.numbers == {"value": outside, "limit": limit}


CLOSED = [p for p, s in PLACES.items() if s.get("additionalProperties") is False]


@pytest.mark.parametrize("path", CLOSED, ids=str)
def test_a_merge_key_is_no_key(path: Path) -> None:
    build = copy.deepcopy(WHOLE)
    at(build, path)["<<"] = {"x": 1}
    (fault,) = faults(build)
    assert (fault.rule, fault.at.path) == ("doc.unknown-key", said((*path, "<<")))


def test_a_merge_key_is_no_name() -> None:
    (fault,) = faults(with_value(("probes", "<<"), WHOLE["probes"]["smoke"]))
    assert (fault.rule, fault.message) == ("doc.unsafe-name", "'<<' cannot be a name")


@pytest.mark.parametrize(
    ("path", "value", "message"),
    [
        (("about",), "x" * 401, "'about' has more than 400 characters"),
        (("loads", "hood", "cutout"), "", "'cutout' has fewer than 1 character"),
        (("loads", "hood", "cutout"), "x" * 81, "'cutout' has more than 80 characters"),
        (("displays", "panel", "rows"), ["x"] * 9, "'rows' has more than 8 items"),
        (("displays", "panel", "rows"), ["x", "y" * 201], "item 2 of 'rows' has more than 200 characters"),
        (("alarms", "lamp", "when"), [], "'when' has fewer than 1 item"),
        (("alarms", "lamp", "when"), ["no-reading", "rest"], "item 2 of 'when' is 'rest'; it must be one of no-reading, forced-rest"),
    ],
)  # fmt: skip
def test_lengths(path: Path, value: Any, message: str) -> None:
    (fault,) = faults(with_value(path, value))
    assert (fault.rule, fault.message) == ("doc.out-of-range", message)


# --- as it is written in YAML ------------------------------------------------


def written(old: str, new: str) -> list[Fault]:
    """Faults of a small build file in which one piece of text is replaced."""
    assert SMALL.count(old) == 1
    tree = document.parse(SMALL.replace(old, new).encode(), "build.yaml")
    return validation.faults(tree, "build")


SMALL = """\
build: kitchen-hood
board: atmega328p-5v
supply: {rail: 5V, max_ma: 500}
mains: {volts: 120, hz: 60, region: us}
probes:
  smoke: {part: pm-frame32, wires: {TXD: 8}, value: pm2_5, every_s: 1, address: 0x27}
displays:
  panel: {part: lcd1602-pcf8574, rows: ["a"]}
control:
  - drive: hood
    by: smoke
    start_at: 15
    stop_at: 9
    if_no_reading: off
    no_reading_after_s: 15
"""


@pytest.mark.parametrize("word", ["off", '"off"', "'off'", "on", '"on"'])
def test_off_and_on_mean_what_they_say(word: str) -> None:
    assert written("if_no_reading: off", f"if_no_reading: {word}") == []


@pytest.mark.parametrize(
    ("old", "new", "place", "message", "fix"),
    [
        ("if_no_reading: off", "if_no_reading: yes", "14:20", "'if_no_reading' is 'yes'; it must be one of off, on", "Known values: off, on."),
        ("if_no_reading: off", "if_no_reading: false", "14:20", "'if_no_reading' is false; it must be one of off, on", "Known values: off, on."),
        ("if_no_reading: off", "if_no_reading: OFF", "14:20", "'if_no_reading' is 'OFF'; it must be one of off, on", "Known values: off, on."),
        ("if_no_reading: off", "if_no_reading:", "14:19", "'if_no_reading' is nothing; it must be one of off, on", "Known values: off, on."),
        ("hz: 60", 'hz: "60"', "4:25", "'hz' is '60'; it must be one of 50, 60", "Write 60 without quotes."),
        ("region: us", "region: UK", "4:37", "'region' is 'UK'; it must be one of us, eu, iec, uk", "Known values: eu, iec, uk, us."),
        ("after_s: 15", "after_s: 15 s", "15:25", "'no_reading_after_s' must be a number, and is '15 s'", "Write a number, without a unit and without quotes."),
        ("after_s: 15", "after_s: 1,5", "15:25", "'no_reading_after_s' must be a number, and is '1,5'", "Write it with a point: 1.5."),
        ("start_at: 15", "start_at: .nan", "12:15", "'start_at' must be a number, and is '.nan'", "Write a number, without a unit and without quotes."),
        ("start_at: 15", "start_at: [15]", "12:15", "'start_at' must be a number, and is [15]", "Write a number."),
        ("wires: {TXD: 8}", "wires: [8]", "6:36", "'wires' must be a map of 'key: value' lines, and is [8]", "Write a map of 'key: value' lines."),
        ("wires: {TXD: 8}", "wires: TXD", "6:36", "'wires' must be a map of 'key: value' lines, and is 'TXD'", "Write a map of 'key: value' lines."),
        ("TXD: 8", "TXD: {pin: 8}", "6:42", "'TXD' must be text or a whole number, and is {\"pin\": 8}", "Write text or a whole number."),
        ('rows: ["a"]', "rows: a", "8:40", "'rows' must be a list, and is 'a'", "Write a list."),
        ('rows: ["a"]', "rows: [5]", "8:41", "item 1 of 'rows' must be text, and is 5", "Put it in double quotes."),
        ('rows: ["a"]', "rows: [{smoke}]", "8:41", "item 1 of 'rows' must be text, and is {\"smoke\": null}", "Put it in double quotes."),
        ("address: 0x27", "address: 0x80", "6:81", "'address' is 0x80; it must be at most 127", "Give a number at most 127."),
        ("address: 0x27", 'address: "0x27"', "6:81", "'address' must be a whole number, and is '0x27'", "Write a whole number, without a unit and without quotes."),
        ("build: kitchen-hood", "build: 2024", "1:8", "'build' must be text, and is 2024", "Put it in double quotes."),
        ("build: kitchen-hood", "build:", "1:7", "'build' must be text, and is nothing", "Write text."),
        ("drive: hood", "drives: hood", "10:5", "'drives' is not a key of item 1 of 'control'", "Did you mean 'drive'? Known keys here: by, drive, if_no_reading, max_on_s, min_off_s, min_on_s, no_reading_after_s, run_on_s, start_at, stop_at, stuck_after_s."),
        ("  smoke:", "  Smoke Alarm:", "6:3", "'Smoke Alarm' cannot be a name", "Use lower-case letters and digits, joined by '_', beginning with a letter, 24 at most."),
        ("  smoke:", "  a_name_much_longer_than_it_may_be:", "6:3", "'a_name_much_longer_than_it_may_be' cannot be a name", "Use lower-case letters and digits, joined by '_', beginning with a letter, 24 at most."),
        ("  smoke:", "  5:", "6:3", "'5' cannot be a name", "Use lower-case letters and digits, joined by '_', beginning with a letter, 24 at most."),
    ],
)  # fmt: skip
def test_faults_read_well(old: str, new: str, place: str, message: str, fix: str) -> None:
    (fault,) = written(old, new)
    assert str(fault.at) == f"build.yaml:{place}"
    assert fault.message == message
    assert fault.fix == fix


TRICKS = [
    "../x", "a/b", "C:\\x", "/etc/passwd", "kitchen.", "kitchen hood", " ", "", ".", "..", "-a", "a-",
    "a--b", "Küche", "🍳", "ａ", "a\n", "KITCHEN", "1st", "a" * 41, "a" * 300,
    "A b" * 100, "~root", "$HOME", "%TEMP%", "a;rm -rf", "a\u202eb",
]  # fmt: skip


@pytest.mark.parametrize("name", [*TRICKS, "a_b"], ids=ascii)
def test_names_that_could_not_be_a_folder(name: str) -> None:
    (fault,) = faults(with_value(("build",), name))
    assert (fault.rule, fault.at.path) == ("doc.unsafe-name", "build")
    assert fault.message.isprintable()
    assert len(fault.message) < 70


@pytest.mark.parametrize("name", [*TRICKS, "a-b", "a__b", "_a", "a_", "x" * 25], ids=ascii)
def test_names_of_parts_that_could_not_stand_in_a_sketch(name: str) -> None:
    build = copy.deepcopy(WHOLE)
    build["probes"][name] = build["probes"].pop("smoke")
    (fault,) = faults(build)
    assert fault.rule == "doc.unsafe-name"
    assert fault.at.path == f"probes.{name}"


@pytest.mark.parametrize("top", ["- a\n- b", "just text", "5", "~", '""', "[]"])
def test_a_file_that_is_no_map(top: str) -> None:
    (fault,) = validation.faults(document.parse(top.encode(), "build.yaml"), "build")
    assert fault.rule == "doc.wrong-type"
    assert fault.message.startswith("the file must be a map of 'key: value' lines, and is ")


# --- words -------------------------------------------------------------------


def test_unknown_words_are_answered_with_the_nearest() -> None:
    assert validation.did_you_mean("smok", ["hood", "smoke"], "probes") == (
        "Did you mean 'smoke'? Known probes: hood, smoke."
    )
    assert validation.did_you_mean("zzz", ["hood"], "loads") == "Known loads: hood."
    assert validation.did_you_mean("zzz", [], "loads") == "There are no loads here."


def test_known_words_are_counted_as_people_count() -> None:
    labels = ["A0", "10", "9", "GND", "1", "3V3", "D10", "D9"]
    assert validation.did_you_mean("zzz", labels, "pins") == (
        "Known pins: 1, 3V3, 9, 10, A0, D9, D10, GND."
    )
    many = [str(n) for n in range(20)]
    assert validation.choices(many) == "0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, … (20 in all)"


def test_clipped_words_are_short_and_visible() -> None:
    assert validation.clip("a\x1b[31mb\nc") == "a?[31mb?c"
    assert validation.clip("x" * 41) == "x" * 39 + "…"
    assert validation.clip("x" * 40) == "x" * 40
