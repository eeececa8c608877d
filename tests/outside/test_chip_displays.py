"""Displays and the buzzer by themselves on the simulated chip: what stands on them, and when."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

import pytest

from buildkit import sketch
from buildkit.rehearsal import lcd
from tests.chip_world import Outcome, World, circuit_of, compiled, sht4_reply

pytestmark = pytest.mark.slow

HEAD = """build: shown
board: {board}
supply: {{rail: 5V, max_ma: 1000}}
probes:
  air: {{part: sht4x, value: humidity, every_s: 1, average: 2}}
displays:
  panel:
    part: {part}
    rows: {rows}
"""


def _world(board: str, part: str, rows: list[str]) -> World:
    text = HEAD.format(board=board, part=part, rows=repr(rows).replace("'", '"'))
    world = World(circuit_of(text))
    world.scenario.i2c_reply(0, 0x44, sht4_reply(4730), after=b"\xfd")
    world.scenario.i2c_reply(26.5, 0x44, sht4_reply(5210), after=b"\xfd")
    return world


# --- four rows of twenty -----------------------------------------------------------

FOUR = ["RH {air.now}% now", "average {air}%", "third row, 20 wide.", "°µ"]


def test_four_rows_on_the_expander(tmp_path: Path) -> None:
    world = _world("atmega328p-5v", "lcd2004-pcf8574", FOUR)
    world.scenario.i2c_present(25, 0x27, False)
    world.scenario.i2c_present(32, 0x27, True)
    outcome = world.run(compiled(world.circuit, tmp_path), 45)
    assert outcome.rows_at(1.8) == ["start: power-on     ", " " * 20, " " * 20, " " * 20]
    assert outcome.rows_at(10) == [
        "RH 47.3% now        ", "average 47.3%       ", "third row, 20 wide. ", "°µ                  ",
    ]  # fmt: skip
    # Missed when the reading changes, it is initialised and written anew when it is back.
    back = [w for w in outcome.seen.i2c_writes(0x27) if w[0] > 32e6]
    assert lcd.decode_rows(back, 20, 4) == [
        "RH 52.1% now        ", "average 52.1%       ", *outcome.rows_at(10)[2:],
    ]  # fmt: skip


# --- six pins ------------------------------------------------------------------------

LINES = {"RS": 0x01, "E": 0x04, "D4": 0x10, "D5": 0x20, "D6": 0x40, "D7": 0x80}


def _panel_on_pins(outcome: Outcome, until_s: float) -> lcd.Panel:
    """The pins as if they were an expander's port, with nothing on its read line."""
    changes = sorted(
        (t_us, bit, state == "high")
        for line, bit in LINES.items()
        for t_us, state in outcome.seen.pin_changes(outcome.world.port("panel", line))
        if t_us <= until_s * 1e6
    )
    panel, port = lcd.Panel(16, 2, byte_us=0.0), 0
    panel.take(0.0, b"\x00")
    for t_us, bit, high in changes:
        port = port | bit if high else port & ~bit
        panel.take(t_us, bytes([port]))
    return panel


@pytest.mark.parametrize("board", ["atmega328p-5v", "atmega2560-5v"])
def test_two_rows_on_six_pins(board: str, tmp_path: Path) -> None:
    world = _world(board, "lcd1602-parallel", ["RH {air.now}%", "av {air}% °µ"])
    world.scenario.watch(*(world.port("panel", line) for line in LINES))
    outcome = world.run(compiled(world.circuit, tmp_path), 70)
    first = _panel_on_pins(outcome, 1.8)
    assert first.rows() == ["start: power-on ", " " * 16]
    assert _panel_on_pins(outcome, 10).rows() == ["RH 47.3%        ", "av 47.3% °µ     "]
    # It is initialised anew every minute; what it shows stays.
    last = _panel_on_pins(outcome, 70)
    assert last.rows() == ["RH 52.1%        ", "av 52.1% °µ     "]
    assert last.too_soon == []
    strobes = [t for t, s in outcome.seen.pin_changes(world.port("panel", "E")) if s == "high"]
    falls = [t for t, s in outcome.seen.pin_changes(world.port("panel", "E")) if s == "low"]
    # Enable is high for 450 ns at least, and a cycle takes 1 us (HD44780U, bus timing).
    assert min(fall - rise for rise, fall in zip(strobes, falls[1:], strict=True)) > 0.45
    assert min(b - a for a, b in pairwise(strobes)) > 1


# --- dots ------------------------------------------------------------------------------

