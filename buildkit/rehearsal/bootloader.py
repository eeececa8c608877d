"""A board's own bootloader in a rehearsal on the chip: its image, and where the chip starts.

With it the chip runs the bootloader's instructions after every reset, as the fuses say, and
comes to the sketch by the bootloader's own way, or never.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from buildkit.rehearsal.signals import Scenario

# Flash of the chip and its smallest boot section, in bytes (data sheets of the ATmega328P,
# 32U4 and 2560, boot size configuration: from memory; test_chip_bootloaders holds them
# against the places for which the core's images are linked).
_CHIPS = {
    "atmega328p": (0x8000, 512),
    "atmega32u4": (0x8000, 512),
    "atmega2560": (0x40000, 1024),
}


class BadImage(Exception):
    """A bootloader's image cannot be read, or does not lie in the boot section."""


def start_address(mcu: str, high_fuse: int) -> int:
    """The byte address at which the chip starts after a reset.

    BOOTRST is bit 0 of the high fuse, BOOTSZ bits 2 and 1; a programmed bit reads 0, and
    each step of BOOTSZ doubles the section.
    """
    if high_fuse & 1:
        return 0
    flash_bytes, smallest_bytes = _CHIPS[mcu]
    return flash_bytes - (smallest_bytes << (3 - (high_fuse >> 1 & 3)))


def install(scenario: Scenario, image: Path, mcu: str, high_fuse: int) -> None:
    """Put the bootloader `image` (Intel hex) on the chip of a rehearsal.

    Raises BadImage, or OSError when the file cannot be read.
    """
    start = start_address(mcu, high_fuse)
    flash_bytes, _ = _CHIPS[mcu]
    for address, data in _pieces(image):
        if not start <= address <= flash_bytes - len(data):
            raise BadImage(f"{image.name} has bytes at {address:#x}, outside the boot section.")
        scenario.flash(address, data)
    scenario.start_at(start)


def _pieces(image: Path) -> Iterator[tuple[int, bytes]]:
    """Addresses and bytes of an Intel hex file (record types 00 to 05)."""
    above = 0
    for number, line in enumerate(image.read_text("ascii").split(), 1):
        try:
            record = bytes.fromhex(line.removeprefix(":"))
            count, kind, data = record[0], record[3], record[4:-1]
        except (ValueError, IndexError):
            raise BadImage(f"{image.name}, line {number}: this is no Intel hex record.") from None
        if sum(record) & 0xFF or count != len(data):
            raise BadImage(f"{image.name}, line {number}: the record's sum or length is wrong.")
        if kind == 0:
            yield above + int.from_bytes(record[1:3], "big"), data
        elif kind == 2:
            above = int.from_bytes(data, "big") << 4
        elif kind == 4:
            above = int.from_bytes(data, "big") << 16
