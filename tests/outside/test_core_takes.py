"""What the tables say that the core's services take: AVR against the core and avr-libc themselves,
others against facts of published cores in reference/."""

from __future__ import annotations

import json
import re
import subprocess
from functools import cache
from pathlib import Path

import pytest

from buildkit import claims
from buildkit.model import Board
from buildkit.places import data_dir
from buildkit.tables import Tables
from tests.chip_world import AVR_BOARDS

AVR = Path("/usr/share/arduino/hardware/arduino/avr")
CORE = AVR / "cores/arduino"


@cache
def board_of(board_id: str) -> Board:
    return Tables().board(board_id)


@cache
def preprocessed(source: Path, board: str) -> str:
    """A file of the core as the compiler sees it for a board's chip."""
    known = board_of(board)
    usb = ["-DUSB_VID=1", "-DUSB_PID=1"] if "32u4" in known.core.mcu else []
    made = subprocess.run(
        ["avr-g++", "-E", "-P", f"-mmcu={known.core.mcu}", "-DF_CPU=16000000L", "-DARDUINO=10819",
         *usb, f"-I{CORE}", f"-I{AVR / 'variants' / known.core.variant}",
         f"-I{AVR / 'libraries/SoftwareSerial/src'}", str(source)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    return made.stdout


@cache
def vectors(board: str) -> dict[str, str]:
    """Interrupt vectors of the chip by name: as the numbered function that each is."""
    mcu = board_of(board).core.mcu
    made = subprocess.run(
        ["avr-g++", "-E", "-dM", f"-mmcu={mcu}", "-x", "c++", "-include", "avr/io.h", "/dev/null"],
        check=True,
        capture_output=True,
        text=True,
    )
    found = re.findall(r"^#define (\w+)_vect _VECTOR\((\d+)\)$", made.stdout, re.MULTILINE)
    return {name: f"__vector_{number}" for name, number in found}


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_the_timer_of_tone(board: str) -> None:
    text = preprocessed(CORE / "Tone.cpp", board)
    (numbers,) = re.findall(r"tone_pin_to_timer_PGM\[\][^{]*\{([^}]*)\}", text)
    taking = board_of(board).core.takes["tone"]
    assert taking.timers == tuple(f"TIMER{number.strip()}" for number in numbers.split(","))
    assert taking.at_once == len(numbers.split(","))


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_the_timer_of_the_clock(board: str) -> None:
    text = preprocessed(CORE / "wiring.c", board)
    timer = next(n for n in range(6) if f"void {vectors(board)[f'TIMER{n}_OVF']} " in text)
    taking = board_of(board).core.takes["millis"]
    assert taking.timers == (f"TIMER{timer}",)
    assert taking.bears_pwm  # analogWrite() is the core's own, and starts from there


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_software_serial_has_the_pin_change_vectors_of_all_pins(board: str) -> None:
    text = preprocessed(AVR / "libraries/SoftwareSerial/src/SoftwareSerial.cpp", board)
    known = board_of(board)
    assert known.core.takes["soft-serial"].pin_change
    for group in claims.change_groups(known):
        assert f"void {vectors(board)[f'PCINT{group}']} " in text
    assert len([name for name in vectors(board) if name.startswith("PCINT")]) == len(
        claims.change_groups(known)
    )


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_every_timer_that_a_pin_names_is_the_chip_s(board: str) -> None:
    timers = {pin.timer for pin in board_of(board).pins.values() if pin.timer is not None}
    assert timers <= {name.removesuffix("_OVF") for name in vectors(board)}
    taken = {t for taking in board_of(board).core.takes.values() for t in taking.timers}
    assert taken <= {name.removesuffix("_OVF") for name in vectors(board)}


REFERENCE = Path(__file__).parent / "reference"
PUBLISHED = ("esp8266-12e-dev", "ra4m1-5v", "rp2040-stick", "samd21-3v3", "stm32f103-stick")
OURS = ("watchdog",)  # the sketch's own


@pytest.mark.parametrize("board", PUBLISHED)
def test_services_are_as_published_cores_have_them(board: str) -> None:
    facts = json.loads((REFERENCE / f"{board}.json").read_text(encoding="utf-8"))["services"]
    takes = board_of(board).core.takes
    assert {name for name in takes if name not in OURS} == set(facts) - {"from"}
    for name, taking in takes.items():
        if name not in OURS:
            assert list(taking.timers) == facts[name]["timers"]
            assert taking.at_once == facts[name].get("at_once", 0)


def test_the_watchdog_of_the_esp8266_has_the_timer_of_its_sketch() -> None:
    core = (data_dir("templates") / "sketch/core-esp8266.j2").read_text(encoding="utf-8")
    assert "timer1_attachInterrupt(watchdogBites)" in core
    assert board_of("esp8266-12e-dev").core.takes["watchdog"].timers == ("TIMER1",)
