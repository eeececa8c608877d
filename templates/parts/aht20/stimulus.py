"""What the humidity sensor answers (manual, 7.4 and 8): a status, 20 bits each, and a CRC."""

from __future__ import annotations

from buildkit.rehearsal.signals import crc31
from buildkit.rehearsal.stimuli import Wires

SENDS = False
MEASURE = b"\xac\x33\x00"
MEASURING_US = 75_000  # 80 ms at the most; meanwhile the top bit of the status says busy
BUSY, READY = 0x9C, 0x1C  # both with the bit that says calibrated


def reply(centi_rh: int, centi_c: int = 2150, status: int = READY) -> bytes:
    """Seven bytes that mean so many hundredths: RH = S/2^20, T = -50 + 200 S/2^20; CRC of all six."""
    humidity = round(centi_rh * 2**20 / 10000)
    temperature = round((centi_c + 5000) * 2**20 / 20000)
    most = 2**20 - 1
    both = min(humidity, most) << 20 | min(temperature, most)
    body = bytes([status]) + both.to_bytes(5, "big")
    return body + bytes([crc31(body)])


def begin(wires: Wires) -> None:
    """Busy while it measures, with nothing new in the words."""
    wires.scenario.i2c_busy(0, wires.address, MEASURING_US, reply(0, -5000, BUSY))


def late_s(wires: Wires) -> float:
    """The sketch asks when a reading is due, and fetches it after the measuring time."""
    return wires.figure("measuring_ms") / 1000 + 0.004


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on it measures this."""
    wires.i2c(t_s, MEASURE, _reply(wires, steps))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on one bit is turned over on the way."""
    good = _reply(wires, steps)
    wires.i2c(t_s, MEASURE, good[:2] + bytes([good[2] ^ 0x10]) + good[3:])


def silent(wires: Wires, t_s: float) -> None:
    """From now on it does not answer its address."""
    wires.i2c_gone(t_s)


def _reply(wires: Wires, steps: int) -> bytes:
    return reply(steps) if wires.quantity.name == "humidity" else reply(4000, steps)
