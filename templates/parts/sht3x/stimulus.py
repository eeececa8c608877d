"""What the humidity sensor answers (data sheet, 4.3 and 4.12): two words, each with its CRC."""

from __future__ import annotations

from buildkit.rehearsal.answering import AskedOnBus, climate
from buildkit.rehearsal.signals import scaled

SENDS = False
MEASURE = b"\x24\x00"  # table 9: single shot, high repeatability, no clock stretching
LONGEST_US = 15_000  # table 4: until then it refuses to be read


def reply(centi_rh: int, centi_c: int = 2150) -> bytes:
    """Six bytes that mean so many hundredths of %RH and degC (4.13)."""
    return scaled(centi_c, -4500, 17500) + scaled(centi_rh, 0, 10000)


_asked = AskedOnBus(
    MEASURE, climate(reply), waits="longest_response_ms", turned=(1, 4), refuses_us=LONGEST_US
)
begin, late_s = _asked.begin, _asked.late_s
reading, spoilt, silent = _asked.reading, _asked.spoilt, _asked.silent
