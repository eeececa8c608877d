"""Each switching part on the simulated chip: its pin rests from reset on, runs, and rests again.

A thermometer on one wire says when; the edges are those of the reference model.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.chip_world import World, assert_same, circuit_of, compiled, never_ran_before

pytestmark = pytest.mark.slow

BUILD = """build: switch
board: {board}
supply: {{rail: 5V, max_ma: 2000}}
{mains}probes:
  soil: {{part: ds18b20, value: temperature, every_s: 2, average: 2}}
loads:
  fan: {{part: {part}, draws: {{{draws}}}}}
control:
  - {{drive: fan, by: soil, start_at: 24, stop_at: 22, min_off_s: 4, if_no_reading: off,
     no_reading_after_s: 10}}
"""
MAINS = "mains: {volts: 230, hz: 50, region: eu}\n"
ON_MAINS, ON_DC = "volts: 230, amps: 0.4, kind: motor", "volts: 12, amps: 2, kind: motor"
# Part: the level at its pin that runs the load, and what it switches.
PARTS = {
    "ssr-zero-cross-dc-control": ("high", ON_MAINS),
    "ssr-random-dc-control": ("high", ON_MAINS),
    "relay-module-active-low": ("low", ON_MAINS),
    "relay-module-active-high": ("high", ON_MAINS),
    "relay-coil-bare": ("high", ON_MAINS),  # the transistor turns the level over twice
    "mosfet-low-side": ("high", ON_DC),
}
BOARDS = ("atmega328p-5v", "atmega2560-5v", "atmega32u4-5v")
COLD, WARM = 18.0, 26.0
TO_WARM, TO_COLD, END = 15.0, 31.0, 45.0


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("part", PARTS)
def test_a_switching_part(part: str, board: str, tmp_path: Path) -> None:
    runs, draws = PARTS[part]
    mains = MAINS if draws == ON_MAINS else ""
    world = World(circuit_of(BUILD.format(board=board, part=part, draws=draws, mains=mains)))
    wire = world.port("soil", "DQ")
    world.scenario.thermometer(0, wire)
    for t_s, celsius in ((0.0, COLD), (TO_WARM, WARM), (TO_COLD, COLD)):
        world.scenario.temperature(t_s, wire, celsius)
    for t in range(2, int(END), 2):
        steps = WARM if TO_WARM <= t + 0.75 < TO_COLD else COLD
        world.polled("soil", [t], round(steps * 16), late_s=0.77)
    outcome = world.run(compiled(world.circuit, tmp_path), END)

    edges = outcome.switched("fan")
    assert [state for _, state in edges] == ["on", "off"]
    assert_same(outcome, "fan", within_s=2.0)
    never_ran_before(outcome, "fan", TO_WARM)
    # Levels as they stand at the pin itself, whatever a table says of the part.
    changes = outcome.seen.pin_changes(world.load_port("fan"))
    on_s, off_s = (t_s for t_s, _ in edges)

    def state_at(t_s: float) -> str:
        return [state for t_us, state in changes if t_us <= t_s * 1e6][-1]

    rests = {"high": "low", "low": "high"}[runs]
    assert state_at(on_s - 1) == rests
    assert state_at(on_s + 1) == runs
    assert state_at(off_s + 1) == rests
    # The rest level stands before the pin becomes an output: it never passes the running one.
    before = {state for t_us, state in changes if t_us < (on_s - 0.001) * 1e6}
    assert runs not in before
