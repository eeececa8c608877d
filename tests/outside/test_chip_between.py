"""A sensor of 5 V behind a divider on a 3.3 V board, on the simulated chip: its span is read whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.chip_world import World, assert_same, circuit_of, compiled

pytestmark = pytest.mark.slow

BUILD = """build: barrel
board: atmega328p-3v3-stick
supply: {rail: 5V, max_ma: 500}
probes:
  tank:
    part: analog-span
    value: percent
    every_s: 1
    average: 2
    wires: {VCC: RAW}
    own_figures: {low_v: 0.5, high_v: 4.5}
between:
  tank.OUT: {part: divider}
loads:
  pump: {part: mosfet-low-side, own_figures: {on_min_v: 2.5}, draws: {volts: 12, amps: 2, kind: motor}}
control:
  - {drive: pump, by: tank, start_at: 80, stop_at: 20, min_off_s: 4, if_no_reading: off,
     no_reading_after_s: 10}
"""
LOW, HIGH = 10.0, 90.0  # percent of the sensor's span
TO_HIGH, TO_LOW, END = 12.5, 22.5, 34.0


def test_percent_of_a_5_volt_sensor_at_3_volts(tmp_path: Path) -> None:
    circuit = circuit_of(BUILD)
    upper, lower = (c.extra.ohms for c in circuit.components if c.use.section == "between")
    assert upper is not None
    assert lower is not None
    world = World(circuit)
    world.scenario.supply(circuit.io_rail.volts)
    wire = circuit.wire(circuit.build.probes["tank"].use, "OUT")
    assert wire is not None
    assert wire.pin is not None
    assert wire.pin.adc is not None
    for t_s, percent in ((0.0, LOW), (TO_HIGH, HIGH), (TO_LOW, LOW)):
        # The wire as it is soldered: the sensor's volts, and what two resistors leave of them.
        volts = (0.5 + 4.0 * percent / 100) * lower / (upper + lower)
        world.scenario.adc_mv(t_s, wire.pin.adc, round(volts * 1000))
    for t in range(1, int(END)):
        steps = HIGH if TO_HIGH <= t < TO_LOW else LOW
        world.polled("tank", [t], round(steps * 10), late_s=0.01)
    outcome = world.run(compiled(circuit, tmp_path), END)
    assert [state for _, state in outcome.switched("pump")] == ["on", "off"]
    assert_same(outcome, "pump", within_s=1.1)
    read = {float(row[2]) for row in outcome.log()[1:] if row[1] == "tank" and row[2]}
    for percent in (LOW, HIGH):
        assert min(abs(value - percent) for value in read) < 0.4, read
    assert max(read) < HIGH + 0.4
    assert min(read) > LOW - 0.4
