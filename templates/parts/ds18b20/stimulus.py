"""What the thermometer does on its wire (data sheet, figures 4 and 14 to 16, tables 1 to 3)."""

from __future__ import annotations

from buildkit.rehearsal.signals import crc8
from buildkit.rehearsal.stimuli import Wires

SENDS = False


def scratchpad(steps: int) -> bytes:
    """Nine bytes: sixteenths of a degree, alarms, 12 bits, reserved, CRC."""
    body = steps.to_bytes(2, "little", signed=True) + bytes([0x4B, 0x46, 0x7F, 0xFF, 0x0C, 0x10])
    return body + bytes([crc8(body)])


def begin(wires: Wires) -> None:
    """There from power-up, showing 85 degC until its first conversion."""
    wires.scenario.thermometer(0, wires.port("DQ"))


def late_s(wires: Wires) -> float:
    """The sketch waits out the longest conversion, then reads nine bytes, one a pass."""
    return wires.figure("longest_response_ms") / 1000 + 0.02


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """Conversions from now on find this."""
    from_s = _when_fetched(wires, t_s)
    wires.scenario.thermometer(from_s, wires.port("DQ"))
    wires.scenario.temperature(from_s, wires.port("DQ"), steps / 16)


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on one bit of what it sends is turned over."""
    good, from_s = scratchpad(steps), _when_fetched(wires, t_s)
    wires.scenario.thermometer(from_s, wires.port("DQ"))
    wires.scenario.scratchpad(from_s, wires.port("DQ"), bytes([good[0] ^ 0x08]) + good[1:])


def silent(wires: Wires, t_s: float) -> None:
    """From now on nothing answers on the wire."""
    wires.scenario.thermometer(_when_fetched(wires, t_s), wires.port("DQ"), False)


def _when_fetched(wires: Wires, t_s: float) -> float:
    """Midway between two questions, or when the answer to the first has surely been fetched.

    A frame by software serial can hold it up for a tenth of a second.
    """
    return t_s + max(0.0, late_s(wires) + 0.12 - wires.every_s / 2)
