"""Every example on every AVR board, instruction by instruction, against the reference model.

The frames, scratchpads and words come from the parts' data sheets, the chip
from the simulator library; the expected edges from buildkit.control.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from buildkit.rehearsal.signals import crc8
from tests.chip_world import (
    AVR_BOARDS,
    Outcome,
    World,
    assert_same,
    circuit_of,
    compiled,
    example_text,
    frame32,
    logs_by_usb,
    never_ran_before,
    sht_reply,
    spoilt,
)

pytestmark = pytest.mark.slow

SHT_MEASURE = b"\x24\x00"


def _world(name: str, board: str) -> World:
    return World(circuit_of(example_text(name, board)))


# --- kitchen-hood: frames on a serial line -------------------------------------


def _hood(board: str, tmp_path: Path) -> Outcome:
    world = _world("kitchen-hood", board)
    spans = [(1, 60, 5), (60, 100, 40), (100, 240, 4), (240, 300, 40), (330, 385, 40)]
    for begin, end, steps in spans:
        world.frames("smoke", (t + 0.2 for t in range(begin, end)), steps)
    for t in range(40, 56):
        # 69 where 5 was sent; accepted, they would start the hood.
        world.serial(t + 0.6, "smoke", spoilt(frame32(5)))
        world.serial(t + 0.8, "smoke", spoilt(frame32(900)))
    world.serial(50.4, "smoke", frame32(0, counts=0)[:4] + bytes(26) + b"\x00\xab")
    world.scenario.i2c_present(220, 0x27, False)
    world.scenario.i2c_present(302, 0x27, True)
    return world.run(compiled(world.circuit, tmp_path), 385)


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_kitchen_hood(board: str, tmp_path: Path) -> None:
    outcome = _hood(board, tmp_path)
    edges = outcome.switched("hood")
    assert_same(outcome, "hood", within_s=1.0)
    # Hand-derived: the third 40 makes the average 15.5; the ninth 4 makes it 7.6,
    # and 120 s of running on begin; the hood rests 60 s; silence rests it 15 s
    # after the frame of second 299; 60 s later it may run again.
    assert [state for _, state in edges] == ["on", "off", "on", "off", "on"]
    for (t_s, _), expected_s in zip(edges, [62.2, 228.2, 288.2, 314.2, 374.2], strict=True):
        assert t_s == pytest.approx(expected_s, abs=0.25)
    never_ran_before(outcome, "hood", 62.2)
    # The relay's pin follows the last bit of the frame that decides it.
    assert edges[0][0] - (62.2 + 320 / 9600) < 0.002
    assert outcome.rows_at(98) == ["PM2.5 40 ug/m3  ", "avg 40 on       "]
    assert outcome.rows_at(219) == ["PM2.5 4 ug/m3   ", "avg 4 on        "]
    assert outcome.rows_at(329) == ["PM2.5 -- ug/m3  ", "avg -- off      "]
    assert outcome.rows_at(384) == ["PM2.5 40 ug/m3  ", "avg 40 on       "]
    assert [reset.cause for reset in outcome.seen.resets] == ["power"]
    if not logs_by_usb(outcome.world.circuit):
        _assert_hood_log(outcome)


def _assert_hood_log(outcome: Outcome) -> None:
    head, *rows = outcome.log()
    assert ",".join(head) == "ms,probe,raw,average,load,state"
    assert rows[0][1:] == ["", "", "", "", "reset: power-on"]
    good = [row for row in rows if row[1] == "smoke" and row[2]]
    assert len(good) == len(outcome.world.told)
    assert {row[2] for row in good} == {"5", "40", "4"}
    lost = [row for row in rows if row[1] == "smoke" and not row[2]]
    # Two spoilt frames a second for 16 s, one of zeros, and the silence in 3 s pieces.
    assert 33 <= len(lost) <= 33 + 11
    causes = [(row[4], row[5]) for row in rows if not row[1] and row[4]]
    assert causes == [
        ("hood", "on: start"),
        ("hood", "off: stop"),
        ("hood", "on: start"),
        ("hood", "off: no-reading"),
        ("hood", "on: start"),
    ]


# --- seedling-mat: a thermometer on one wire, an active-low relay --------------


def _pad(steps: int) -> bytes:
    body = steps.to_bytes(2, "little", signed=True) + bytes([0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
    return body + bytes([crc8(body)])


def _mat(board: str, tmp_path: Path) -> Outcome:
    world = _world("seedling-mat", board)
    pin = world.port("soil", "DQ")
    world.scenario.thermometer(0, pin)
    world.scenario.temperature(0, pin, 18.0)
    world.scenario.temperature(80, pin, 23.0)
    world.scenario.temperature(150, pin, 19.0)
    world.scenario.scratchpad(200.5, pin, bytes(9))
    world.scenario.scratchpad(240.5, pin, _pad(0x0550))
    world.scenario.temperature(260.5, pin, 19.0)
    spans: list[tuple[float, int | None]] = [
        (0, 18 * 16), (80, 23 * 16), (150, 19 * 16), (200.5, None), (260.5, 19 * 16),
    ]  # fmt: skip
    for t in range(2, 320, 2):
        steps = [value for begin, value in spans if begin <= t + 0.75][-1]
        world.polled("soil", [t], steps, late_s=0.77)
    world.scenario.i2c_present(100, 0x27, False)
    world.scenario.i2c_present(190, 0x27, True)
    return world.run(compiled(world.circuit, tmp_path), 320)


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_seedling_mat(board: str, tmp_path: Path) -> None:
    outcome = _mat(board, tmp_path)
    edges = outcome.switched("mat")
    assert_same(outcome, "mat", within_s=2.0)
    # Hand-derived: dwell ends at 60; 60 s on at least; 60 s off at least; silence
    # 30 s after the last good reading at 200; neither zeros nor 85 degC count.
    for (t_s, _), expected_s in zip(edges, [60, 120, 180, 228.8, 288.8], strict=True):
        assert t_s == pytest.approx(expected_s, abs=2)
    assert [state for _, state in edges] == ["on", "off", "on", "off", "on"]
    never_ran_before(outcome, "mat", 59.9)
    assert outcome.rows_at(98) == ["Soil 23.0°C     ", "avg 23.0° on    "]
    assert outcome.rows_at(220) == ["Soil 19.0°C     ", "avg 19.0° on    "]
    assert outcome.rows_at(258) == ["Soil --°C       ", "avg --° off     "]
    assert not [event for event in outcome.seen.onewire if event.what == "slot"]
    alarm = outcome.world.port("lamp", "A")
    assert alarm
    if not logs_by_usb(outcome.world.circuit):
        raw = {row[2] for row in outcome.log()[1:] if row[1] == "soil" and row[2]}
        assert raw == {"18.0000", "23.0000", "19.0000"}


# --- reed-room: humidity on the bus, an analog bead, an active-low relay --------


def _reed(board: str, tmp_path: Path) -> Outcome:
    world = _world("reed-room", board)
    scenario = world.scenario
    scenario.i2c_busy(0, 0x44, 15_000)
    bad = sht_reply(9000)[:3] + bytes([sht_reply(9000)[3]]) + sht_reply(9000)[4:5] + b"\x00"
    spans: list[tuple[float, bytes, int | None]] = [
        (0, sht_reply(4000), 4000),
        (100.5, sht_reply(5500), 5500),
        (200.5, sht_reply(4000), 4000),
        (250.5, bad, None),
        (280.5, sht_reply(4000), 4000),
    ]
    for begin, reply, _ in spans:
        scenario.i2c_reply(begin, 0x44, reply, after=SHT_MEASURE)
    for t in range(2, 345, 2):
        steps = [value for begin, _, value in spans if begin <= t][-1]
        world.polled("air", [t], steps, late_s=0.02)
    world.bead(0, "shelf", 20.0)
    scenario.adc_mv(300, world.channel("shelf"), 4990)
    scenario.i2c_present(170, 0x27, False)
    scenario.i2c_present(250, 0x27, True)
    world.polled("shelf", range(5, 300, 5), 200, late_s=0.02)
    return world.run(compiled(world.circuit, tmp_path), 345)


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_reed_room(board: str, tmp_path: Path) -> None:
    outcome = _reed(board, tmp_path)
    edges = outcome.switched("mist")
    assert_same(outcome, "mist", within_s=2.0)
    # Hand-derived: dwell ends at 60; 120 s on at least; 60 s off at least; silence
    # 20 s after the reading at 250; ten readings and 60 s until it may run again.
    for (t_s, _), expected_s in zip(edges, [60, 180, 240, 270, 330], strict=True):
        assert t_s == pytest.approx(expected_s, abs=2)
    assert [state for _, state in edges] == ["on", "off", "on", "off", "on"]
    never_ran_before(outcome, "mist", 59.9)
    assert outcome.rows_at(98) == ["RH 40.0% on     ", "68.0°F av 40.0  "]
    assert outcome.rows_at(168) == ["RH 55.0% on     ", "68.0°F av 55.0  "]
    assert outcome.rows_at(278) == ["RH --% off      ", "68.0°F av --    "]
    assert outcome.rows_at(344) == ["RH 40.0% on     ", "--°F av 40.0    "]
    if not logs_by_usb(outcome.world.circuit):
        shelf = [row[2] for row in outcome.log()[1:] if row[1] == "shelf"]
        assert set(shelf) == {"20.0", ""}
        assert shelf[-1] == ""  # an open bead is no reading


SCENES: dict[str, Callable[[str, Path], Outcome]] = {
    "kitchen-hood": _hood,
    "seedling-mat": _mat,
    "reed-room": _reed,
}