PARAMETERS = {0xD5: 1, 0xA8: 1, 0xD3: 1, 0x8D: 1, 0x20: 1, 0xDA: 1, 0x81: 1, 0xD9: 1, 0xDB: 1}


@dataclass
class Dots:
    """The SSD1306 in page addressing mode (data sheet, chapters 9 and 10), from power-up."""

    ram: list[list[int]] = field(default_factory=lambda: [[0xA5] * 128 for _ in range(8)])
    page: int = 0
    column: int = 0
    settings: dict[int, int] = field(default_factory=dict)
    others: set[int] = field(default_factory=set)

    def take(self, data: bytes) -> None:
        if data[0] == 0x40:
            for byte in data[1:]:
                self.ram[self.page][self.column] = byte
                self.column = (self.column + 1) % 128
            return
        assert data[0] == 0x00
        commands = iter(data[1:])
        for command in commands:
            if command in PARAMETERS:
                self.settings[command] = next(commands)
            elif 0xB0 <= command <= 0xB7:
                self.page = command - 0xB0
            elif command < 0x10:
                self.column = self.column & 0xF0 | command
            elif command < 0x20:
                self.column = self.column & 0x0F | (command & 0x0F) << 4
            else:
                self.others.add(command)


def _dots(writes: Iterable[tuple[float, bytes]], until_s: float = 1e9) -> Dots:
    dots = Dots()
    for t_us, data in writes:
        if t_us <= until_s * 1e6:
            dots.take(data)
    return dots


def _font(text: str) -> dict[tuple[int, ...], str]:
    """The letters of the sketch's table by their five columns."""
    table = text[text.index("oledFont[][5] PROGMEM = {") :]
    rows = re.findall(r"^  ((?:0x[0-9A-F]{2}, ){5})", table[: table.index("};")], re.MULTILINE)
    assert len(rows) == 0x81 - 0x20
    letters = [chr(code) for code in range(0x20, 0x7F)] + ["°", "µ"]
    return {
        tuple(int(x, 16) for x in re.findall("0x..", row)): letter
        for row, letter in zip(rows, letters, strict=True)
    }


def _read(dots: Dots, font: dict[tuple[int, ...], str]) -> list[str]:
    rows = []
    for page in dots.ram:
        assert page[126:] == [0, 0]
        cells = [page[6 * n : 6 * n + 6] for n in range(21)]
        assert all(cell[5] == 0 for cell in cells)
        rows.append("".join(font[tuple(cell[:5])] for cell in cells))
    return rows


def test_every_letter_on_the_dots(tmp_path: Path) -> None:
    ascii_ = "".join(chr(c) for c in range(0x21, 0x7F))
    shown = [ascii_[n : n + 21] for n in range(0, len(ascii_), 21)]
    rows = ["RH {air.now}%", "22.5 °C 3 µg", *shown]
    quoted = ", ".join(
        '"' + re.sub(r'(["\\])', r"\\\1", row if n == 0 else row.replace("{", "{{").replace("}", "}}")) + '"'
        for n, row in enumerate(rows)
    )  # fmt: skip
    text = HEAD.format(board="atmega328p-5v", part="oled128x64-ssd1306", rows=f"[{quoted}]")
    world = World(circuit_of(text))
    world.scenario.i2c_reply(0, 0x44, sht4_reply(4730), after=b"\xfd")
    world.scenario.i2c_reply(26.5, 0x44, sht4_reply(5210), after=b"\xfd")
    world.scenario.i2c_present(25, 0x3C, False)
    world.scenario.i2c_present(32, 0x3C, True)
    outcome = world.run(compiled(world.circuit, tmp_path), 45)
    font = _font(sketch.render(world.circuit))
    assert len(font) == 97, "two letters look the same"
    writes = outcome.seen.i2c_writes(0x3C)
    expected = [row.ljust(21) for row in ["RH 47.3%", *rows[1:]]]
    expected += [" " * 21] * (8 - len(expected))
    assert _read(_dots(writes, 1.9), font) == ["start: power-on".ljust(21), *[" " * 21] * 7]
    assert _read(_dots(writes, 20), font) == expected
    # Missed when the reading changes, it has lost its memory and gets all of it anew.
    after = _dots([w for w in writes if w[0] > 32e6])
    assert _read(after, font) == ["RH 52.1%".ljust(21), *expected[1:]]
    assert after.settings == {0xD5: 0x80, 0xA8: 0x3F, 0xD3: 0, 0x8D: 0x14, 0x20: 2, 0xDA: 0x12,
                              0x81: 0x7F, 0xD9: 0xF1, 0xDB: 0x40}  # fmt: skip
    assert {0x40, 0xA1, 0xC8, 0xA4, 0xA6, 0xAF} <= after.others
    assert max(len(data) for _, data in writes) <= 9


