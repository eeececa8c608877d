"""The sketch's reading of the DS18B20 against its data sheet and a CRC library."""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from crccheck.crc import Crc8MaximDow

from buildkit import sketch
from tests import native
from tests.chip_world import World, circuit_of, compiled

pytestmark = pytest.mark.slow

BUILD = """build: wire
board: atmega328p-5v
supply: {rail: 5V, max_ma: 500}
probes:
  soil: {part: ds18b20, value: temperature, every_s: 2, wires: {DQ: 4}}
"""

# DS18B20 datasheet, 19-7487 rev 6, Table 1, temperature/data relationship (from memory):
# output in hexadecimal, and degC as the log writes it. +85 degC, 0550h, is its power-on value.
TABLE_1 = [
    (0x07D0, "125.0000"),
    (0x0191, "25.0625"),
    (0x00A2, "10.1250"),
    (0x0008, "0.5000"),
    (0x0000, "0.0000"),
    (0xFFF8, "-0.5000"),
    (0xFF5E, "-10.1250"),
    (0xFE6F, "-25.0625"),
    (0xFC90, "-55.0000"),
]
POWER_ON = 0x0550

# Bytes 2 to 7 of a scratchpad: alarms, configuration, reserved (datasheet Figure 9).
REST = bytes([0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])


def pad(word: int) -> bytes:
    body = word.to_bytes(2, "little") + REST
    return body + bytes([Crc8MaximDow.calc(body)])


# --- on the chip ---------------------------------------------------------------------


def _logged(pads: list[bytes], tmp_path: Path) -> list[str]:
    """What the sketch logs of these scratchpads, one every two seconds; empty for a lost one."""
    world = World(circuit_of(BUILD))
    pin = world.port("soil", "DQ")
    world.scenario.thermometer(0, pin)
    for number, nine in enumerate(pads):
        world.scenario.scratchpad(2 * number + 1.5, pin, nine)
    outcome = world.run(compiled(world.circuit, tmp_path), 2 * len(pads) + 1.5)
    assert not [event for event in outcome.seen.onewire if event.what == "slot"]
    return [row[2] for row in outcome.log()[1:] if row[1] == "soil"]


def test_table_of_the_data_sheet(tmp_path: Path) -> None:
    pads = [pad(word) for word, _ in TABLE_1]
    assert _logged(pads, tmp_path) == [degc for _, degc in TABLE_1]


def test_what_is_no_reading(tmp_path: Path) -> None:
    good = pad(0x0191)
    wrong_crc = good[:8] + bytes([good[8] ^ 1])
    wrong_bit = bytes([good[0] ^ 8]) + good[1:]
    outside = [pad(0x07D1), pad(0xFC8F)]  # 125.0625 and -55.0625 degC, beyond the part's span
    lost = [bytes(9), b"\xff" * 9, pad(POWER_ON), wrong_crc, wrong_bit, *outside]
    told = _logged([good, *lost, good], tmp_path)
    assert told == ["25.0625", *[""] * len(lost), "25.0625"]


def test_next_to_the_power_on_value_is_a_reading(tmp_path: Path) -> None:
    told = _logged([pad(POWER_ON - 1), pad(POWER_ON + 1)], tmp_path)
    assert told == ["84.9375", "85.0625"]


def test_no_thermometer_is_a_lost_reading_each_time(tmp_path: Path) -> None:
    world = World(circuit_of(BUILD))
    outcome = world.run(compiled(world.circuit, tmp_path), 9)
    assert [row[2] for row in outcome.log()[1:] if row[1] == "soil"] == [""] * 4


# --- the CRC, natively ------------------------------------------------------------------

HARNESS = """
%s
int main() {
  char text[64];
  while (scanf("%%63s", text) == 1) {
    uint8_t bytes[32];
    uint8_t n = 0;
    for (const char *at = text; *at; at += 2) {
      unsigned byte;
      sscanf(at, "%%2x", &byte);
      bytes[n++] = byte;
    }
    printf("%%d\\n", crcOneWire(bytes, n));
  }
}
"""


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = sketch.render(circuit_of(BUILD))
    code = native.cut(text, "static uint8_t crcOneWire(")
    return native.build(HARNESS % code, tmp_path_factory.mktemp("wire"))


def test_crc_of_the_application_notes_example(program: Path) -> None:
    # Maxim application note 27, Table 1: code 02 1C B8 01 00 00 00, CRC A2
    rom = bytes.fromhex("021cb801000000")
    assert native.ask(program, rom.hex()) == f"{0xA2}\n"
    assert Crc8MaximDow.calc(rom) == 0xA2


def test_crc_is_that_of_the_library(program: Path) -> None:
    # CRC-8/MAXIM-DOW of the CRC catalogue: polynomial 0x31 reflected, start 0
    rng = random.Random(18)
    inputs = [rng.randbytes(rng.randint(1, 30)) for _ in range(5000)]
    told = native.ask(program, "\n".join(data.hex() for data in inputs)).split()
    assert told == [str(Crc8MaximDow.calc(data)) for data in inputs]
