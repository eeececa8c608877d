"""The sketch's text: what every sketch holds to, and hostile words that stay words."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from buildkit import checking, escapes, scene, sketch
from buildkit.places import data_dir
from buildkit.units import shown_decimals, units_like
from tests.chip_world import (
    AVR_BOARDS,
    EXAMPLE_NAMES,
    circuit_of,
    compiled,
    example_text,
    tables,
)

HOSTILE = [
    '"); digitalWrite(7, HIGH); //',
    "*/ int main() {} /*",
    "ends with a backslash \\",
    "trigraph ??/ and ??' here",
    'quotes " and \\" and %s %n {{ braces }}',
    "\u202eright to left\u202c and zero\u200bwidth",
    "line\nbreak and\ttab",
    "#include <evil>",
    "µ ° Ω é 日本",
    "{# comment #} {% raw %} {{ s.board }}",
]


def _hostile_build(about: str, row: str) -> str:
    text = example_text("kitchen-hood", "atmega328p-5v")
    text = re.sub(
        r"^about: .*$",
        lambda _: "about: " + json.dumps(about, ensure_ascii=False),
        text,
        flags=re.MULTILINE,
    )
    rows = json.dumps(["x" + row.replace("{", "(").replace("}", ")")], ensure_ascii=False)
    return re.sub(r"^    rows: .*$", lambda _: f"    rows: {rows}", text, flags=re.MULTILINE)


def _bones(text: str) -> str:
    """The sketch without its comments and string literals, as a C++ lexer would see it."""
    assert "/*" not in re.sub(r"//[^\n]*|\"(?:[^\"\\\n]|\\.)*\"", "", text)
    # Phase 2 of translation joins lines at a backslash: there must be none at a line's end.
    assert not re.search(r"\\\s*$", text, re.MULTILINE)
    assert "??" not in re.sub(r"//[^\n]*", "", text)
    bare = re.sub(
        r"\"(?:[^\"\\\n]|\\.)*\"|//[^\n]*", lambda m: '""' if m[0][0] == '"' else "", text
    )
    return re.sub(r"\s+", " ", bare)


BENIGN = _bones(sketch.render(circuit_of(_hostile_build("plain", "plain"))))


@pytest.mark.parametrize("words", HOSTILE)
def test_hostile_words_change_no_code(words: str) -> None:
    text = sketch.render(circuit_of(_hostile_build(words, words)))
    assert _bones(text) == BENIGN
    assert text.isprintable() or all(c.isprintable() or c == "\n" for c in text)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.text(max_size=60))
def test_no_words_change_any_code(words: str) -> None:
    # YAML takes no control characters but tab and line ends; JSON quoting writes the others out.
    words = "".join(c for c in words if c.isprintable() or c in "\n\t")
    assert _bones(sketch.render(circuit_of(_hostile_build(words, words)))) == BENIGN


@pytest.mark.slow
def test_hostile_words_compile(tmp_path: Path) -> None:
    for number, words in enumerate(HOSTILE):
        compiled(circuit_of(_hostile_build(words, words)), tmp_path / str(number))


@given(st.binary(max_size=40))
def test_a_literal_says_the_bytes_back(codes: bytes) -> None:
    text = escapes.literal(codes)
    assert text.isascii()
    said = re.sub(r"\\([0-7]{3})", lambda m: chr(int(m[1], 8)), text[1:-1])
    assert said.encode("latin-1") == codes


@given(st.text(max_size=80))
def test_a_comment_stays_on_its_line(words: str) -> None:
    line = escapes.comment(words)
    assert len(f"// {line}".splitlines()) == 1
    assert "\\" not in line


@pytest.mark.parametrize("board", AVR_BOARDS)
@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_what_every_sketch_holds_to(name: str, board: str) -> None:
    circuit = circuit_of(example_text(name, board))
    text = sketch.render(circuit)
    bones = _bones(text)
    setup = bones[bones.index("void setup() {") :]
    first = setup.removeprefix("void setup() {").strip()
    loads = list(circuit.build.loads)
    # Loads rest before anything else happens, and the watchdog is fed in one place.
    assert first.startswith(f"load_{loads[0]}.begin();")
    assert bones.count("feedWatchdog();") == 1
    assert not re.search(r"\bdelay\(", bones)
    assert not re.search(r"\b(float|double)\b", bones)
    assert f"{circuit.board.core.identifier}" in text
    allowed = {"Arduino.h", "avr/wdt.h", "avr/sleep.h", "SoftwareSerial.h", "Wire.h"}
    assert set(re.findall(r"#include <(.*?)>", text)) <= allowed
    assert text.endswith("}\n")
    assert "\n\n\n" not in text
    assert max(map(len, text.splitlines())) < 200


def test_thresholds_between_steps_fall_on_the_exact_side() -> None:
    """A thermometer of 1/16 degC: 20.53 degC times 5 readings is 1642.4 steps."""
    text = example_text("seedling-mat", "atmega328p-5v").replace("20.5 ", "20.53 ")
    assert "start_at: 20.53" in text
    made = sketch.render(circuit_of(text))
    # It runs while the average is at or below: the greatest whole sum is 1642.
    assert "false, 1642, 1760," in made


@pytest.mark.parametrize(
    ("average", "stop_at", "told"),
    [
        (16, 22, "int16_t"),  # 16 times 2000 steps of 1/16 degC
        (17, 22, "int32_t"),
        (1, 2047.9375, "int16_t"),  # a threshold counts too: 32767 steps
        (1, 2048, "int32_t"),
    ],
)
def test_a_sum_has_room_for_a_whole_window(average: int, stop_at: float, told: str) -> None:
    text = example_text("seedling-mat", "atmega328p-5v")
    for old, new in {
        "average: 5": f"average: {average}",
        "stop_at: 22": f"stop_at: {stop_at}",
    }.items():
        assert old in text
        text = text.replace(old, new)
    assert f"typedef {told} sum_t;" in sketch.render(circuit_of(text))


def test_a_fault_in_a_template_names_the_part(tmp_path: Path) -> None:
    from buildkit import buildfile, document, seating
    from buildkit.tables import Tables

    own = tmp_path / "parts" / "odd-lamp"
    own.mkdir(parents=True)
    source = Path(sketch.data_dir("templates")) / "parts" / "sht3x"
    (own / "part.yaml").write_text(
        (source / "part.yaml").read_text().replace("id: sht3x", "id: odd-lamp")
    )
    (own / "sketch.j2").write_text(
        "{% macro code(u) %}{{ u.figure('nothing_v') }}{% endmacro %}{% macro make(u) %}{% endmacro %}"
    )
    text = example_text("reed-room", "atmega2560-5v").replace("part: sht3x", "part: odd-lamp")
    build = buildfile.from_tree(document.parse(text.encode(), "x.yaml"), Tables(tmp_path))
    with pytest.raises(sketch.TemplateFault, match=r"odd-lamp.*sketch\.j2.*nothing_v"):
        sketch.render(seating.seat(build))


def _every_quantity() -> list[tuple[str, str, str]]:
    parts = (tables().part(part_id) for part_id in tables().part_ids())
    return [
        (part.id, quantity.name, unit)
        for part in parts
        for quantity in part.quantities.values()
        for unit in units_like(quantity.unit)
    ]


@pytest.mark.parametrize(("part", "value", "unit"), _every_quantity())
def test_no_shown_number_overflows_32_bits(part: str, value: str, unit: str) -> None:
    """The longest window full of the greatest reading, in every unit, as the sketch multiplies it."""
    quantity = tables().part(part).quantities[value]
    steps = max(abs(quantity.low), abs(quantity.high)) / quantity.resolution
    use = next(iter(circuit_of(example_text("reed-room", "atmega2560-5v")).build.probes.values()))
    probe = replace(use, quantity=quantity, unit=unit, average=1000)
    for decimals, wanted in (
        (shown_decimals(unit, quantity), unit),
        (scene.log_decimals(probe), quantity.unit),
    ):
        slope, shift, below = scene._scale(probe, decimals, wanted)
        assert steps * 1000 * slope + abs(shift) * 1000 + below * 500 < 2**31
        assert steps * 1000 < 2**31


def test_dust_in_milligrams_keeps_its_digits() -> None:
    text = example_text("kitchen-hood", "atmega328p-5v").replace(
        "value: pm2_5", "value: pm2_5\n    unit: mg/m3"
    )
    text = text.replace("start_at: 15", "start_at: 0.015").replace("stop_at: 9", "stop_at: 0.009")
    made = sketch.render(circuit_of(text))
    assert "true, 150, 90," in made
    assert "putQuotient(probe_smoke.last, 1, 3)" in made


def test_a_core_without_a_template_is_told_plainly() -> None:
    circuit = circuit_of(example_text("kitchen-hood", "atmega328p-5v"))
    board = replace(circuit.board, core=replace(circuit.board.core, family="abacus"))
    with pytest.raises(sketch.TemplateFault, match=r"abacus.*only for .*avr"):
        sketch.render(replace(circuit, build=replace(circuit.build, board=board)))


def test_the_head_names_the_board_as_core_tools_know_it() -> None:
    """Package, architecture and board: what the core's own tools are told to upload."""
    text = (data_dir("examples") / "plant-shelf.yaml").read_text(encoding="utf-8")
    for board in tables().board_ids():
        raw = text.replace("atmega328p-5v", board).encode()
        circuit = checking.check_text(raw, "x.yaml", tables()).circuit
        assert circuit is not None
        head = sketch.render(circuit).split("#include")[0]
        identifier = tables().board(board).core.identifier
        assert re.fullmatch(r"\w+:\w+:\w+(:[\w=,]+)?", identifier)
        assert f"// Core tools know it as {identifier}.\n" in head
        assert f"// Written for the board {board} (" in head
