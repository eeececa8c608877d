"""The two-wire bus and 1-Wire of the chip engine, seen through sketches that use them."""

from __future__ import annotations

from pathlib import Path

import pytest

from buildkit.rehearsal.chip import ChipRun
from buildkit.rehearsal.signals import Scenario, crc8, thermometer_code
from tests.rehearsal.probing import rehearse

# ---- two-wire bus ----


def transfers(seen: ChipRun) -> dict[int, list[str]]:
    rows = (line.split(":") for line in seen.uart_text(0).split("\r\n") if ":" in line)
    return {int(step): words.split() for step, words in rows}


def test_two_wire_acknowledge_timing_and_replies(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.i2c_present(0, 0x44)
    scenario.i2c_reply(0, 0x44, b"\xaa\xbb\xcc", after=b"\xd0")
    scenario.i2c_reply(0, 0x44, b"\x01\x02")
    scenario.i2c_present(0.35, 0x44, False)
    seen = rehearse(tmp_path, "twowire", scenario, 0.65)
    told = transfers(seen)
    assert told[1][0] == "0"
    # Start, 11 bytes of 9 bits and stop at 100 kHz, and some microseconds of the library.
    assert 1000 <= int(told[1][1]) <= 1300
    assert told[2] == ["0", "3", "AA", "BB", "CC"]
    assert told[3] == ["2", "AA", "BB"]  # the last write still chooses the reply
    assert told[4][0] == "2"
    assert told[5] == ["2", "0"]
    assert told[6] == ["0"]
    assert [(event.kind, event.data) for event in seen.i2c] == [
        ("write", bytes(range(10))),
        ("write", b"\xd0"),
        ("read", b"\xaa\xbb\xcc"),
        ("read", b"\xaa\xbb"),
        ("refused", b""),
        ("refused", b""),
        ("refused", b""),
        ("refused", b""),
    ]


def test_a_busy_device_refuses_to_be_read(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.i2c_present(0, 0x44)
    scenario.i2c_busy(0, 0x44, 15_000)
    scenario.i2c_reply(0, 0x44, b"\x11\x22\x33")
    told = transfers(rehearse(tmp_path, "twowire", scenario, 0.35))
    assert told[2] == ["0", "0"]
    assert told[3] == ["2", "11", "22"]


@pytest.mark.parametrize("line", ["sda", "scl"])
def test_a_bus_held_low_times_out(tmp_path: Path, line: str) -> None:
    scenario = Scenario()
    scenario.i2c_present(0, 0x44)
    scenario.i2c_hold(0.05, line)
    scenario.i2c_hold(0.5, None)
    told = transfers(rehearse(tmp_path, "twowire", scenario, 0.75))
    assert told[1][0] == "5"
    assert 5000 <= int(told[1][1]) <= 6000
    assert told[3] == (["0"] if line == "sda" else ["1"])
    assert told[7][0] == "0"


def test_a_bus_held_low_is_freed_by_clocking(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.i2c_present(0, 0x44)
    scenario.i2c_hold(0.05, "sda", clocks=7)
    told = transfers(rehearse(tmp_path, "twowire", scenario, 0.45))
    assert told[1][0] == "5"
    assert told[3] == ["1"]
    assert told[4][0] == "0"


@pytest.mark.parametrize(
    ("disturbed", "result", "kind"), [("held", "4", "lost"), ("gone", "3", "write")]
)
def test_a_transfer_that_breaks_off_in_the_middle(
    tmp_path: Path, disturbed: str, result: str, kind: str
) -> None:
    scenario = Scenario()
    scenario.i2c_present(0, 0x44)
    middle_s = 0.1011  # the transfer begins after 100 ms and takes 1.2 ms
    if disturbed == "held":
        scenario.i2c_hold(middle_s, "sda")
        scenario.i2c_hold(0.15, None)
    else:
        scenario.i2c_present(middle_s, 0x44, False)
        scenario.i2c_present(0.15, 0x44)
    seen = rehearse(tmp_path, "twowire", scenario, 0.45)
    told = transfers(seen)
    assert told[1][0] == result
    assert seen.i2c[1 if kind == "lost" else 0].kind == kind
    assert 2 <= len(seen.i2c[0].data) <= 8
    assert told[4][0] == "0"


# ---- 1-Wire ----


def test_a_thermometer_answers_independent_code(tmp_path: Path) -> None:
    code = thermometer_code(42)
    scenario = Scenario()
    scenario.thermometer(0, "PD5", code=code)
    scenario.temperature(0, "PD5", -10.125, code=code)
    scenario.temperature(1.5, "PD5", 25.0625, code=code)
    scenario.scratchpad(3.9, "PD5", b"\x91\x01KF\x7f\xff\x0c\x10\x00", code=code)
    scenario.thermometer(4.9, "PD5", present=False, code=code)
    seen = rehearse(tmp_path, "onewire", scenario, 5.5)
    lines = seen.uart_text(0).split("\r\n")
    assert lines[0] == code.hex().upper()
    pads = [bytes.fromhex(line) for line in lines[1:9:2]]
    raws = [int.from_bytes(pad[:2], "little", signed=True) for pad in pads]
    # After power-up 85 degC, then what each conversion found (datasheet, table 1).
    assert raws == [0x0550, -162, -162, 0x0191]
    assert all(crc8(pad[:8]) == pad[8] for pad in pads)
    assert all(745 <= int(ms) <= 756 for ms in lines[2:9:2])
    wrong = bytes.fromhex(lines[9])
    assert wrong[:2] == b"\x91\x01"
    assert crc8(wrong[:8]) != wrong[8]
    assert lines[11] == "nobody"
    assert not [event for event in seen.onewire if event.what == "slot"]


def test_two_thermometers_share_a_wire(tmp_path: Path) -> None:
    codes = [thermometer_code(0x2A), thermometer_code(0x6B)]
    scenario = Scenario()
    for code, degc in zip(codes, (21.6875, -5.5), strict=True):
        scenario.thermometer(0, "PD5", code=code)
        scenario.temperature(0, "PD5", degc, code=code)
    seen = rehearse(tmp_path, "onewire_two", scenario, 2)
    lines = seen.uart_text(0).split("\r\n")
    assert sorted(lines[:2]) == sorted(code.hex().upper() for code in codes)
    readings = {}
    for found, ms, pad_hex in zip(lines[:2], lines[2::2], lines[3::2], strict=False):
        pad = bytes.fromhex(pad_hex)
        assert crc8(pad[:8]) == pad[8]
        readings[found] = (int.from_bytes(pad[:2], "little", signed=True), pad[4], int(ms))
    # The first one found has 9 bits, in an eighth of the time; the other 12.
    first, second = lines[:2]
    whole = {codes[0].hex().upper(): 347, codes[1].hex().upper(): -88}
    assert readings[first][0] == whole[first] & ~7
    assert readings[first][1] == 0x1F
    assert readings[first][2] == pytest.approx(94, abs=2)
    assert readings[second][0] == whole[second]
    assert readings[second][1] == 0x7F
    assert readings[second][2] == pytest.approx(750, abs=2)
