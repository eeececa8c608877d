"""What the humidity sensor answers (data sheet, 4.4 to 4.6): two words, each with its CRC."""

from __future__ import annotations

from buildkit.rehearsal.signals import guarded
from buildkit.rehearsal.stimuli import Wires

SENDS = False
MEASURE = b"\xfd"  # high precision
LONGEST_US = 8_300  # table 4: until then it refuses to be read


def reply(centi_rh: int, centi_c: int = 2150) -> bytes:
    """Six bytes that mean so many hundredths (4.6): T = -45 + 175 S/65535, RH = -6 + 125 S/65535."""
    humidity = round((centi_rh + 600) * 65535 / 12500)
    temperature = round((centi_c + 4500) * 65535 / 17500)
    return guarded(temperature) + guarded(humidity)


def begin(wires: Wires) -> None:
    """Not to be read while it measures."""
    wires.scenario.i2c_busy(0, wires.address, LONGEST_US)


def late_s(wires: Wires) -> float:
    """The sketch asks when a reading is due, and fetches it after the longest response."""
    return wires.figure("longest_response_ms") / 1000 + 0.004


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on it measures this."""
    wires.i2c(t_s, MEASURE, _reply(wires, steps))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on one bit of each word is turned over on the way."""
    good = _reply(wires, steps)
    wires.i2c(t_s, MEASURE, bytes(b ^ 0x10 if at in (1, 5) else b for at, b in enumerate(good)))


def silent(wires: Wires, t_s: float) -> None:
    """From now on it does not answer its address."""
    wires.i2c_gone(t_s)


def _reply(wires: Wires, steps: int) -> bytes:
    return reply(steps) if wires.quantity.name == "humidity" else reply(4000, steps)
