"""How long a pass of loop() takes on the simulated chip, and that no byte is lost meanwhile.

A byte at 9600 baud takes 10/9600 s, and both kinds of receiver keep 63 of them
(SoftwareSerial.h, HardwareSerial.h), so a pass must end well before that many have come.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from buildkit import sketch
from buildkit.circuit import Circuit
from buildkit.rehearsal import toolchain
from buildkit.rehearsal.engines import core_of, measuring
from buildkit.rehearsal.toolchain import Compiled
from tests.chip_world import EXAMPLE_NAMES, World, circuit_of, compiled, example_text
from tests.outside.test_chip_moved import SCENES

pytestmark = pytest.mark.slow

BUFFER_S = 63 * 10 / 9600
CHIPS = ("atmega328p-5v", "atmega328p-3v3-stick", "atmega2560-5v")


def _measuring(circuit: Circuit, into: Path) -> Compiled:
    ino = into / "measured" / "measured.ino"
    ino.parent.mkdir()
    ino.write_text(measuring(sketch.render(circuit)), encoding="utf-8")
    return toolchain.compile_sketch(ino, core_of(circuit), ino.parent)


@pytest.mark.parametrize("board", CHIPS)
@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_the_longest_pass(name: str, board: str, tmp_path: Path) -> None:
    """Start, display and log; and a load's edge while something holds the clock line low."""
    circuit = circuit_of(example_text(name, board))
    world = World(circuit)
    SCENES[name](world)
    world.scenario.i2c_hold(59.5, "scl")
    world.scenario.i2c_hold(65, None)
    for t_s in (59.4, 71.9):
        world.scenario.peek(t_s, "longestPassUs", 4)
    seen = world.run(_measuring(circuit, tmp_path), 72).seen
    usual, held = (int.from_bytes(found.data, "little") / 1e6 for found in seen.memory)
    print(f"\n{name} on {board}: {usual * 1e3:.1f} ms, with a bus held low {held * 1e3:.1f} ms")
    assert 0 < usual < BUFFER_S / 3
    assert usual < held < BUFFER_S


@pytest.mark.parametrize("board", ["atmega328p-5v", "atmega328p-3v3-stick"])
def test_no_serial_byte_is_lost_in_ten_minutes_of_a_display_rewritten_each_second(
    board: str, tmp_path: Path
) -> None:
    """Software serial on both clocks, every row of the display new with each frame."""
    world = World(circuit_of(example_text("kitchen-hood", board)))
    values = (1, 12, 123)
    seconds = range(1, 600)
    for t in seconds:
        world.frames("smoke", [t + 0.2], values[t % 3])
    outcome = world.run(compiled(world.circuit, tmp_path), 600)
    readings = [row[2] for row in outcome.log() if row[1] == "smoke"]
    assert readings == [str(values[t % 3]) for t in seconds]
    assert not outcome.seen.uart_troubles
    for t in range(5, 600, 37):
        assert outcome.rows_at(t + 0.9)[0] == f"PM2.5 {values[t % 3]} ug/m3".ljust(16)
