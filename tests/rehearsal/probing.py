"""What the tests of the chip engine share: boards, and running a probe sketch on one."""

from __future__ import annotations

from pathlib import Path

from buildkit.rehearsal import chip, toolchain
from buildkit.rehearsal.chip import ChipRun
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.toolchain import AvrCore

SKETCHES = Path(__file__).parent / "sketches"
CLOCK_HZ = 16_000_000
CORES = {
    "atmega328p": AvrCore("atmega328p", CLOCK_HZ, "standard", ("ARDUINO_AVR_UNO",)),
    "atmega32u4": AvrCore(
        "atmega32u4",
        CLOCK_HZ,
        "leonardo",
        ("ARDUINO_AVR_LEONARDO", "USB_VID=0x2341", "USB_PID=0x8036"),
    ),
    "atmega2560": AvrCore("atmega2560", CLOCK_HZ, "mega", ("ARDUINO_AVR_MEGA2560",)),
}


def rehearse(
    tmp_path: Path, sketch: str, scenario: Scenario, until_s: float, mcu: str = "atmega328p"
) -> ChipRun:
    made = toolchain.compile_sketch(SKETCHES / f"{sketch}.ino", CORES[mcu], tmp_path / mcu)
    seen = chip.run(made.elf, mcu, CLOCK_HZ, scenario, until_s)
    assert seen.complaints == () or sketch == "astray"
    return seen
