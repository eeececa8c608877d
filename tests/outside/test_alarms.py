"""Alarms on both engines: what raises them, in builds with and without control, and for how long.

The times follow from design.md section 3 and the build's own numbers, worked out by hand.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from buildkit.rehearsal import faults, rehearsing
from buildkit.rehearsal.outcome import Outcome
from buildkit.rehearsal.traces import Trace
from tests.chip_world import circuit_of

pytestmark = pytest.mark.slow

HEAD = """build: alarms
board: {board}
supply: {{rail: 5V, max_ma: 2000}}
probes:
  air: {{part: sht3x, value: temperature, every_s: 1, own_figures: {{warm_up_s: {warm_s}}}}}
alarms:
  lamp: {{part: led-indicator, when: [no-reading]}}
  horn: {{part: buzzer, when: [no-reading, forced-rest]}}
"""
CONTROL = """loads:
  fan: {{part: ssr-zero-cross-dc-control}}
control:
  - {{drive: fan, by: air, start_at: 25, stop_at: 20, max_on_s: 10, min_off_s: 6, if_no_reading: off,
     no_reading_after_s: 4}}
"""
LATE_S = 0.2  # of a reading, and of passes of loop()


def _run(text: str, engine: str, board: str, until_s: int, asked: str, into: Path, warm_s: int = 0) -> Outcome:  # fmt: skip
    circuit = circuit_of(text.format(board=board, warm_s=warm_s))
    samples = tuple((float(t), 3000) for t in range(1, until_s + 1))
    trace = Trace("alarms", {"air": samples}, float(until_s))
    return rehearsing.rehearse(circuit, engine, trace, [faults.parse(asked)], into).outcome


def _near(spans: list[tuple[float, float]], expected: list[tuple[float, float]], beep_s: float) -> None:  # fmt: skip
    assert len(spans) == len(expected), spans
    for (begin_s, end_s), (from_s, to_s) in zip(spans, expected, strict=True):
        # A beep begins each two seconds and lasts a part of one.
        assert from_s <= begin_s <= from_s + beep_s + LATE_S, spans
        assert to_s - beep_s - LATE_S <= end_s <= to_s + LATE_S, spans


@pytest.mark.parametrize(
    ("engine", "board"), [("chip", "atmega328p-5v"), ("host", "esp32-wroom-dev38")]
)
def test_a_build_that_only_listens_tells_of_silence(
    engine: str, board: str, tmp_path: Path
) -> None:
    # Readings at 1 to 20 s; those of 21 to 40 s are lost, the fifth of them at 25 s.
    outcome = _run(HEAD, engine, board, 45, "silent@20.5+20", tmp_path)
    _near(outcome.alarms["lamp"], [(25.0, 41.0)], 0.0)
    _near(outcome.alarms["horn"], [(25.0, 41.0)], 2.0)
    assert (outcome.readings, outcome.lost_readings) == (26, 20)  # the last one at 46 s


def test_silence_in_the_warm_up_raises_nothing(tmp_path: Path) -> None:
    outcome = _run(HEAD, "host", "atmega328p-5v", 30, "silent@0+20.5", tmp_path, warm_s=15)
    _near(outcome.alarms["lamp"], [(15.0, 21.0)], 0.0)


def test_silence_and_a_forced_rest_raise_what_waits_for_them(tmp_path: Path) -> None:
    # On from 6 s (power-up counts as a rest), forced to rest 16 to 22 s and 32 to 38 s;
    # the last reading is at 43 s, so that silence counts from 47 s until a reading at 61 s.
    outcome = _run(HEAD + CONTROL, "host", "rp2040-stick", 65, "silent@43.5+17", tmp_path)
    _near(outcome.alarms["lamp"], [(47.0, 61.0)], 0.0)
    _near(outcome.alarms["horn"], [(16.0, 22.0), (32.0, 38.0), (47.0, 61.0)], 2.0)
    assert [(round(c.t_s), c.cause) for c in outcome.changes] == [
        (6, "start"), (16, "max-on"), (22, "start"), (32, "max-on"), (38, "start"),
        (47, "no-reading"), (61, "start"),
    ]  # fmt: skip
