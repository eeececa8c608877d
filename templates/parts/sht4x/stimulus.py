"""What the humidity sensor answers (data sheet, 4.4 to 4.6): two words, each with its CRC."""

from __future__ import annotations

from buildkit.rehearsal.answering import AskedOnBus, climate
from buildkit.rehearsal.signals import scaled

SENDS = False
MEASURE = b"\xfd"  # high precision
LONGEST_US = 8_300  # table 4: until then it refuses to be read


def reply(centi_rh: int, centi_c: int = 2150) -> bytes:
    """Six bytes that mean so many hundredths (4.6): T = -45 + 175 S/65535, RH = -6 + 125 S/65535."""
    return scaled(centi_c, -4500, 17500) + scaled(centi_rh, -600, 12500)


_asked = AskedOnBus(
    MEASURE, climate(reply), waits="longest_response_ms", turned=(1, 5), refuses_us=LONGEST_US
)
begin, late_s = _asked.begin, _asked.late_s
reading, spoilt, silent = _asked.reading, _asked.spoilt, _asked.silent
