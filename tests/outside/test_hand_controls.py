"""Buttons and switches on both engines: bouncing contacts, a stuck button, HAND at power-up, silence.

What must happen, and when, is worked out here by hand from design.md section 3;
the reference model must foretell it too.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from buildkit.rehearsal import engines, faults, modelled, outcome, playing, rehearsing, touches
from buildkit.rehearsal.traces import Trace
from tests.chip_world import circuit_of

pytestmark = pytest.mark.slow

BUILD = """build: by-hand
board: {board}
supply: {{rail: 5V, max_ma: 2000}}
probes:
  warm: {{part: sht3x, value: temperature, every_s: 1}}
  soil: {{part: sht3x, address: 0x45, value: temperature, every_s: 1}}
loads:
  fan: {{part: ssr-zero-cross-dc-control, draws: {{volts: 12, amps: 1, kind: motor}}}}
  mat: {{part: ssr-zero-cross-dc-control, draws: {{volts: 12, amps: 1, kind: heater}}, cutout: thermal fuse}}
hands:
  selector: {{part: switch-hand-off-auto, commands: fan}}
  hush: {{part: button, commands: fan, does: rest}}
  mat_switch: {{part: switch-hand-off-auto, commands: mat}}
control:
  - {{drive: fan, by: warm, start_at: 25, stop_at: 20, min_on_s: 20, min_off_s: 5, max_on_s: 40,
     if_no_reading: off, no_reading_after_s: 5}}
  - {{drive: mat, by: soil, start_at: 15, stop_at: 18, min_off_s: 5, max_on_s: 100,
     if_no_reading: off, no_reading_after_s: 5}}
"""
# Contacts bounce for 10 ms; a button counts 25 ms later, a switch 30 ms.
PRESSED_S, TURNED_S = 0.035, 0.040
PASS_S = 0.005  # some passes of loop(), and the clock in whole milliseconds
ASKED = (
    "mat_switch=hand@0", "hush=hold@0", "hush=free@4", "hush=press@10", "hush=press@12",
    "selector=off@20", "selector=hand@26", "mat_switch=off@30", "mat_switch=hand@32",
    "selector=auto@80", "selector=off@105",
)  # fmt: skip
EXPECTED = [
    (5.0, "fan", "on", "start"),  # a button that is held down from the start does nothing
    (10 + PRESSED_S, "fan", "off", "hand"),  # though its least time on is 20 s
    (15 + PRESSED_S, "fan", "on", "start"),  # given back at 12 s, after its least rest
    (20 + TURNED_S, "fan", "off", "hand"),
    (26 + TURNED_S, "fan", "on", "hand"),
    (32 + TURNED_S, "mat", "on", "hand"),  # not before the switch was turned away and back
    (66 + TURNED_S, "fan", "off", "max-on"),  # and not on again, though the switch is in HAND
    (74.0, "mat", "off", "no-reading"),  # last reading at 69 s
    (100.0, "fan", "on", "start"),  # the mat waits for a new turn
    (105 + TURNED_S, "fan", "off", "hand"),
]


@pytest.mark.parametrize(
    ("engine", "board"),
    [("chip", "atmega328p-5v"), ("host", "esp32-wroom-dev38"), ("host", "rp2040-stick")],
)
def test_what_hands_do(engine: str, board: str, tmp_path: Path) -> None:
    circuit = circuit_of(BUILD.format(board=board))
    rows = {"warm": 3000, "soil": 2000}
    readings = {
        name: tuple((float(t), steps) for t in range(1, 111)) for name, steps in rows.items()
    }
    trace = Trace("by hand", readings, 110.0)
    gone = [faults.parse("silent@69.5+30")]
    touched = [touches.parse(asked, circuit) for asked in ASKED]
    done = rehearsing.rehearse(circuit, engine, trace, gone, tmp_path, touched)

    changes = done.outcome.changes
    assert [(c.load, c.state, c.cause) for c in changes] == [row[1:] for row in EXPECTED]
    late_s = max(playing.late_s(circuit, probe) for probe in circuit.build.probes.values())
    for change, (t_s, _, _, cause) in zip(changes, EXPECTED, strict=True):
        by_reading = cause == "no-reading" or (cause == "start" and t_s == round(t_s))
        assert 0 <= change.t_s - t_s + PASS_S <= 2 * PASS_S + (1.1 + late_s) * by_reading, change

    model = modelled.changes(
        circuit.build, playing.told(circuit, done.rows), [0.0], 112.0,
        touches.told(touched, circuit, [0.0]),
    )  # fmt: skip
    assert [(c.load, c.state, c.cause) for c in model] == [row[1:] for row in EXPECTED]


def test_hand_does_not_come_back_with_the_power(tmp_path: Path) -> None:
    circuit = circuit_of(BUILD.format(board="ra4m1-5v"))
    readings = {name: tuple((float(t), 2200) for t in range(1, 51)) for name in ("warm", "soil")}
    touched = [
        touches.parse(asked, circuit)
        for asked in ("selector=hand@10", "selector=off@30", "selector=hand@32")
    ]
    failure = [faults.parse("brown-out@20")]
    trace = Trace("by hand", readings, 50.0)
    done = rehearsing.rehearse(circuit, "host", trace, failure, tmp_path, touched)
    states = [(round(c.t_s, 1), c.state, c.cause) for c in done.outcome.changes]
    assert states == [(10.0, "on", "hand"), (20.0, "off", "reset"), (32.0, "on", "hand")]
    starts = modelled.starts_s(trace, failure)
    model = modelled.changes(
        circuit.build, playing.told(circuit, done.rows), starts, 50.0,
        touches.told(touched, circuit, starts),
    )  # fmt: skip
    assert [(round(c.t_ms / 1000, 1), c.state, c.cause) for c in model] == states


def test_a_cut_wire_that_hums_rests_the_load(tmp_path: Path) -> None:
    circuit = circuit_of(BUILD.format(board="samd21-3v3"))
    readings = {name: tuple((float(t), 2200) for t in range(1, 31)) for name in ("warm", "soil")}
    rows = playing.slots(circuit, Trace("by hand", readings, 30.0), (), 1)
    scenario = playing.set_up(circuit)
    playing.put(circuit, scenario, rows)
    touches.put([touches.parse("selector=hand@10", circuit)], circuit, scenario)
    hand = next(wire for wire in circuit.signals() if wire.spot == ("selector", "HAND"))
    assert hand.pin is not None
    # 50 Hz: past the threshold and back each 10 ms, so that it never stands still for 30 ms.
    for half_wave in range(300):
        scenario.level(20 + half_wave / 100, hand.pin.port, half_wave % 2)
    with engines.runner(circuit, "host", tmp_path) as run:
        ran = run(scenario, 30.0)
    (on, off) = outcome.of(circuit, ran, 30.0).changes
    assert (on.state, off.state, off.cause) == ("on", "off", "hand")
    assert 20.5 <= off.t_s <= 20.55
