"""Every example, saved by ``move`` for every AVR board, compiled and run on the simulated chip.

test_chip_examples runs long scenes with open pins; here the pins are those
that the saved file names, and the run is a short one: the load rests while
its dwell time lasts, runs when the readings ask for it, on the pin that the
moved file says.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from buildkit import buildfile, document, editing, moving
from tests.chip_world import (
    AVR_BOARDS,
    EXAMPLE_NAMES,
    EXAMPLES,
    World,
    assert_same,
    circuit_of,
    compiled,
    never_ran_before,
    sht_reply,
    tables,
)

pytestmark = pytest.mark.slow

# Seconds: the dwell time after power-up is 60 in every example, and what the run shows after it.
UNTIL_S = 75.0


def saved(name: str, board: str) -> str:
    """The text that ``move --save`` writes, every pin of the first board written out before."""
    path = EXAMPLES / f"{name}.yaml"
    raw = path.read_bytes()
    circuit = circuit_of(raw.decode())
    raw = editing.edited(raw, moving.pin_changes(circuit), str(path))
    made = buildfile.from_tree(document.parse(raw, str(path)), tables())
    found = moving.move(made, tables().board(board), tables(), add_parts=True)
    # Whether the relay of the example hears 3.3 V is no matter of the pins.
    assert {f.rule for f in found.unfit} <= {"level.control-too-low"}
    assert board.endswith("3v3-stick") or not found.errors
    assert found.homeless == ()
    return editing.edited(raw, found.changes, str(path)).decode()


def _smoke(world: World) -> str:
    world.frames("smoke", (t + 0.2 for t in range(1, 75)), 40)
    return "hood"


def _soil(world: World) -> str:
    pin = world.port("soil", "DQ")
    world.scenario.thermometer(0, pin)
    world.scenario.temperature(0, pin, 18.0)
    world.polled("soil", range(2, 75, 2), 18 * 16, late_s=0.77)
    return "mat"


def _air(world: World) -> str:
    world.scenario.i2c_busy(0, 0x44, 15_000)
    world.scenario.i2c_reply(0, 0x44, sht_reply(4000), after=b"\x24\x00")
    world.polled("air", range(2, 75, 2), 4000, late_s=0.02)
    world.bead(0, "shelf", 20.0)
    world.polled("shelf", range(5, 75, 5), 200, late_s=0.02)
    return "mist"


SCENES: dict[str, Callable[[World], str]] = {
    "kitchen-hood": _smoke,
    "seedling-mat": _soil,
    "reed-room": _air,
}


def test_every_example_has_a_scene() -> None:
    assert set(SCENES) == set(EXAMPLE_NAMES)


@pytest.mark.parametrize("board", AVR_BOARDS)
@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_a_moved_example_runs(name: str, board: str, tmp_path: Path) -> None:
    circuit = circuit_of(saved(name, board))
    assert circuit.board.id == board
    assert all(wire.chosen == "build" for wire in circuit.signals())
    world = World(circuit)
    load = SCENES[name](world)
    outcome = world.run(compiled(circuit, tmp_path), UNTIL_S)
    assert_same(outcome, load, within_s=2.0)
    ((at_s, state),) = outcome.switched(load)
    assert state == "on"
    # The hood waits for its sensor to warm up and its window to fill; all wait out 60 s.
    assert 59.9 < at_s < 64
    never_ran_before(outcome, load, 59.9)
    assert [reset.cause for reset in outcome.seen.resets] == ["power"]
