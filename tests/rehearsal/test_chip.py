"""Each ability of the chip engine, seen through a small sketch that uses it."""

from __future__ import annotations

import itertools
import time
from pathlib import Path

import pytest

from buildkit.rehearsal import chip
from buildkit.rehearsal.signals import Scenario
from tests.rehearsal.probing import rehearse

FRAME = bytes([0x42, 0x4D, *range(0, 240, 8)])


# ---- pins ----


def test_every_change_of_a_watched_pin_is_seen_from_reset_on(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.watch("PD7")
    scenario.reset(0.05)
    seen = rehearse(tmp_path, "edges", scenario, 0.08)
    assert [state for _, state in seen.pin_changes("PD7")] == [
        "float", "pullup", "high", "low", "float",
        "pullup", "high", "low", "float",
    ]  # fmt: skip
    first_us, second_us = seen.pin_changes("PD7")[0][0], seen.pin_changes("PD7")[5][0]
    assert first_us == 0
    # The second walk starts as long after the reset as the first after power-up.
    assert second_us - 50_000 == pytest.approx(seen.pin_changes("PD7")[1][0], abs=1)
    assert [(reset.cause, round(reset.t_us)) for reset in seen.resets] == [
        ("power", 0),
        ("external", 50_000),
    ]


def test_levels_from_outside_are_read_and_raise_interrupts(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.level(0, "PD2", 0)
    for pulse in range(5):
        scenario.level(0.11 + pulse * 0.01, "PD2", 1)
        scenario.level(0.115 + pulse * 0.01, "PD2", 0)
    scenario.level(0.25, "PD3", 0)
    scenario.level(0.45, "PD3", None)
    seen = rehearse(tmp_path, "edges", scenario, 0.55)
    # Edges counted so far, and pin 3: its pull-up, held low from outside, let go again.
    # The sketch writes to the same port in between, which must not disturb the low level.
    lines = seen.uart_text(0).split("\r\n")
    assert lines[:5] == ["0 1 0", "5 1 0", "5 0 0", "5 0 0", "5 1 0"]


def test_levels_from_outside_outlast_a_reset(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.level(0, "PD6", 1)
    scenario.level(0, "PD3", 0)
    scenario.reset(0.15)
    seen = rehearse(tmp_path, "edges", scenario, 0.3)
    assert seen.uart_text(0).split("\r\n")[:2] == ["0 0 1", "0 0 1"]


def test_an_interrupt_takes_the_cycles_of_the_datasheet(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.watch("PD7")
    scenario.level(0, "PD2", 0)
    scenario.level(0.01, "PD2", 1)
    scenario.level(10, "PD2", 0)
    seen = rehearse(tmp_path, "quick", scenario, 0.02)
    assert seen.simulated_s == pytest.approx(0.02, abs=1e-6)
    high_us = next(t_us for t_us, state in seen.pin_changes("PD7") if state == "high")
    # Up to 2 cycles of the loop's jump, 4 to enter, 3 for the jump in the vector table.
    assert 7 <= (high_us - 10_000) * 16 <= 9


# ---- serial ----


@pytest.mark.slow
@pytest.mark.parametrize(
    ("mcu", "pin", "hard_index", "out_index"),
    [("atmega328p", "PB0", 0, 0), ("atmega32u4", "PB4", 1, 1), ("atmega2560", "PB4", 1, 0)],
)
def test_frames_arrive_byte_for_byte_while_the_bus_is_busy(
    tmp_path: Path, mcu: str, pin: str, hard_index: int, out_index: int
) -> None:
    scenario = Scenario()
    scenario.level(0, pin, 1)
    scenario.i2c_present(0, 0x27)
    for second in range(3):
        scenario.pin_bytes(0.2 + second, pin, FRAME)
        scenario.uart_bytes(0.6 + second, hard_index, FRAME[::-1])
    seen = rehearse(tmp_path, "receive", scenario, 3.2, mcu)
    text = seen.uart_text(out_index)
    soft = "".join(f"s{byte:02x}" for byte in FRAME)
    hard = "".join(f"h{byte:02x}" for byte in FRAME[::-1])
    assert text == (soft + hard) * 3
    assert seen.uart_troubles == ()
    writes = seen.i2c_writes(0x27)
    assert len(writes) > 3000
    # The last two may be caught half done when the run ends.
    assert {data for _, data in writes} == {bytes(range(6))}


def test_bytes_on_pin_change_group_2_of_the_large_chip(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.level(0, "PK0", 1)
    scenario.pin_bytes(0.1, "PK0", FRAME)
    seen = rehearse(tmp_path, "soft_a8", scenario, 0.3, "atmega2560")
    assert seen.uart_bytes(0) == FRAME


def test_pin_change_group_1_of_the_large_chip(tmp_path: Path) -> None:
    scenario = Scenario()
    for change in range(6):
        scenario.level(0.02 + change * 0.002, "PJ0", change % 2)
        scenario.level(0.05 + change * 0.002, "PE0", change % 2)
        scenario.level(0.05 + change * 0.002, "PJ1", change % 2)
    seen = rehearse(tmp_path, "change_j", scenario, 0.15, "atmega2560")
    # Both pins were low at first, so the first change of each is none.
    assert seen.uart_text(1) == "10\r\n"


def test_a_uart_left_unread_keeps_two_bytes_and_the_last(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.uart_bytes(0.0005, 0, b"abcde")
    seen = rehearse(tmp_path, "deaf", scenario, 0.1)
    assert seen.uart_bytes(0) == b"abe"
    assert [trouble.what for trouble in seen.uart_troubles] == ["overrun", "overrun"]


def test_bytes_at_another_speed_do_not_arrive_and_are_told(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.uart_bytes(0.02, 0, b"abc", baud=19200)
    seen = rehearse(tmp_path, "deaf", scenario, 0.1)
    assert seen.uart_bytes(0) == b""
    assert [trouble.what for trouble in seen.uart_troubles] == ["wrong speed"]


def test_sent_bytes_are_a_byte_time_apart(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.uart_bytes(0.02, 0, bytes(100))
    times_us = [event.t_us for event in rehearse(tmp_path, "deaf", scenario, 0.3).uart]
    # 10 bits at 9600 baud, received and sent back at the pace of the line.
    assert (times_us[-1] - times_us[0]) / 99 == pytest.approx(10 / 9600 * 1e6, rel=0.005)


def test_a_device_that_speaks_only_when_asked(tmp_path: Path) -> None:
    request = b"\xff\x01\x86"
    scenario = Scenario()
    scenario.level(0, "PB0", 1)
    scenario.answer(0, request, b"one", sent_by="PB1", into="PB0", after_s=0.005)
    scenario.answer(0, b"?", b"!", sent_by=0, into=0, after_s=0.02)
    scenario.answer(0.25, request, b"two", sent_by="PB1", into="PB0")
    scenario.answer(0.35, request, b"", sent_by="PB1", into="PB0")
    seen = rehearse(tmp_path, "ask", scenario, 0.48)
    assert seen.uart_text(0) == "?one!?one!?two!?!"
    sent = [event.byte for event in seen.pin_serial if event.pin == "PB1"]
    assert bytes(sent) == request * 4
    heard_us = next(event.t_us for event in seen.pin_serial if event.byte == 0x86)
    first_us = next(event.t_us for event in seen.uart if event.byte == ord("o"))
    # 5 ms, one byte's time, and what the sketch needs.
    assert first_us - heard_us == pytest.approx(5000 + 1042, abs=150)


# ---- analog ----


@pytest.mark.parametrize(
    ("mcu", "channels", "out"),
    [
        ("atmega328p", (0, 1, 2, 5), 0),
        ("atmega32u4", (7, 0, 8, 9), 1),
        ("atmega2560", (0, 7, 8, 15), 0),
    ],
)
def test_analog_inputs(tmp_path: Path, mcu: str, channels: tuple[int, ...], out: int) -> None:
    scenario = Scenario()
    for channel, mv in zip(channels, (0, 1000, 2500, 5000), strict=True):
        scenario.adc_mv(0, channel, mv)
    scenario.adc_mv(0.15, channels[0], 4995)
    seen = rehearse(tmp_path, "analog", scenario, 0.25, mcu)
    # ADC = V x 1024 / Vref, at most 1023
    assert seen.uart_text(out).split("\r\n" if "\r" in seen.uart_text(out) else "\n")[:3] == [
        "0 204 512 1023",
        "0 204 512 1023",
        "1022 204 512 1023",
    ]


# ---- watchdog, sleep, resets ----


@pytest.mark.parametrize("mcu", ["atmega328p", "atmega2560"])
def test_watchdog_interrupt_and_reset(tmp_path: Path, mcu: str) -> None:
    seen = rehearse(tmp_path, "watchdog", Scenario(), 3, mcu)
    assert seen.uart_text(0).split("\r\n") == [
        "1 1",  # power-up
        "6",  # 400 ms of interrupts every 64 ms, none of them a reset
        "2 8",  # watchdog reset
        "barked",
        "3 8",
        "4 8",
        "5 8",
        "fed",
        "",
    ]
    assert [reset.cause for reset in seen.resets] == ["power"] + ["watchdog"] * 4


def test_the_millisecond_counter_rolls_over(tmp_path: Path) -> None:
    scenario = Scenario()
    before = (2**32 - 2500).to_bytes(4, "little")
    scenario.poke(1.5, "timer0_millis", before)
    scenario.poke(1.5, "last_ms", (2**32 - 3000).to_bytes(4, "little"))
    scenario.peek(6, "timer0_millis", 4)
    seen = rehearse(tmp_path, "tick", scenario, 6.5)
    times_s = [t_us / 1e6 for t_us, _ in seen.uart_lines(0)]
    assert [round(t, 1) for t in times_s] == [1.0, 2.0, 3.0, 4.0, 5.0, 6.0]
    assert seen.uart_lines(0)[3][1] == "0"  # 2**32 - 1000 + 1000
    assert int.from_bytes(seen.memory[0].data, "little") == pytest.approx(2000, abs=3)


def test_a_sleeping_sketch_costs_little_time(tmp_path: Path) -> None:
    began_s = time.monotonic()
    scenario = Scenario()
    scenario.level(0, "PD2", 0)  # a low interrupt pin must not slow it down
    seen = rehearse(tmp_path, "tick", scenario, 300)
    took_s = time.monotonic() - began_s
    assert seen.asleep_fraction > 0.95
    assert len(seen.uart_lines(0)) == 299
    assert seen.simulated_s == pytest.approx(300)
    # Some 600 times faster than life on an idle machine; 60 leaves room for a busy one.
    assert 300 / took_s > 60


def test_asleep_with_interrupts_off_is_a_halt(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.watch("PD7")
    seen = rehearse(tmp_path, "halt", scenario, 2)
    assert [state for _, state in seen.pin_changes("PD7")] == ["float", "low", "high", "low"]
    assert seen.pin_changes("PD7")[1][0] < 500
    assert seen.ended == "halted"
    assert seen.simulated_s == pytest.approx(2)


def test_the_bootloader_keeps_pins_floating_and_hides_the_cause(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.watch("PD7")
    scenario.bootloader(0.5, clears_cause=True)
    scenario.reset(1)
    seen = rehearse(tmp_path, "halt", scenario, 2)
    starts_s = [t_us / 1e6 for t_us, state in seen.pin_changes("PD7") if state == "high"]
    assert starts_s == [pytest.approx(0.5, abs=0.001), pytest.approx(1.5, abs=0.001)]
    text = rehearse(tmp_path, "watchdog", scenario, 0.55).uart_text(0)
    assert text.split("\r\n")[0].endswith(" 0")


def test_power_loss_is_told_from_a_reset_button(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.reset(0.1, "power")
    scenario.reset(0.2, "external")
    scenario.reset(0.3, "power")
    seen = rehearse(tmp_path, "causes", scenario, 0.4)
    assert seen.uart_text(0).split() == ["1", "1", "3", "1"]


def test_a_sketch_gone_astray_is_told(tmp_path: Path) -> None:
    seen = rehearse(tmp_path, "astray", Scenario(), 1)
    assert seen.ended == "crashed"
    assert "Invalid write address" in seen.complaints[0]


def test_stack_depth_is_measured(tmp_path: Path) -> None:
    seen = rehearse(tmp_path, "deep", Scenario(), 0.1)
    # At least the return addresses.
    assert 200 < seen.stack_bytes < 360
    assert 1600 < seen.untouched_ram_bytes <= 2048 - seen.stack_bytes


# ---- native USB ----


def test_native_usb_without_a_host_does_not_stop_the_sketch(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.watch("PE6")
    seen = rehearse(tmp_path, "native", scenario, 1, "atmega32u4")
    changes = seen.pin_changes("PE6")
    assert len(changes) > 90
    assert changes[-1][0] > 980_000


def test_a_computer_at_the_native_usb_port_gets_the_log(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.watch("PE6")
    scenario.usb(0.5)
    scenario.reset(1.5)
    scenario.usb(2, "stuck")
    seen = rehearse(tmp_path, "native", scenario, 3, "atmega32u4")
    lines = seen.uart_lines(chip.USB)
    assert {text for _, text in lines} == {"nobody reads this"}
    # One line each 10 ms while the port is open: it takes some 15 ms to open, twice.
    assert 140 < len(lines) < 150
    assert lines[0][0] == pytest.approx(515_000, abs=15_000)
    assert 1_990_000 < lines[-1][0] < 2_000_000
    # Neither an absent nor a stuck computer stops the loop.
    changes_us = [t_us for t_us, _ in seen.pin_changes("PE6")]
    assert max(b - a for a, b in itertools.pairwise(changes_us) if a < 1_400_000) < 11_000
    assert max(b - a for a, b in itertools.pairwise(changes_us) if a > 1_600_000) < 11_000


# ---- mistakes in the call ----


def test_an_unknown_pin_is_refused_with_its_name(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.watch("PQ7")
    with pytest.raises(chip.ChipFailed, match="no pin 'PQ7'"):
        rehearse(tmp_path, "tick", scenario, 0.1)


def test_an_unknown_variable_is_refused_with_its_name(tmp_path: Path) -> None:
    scenario = Scenario()
    scenario.poke(0, "no_such_thing", b"\x00")
    with pytest.raises(chip.ChipFailed, match="no variable 'no_such_thing'"):
        rehearse(tmp_path, "tick", scenario, 0.1)