PICTURES = {
    "A": ("..#..", ".#.#.", "#...#", "#...#", "#####", "#...#", "#...#"),
    "7": ("#####", "....#", "...#.", "...#.", "..#..", "..#..", "..#.."),
    "L": ("#....", "#....", "#....", "#....", "#....", "#....", "#####"),
    "°": (".##..", "#..#.", "#..#.", ".##..", ".....", ".....", "....."),
    ".": (".....", ".....", ".....", ".....", ".....", ".##..", ".##.."),
}


def test_letters_stand_upright_and_are_not_mirrored() -> None:
    circuit = circuit_of(
        HEAD.format(board="atmega328p-5v", part="oled128x64-ssd1306", rows='["a"]')
    )
    columns = {letter: cell for cell, letter in _font(sketch.render(circuit)).items()}
    for letter, picture in PICTURES.items():
        drawn = tuple(
            "".join("#" if columns[letter][x] >> y & 1 else "." for x in range(5)) for y in range(7)
        )
        assert drawn == picture


# --- a buzzer -----------------------------------------------------------------------------


BELL = """build: beeping
board: {board}
supply: {{rail: 5V, max_ma: 1000}}
probes:
  air: {{part: sht4x, value: humidity, every_s: 1, average: 2}}
loads:
  fan: {{part: relay-module-active-low}}
alarms:
  bell: {{part: {part}, when: [no-reading]}}
control:
  - {{drive: fan, by: air, start_at: 60, stop_at: 50, if_no_reading: off, no_reading_after_s: 5}}
"""


def _heard(board: str, part: str, tmp_path: Path) -> list[tuple[float, str]]:
    """The alarm's pin in seconds, while the probe is away from second 20.5 to 40.5."""
    world = World(circuit_of(BELL.format(board=board, part=part)))
    pin = world.port("bell", "+")
    world.scenario.watch(pin)
    world.scenario.i2c_reply(0, 0x44, sht4_reply(4730), after=b"\xfd")
    world.scenario.i2c_present(20.5, 0x44, False)
    world.scenario.i2c_present(40.5, 0x44, True)
    outcome = world.run(compiled(world.circuit, tmp_path), 50)
    return [(t_us / 1e6, state) for t_us, state in outcome.seen.pin_changes(pin)]


def test_a_buzzer_beeps_while_there_is_no_reading(tmp_path: Path) -> None:
    changes = _heard("atmega328p-5v", "buzzer", tmp_path)
    ons = [t_s for t_s, state in changes if state == "high"]
    offs = [t_s for t_s, state in changes if state == "low" and t_s > 20]
    # Silent 5 s after the reading of second 20, heard again at 41: a beep every two seconds.
    assert all(25 <= t_s <= 41.1 for t_s in ons)
    assert len(ons) in (8, 9)
    assert [b - a for a, b in pairwise(ons)][1:] == pytest.approx([2.0] * (len(ons) - 2), abs=0.02)  # fmt: skip
    lengths = [off - on for on, off in zip(ons, offs, strict=True)]
    assert lengths[1:-1] == pytest.approx([0.15] * (len(ons) - 2), abs=0.01)


@pytest.mark.parametrize("board", ["atmega328p-5v", "atmega32u4-5v"])
def test_a_piezo_disc_gets_its_square_wave_in_beeps(board: str, tmp_path: Path) -> None:
    """4000 Hz are a rise each 250 us: 16 MHz / (2 x 8 x 250) on the 8-bit timer, exactly."""
    rises = [t_s for t_s, state in _heard(board, "sounder-piezo", tmp_path) if state == "high"]
    gaps = [b - a for a, b in pairwise(rises)]
    begins = [rises[0], *(b for b, gap in zip(rises[1:], gaps, strict=True) if gap > 1)]
    within = [gap for gap in gaps if gap < 1]
    assert all(25 <= t_s <= 41.1 for t_s in rises)
    assert len(begins) in (8, 9)
    assert sum(within) / len(within) == pytest.approx(250e-6, rel=0.01)
    # 600 rises are 150 ms; the last beep ends when the reading is back.
    assert 0.9 * 600 * (len(begins) - 1) < len(rises) < 1.02 * 600 * len(begins)
