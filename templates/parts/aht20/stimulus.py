"""What the humidity sensor answers (manual, 7.4 and 8): a status, 20 bits each, and a CRC."""

from __future__ import annotations

from buildkit.rehearsal.answering import AskedOnBus, climate
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


_asked = AskedOnBus(MEASURE, climate(reply), waits="measuring_ms", turned=(2,))
late_s, reading, spoilt, silent = _asked.late_s, _asked.reading, _asked.spoilt, _asked.silent
