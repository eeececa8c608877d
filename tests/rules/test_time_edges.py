"""Time at its edges."""

from __future__ import annotations

import pytest
from small import RELAY, SHELF, figures, probes, told

LOADS = f"loads:\n  fan: {{part: {RELAY}, draws: {{volts: 12, amps: 1, kind: lamp}}}}\n"


@pytest.mark.parametrize(("silence", "faults"), [(15, 0), (14.9, 1)])
def test_three_readings_of_a_part_without_a_response_time(silence: float, faults: int) -> None:
    body = probes(SHELF) + LOADS
    body += (
        "control:\n  - {drive: fan, by: shelf, start_at: 30, stop_at: 20, if_no_reading: off, "
        f"no_reading_after_s: {silence}}}\n"
    )
    assert len(told("time.no-reading-too-short", body)) == faults


def test_when_a_warmed_up_average_is_full() -> None:
    dust = "  smoke: {part: pm-frame32, value: pm2_5, every_s: 2, average: 5}\n"
    (found,) = told("time.warm-up", probes(dust))
    assert found.numbers == {"warm_up_s": 30, "average_full_s": 40}
    (short,) = told("time.warm-up", probes(dust), figures("smoke", warm_up_s=0.5))
    assert short.numbers["average_full_s"] == 10.5
    assert told("time.warm-up", probes(dust), figures("smoke", warm_up_s=None)) == []
