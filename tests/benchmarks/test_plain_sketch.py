"""What the written sketch costs and gives beside a plain one for the same appliance.

The plain ones, in ``plain/``, are in the usual style: one thing after another, each waited
for, with the core's own classes and floating point; they check frames and keep the same
dwell times and silence, but have no watchdog, no reset cause, no bus that recovers, no
display that comes back, and a log that blocks.  The written one takes at most 1.1 times
their flash, and its passes of loop() come at least 100 times as often.
"""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from buildkit import sketch
from buildkit.circuit import Circuit
from buildkit.rehearsal import toolchain
from buildkit.rehearsal.engines import core_of
from buildkit.rehearsal.toolchain import Compiled
from tests.chip_world import EXAMPLE_NAMES, World, circuit_of, example_text
from tests.outside.test_chip_moved import SCENES

pytestmark = pytest.mark.slow

PLAIN = Path(__file__).parent / "plain"
# The plain sketch's pins: example, its own word, the written sketch's use and terminal.
PINS = {
    "kitchen-hood": {"SENSOR_PIN": ("smoke", "TXD"), "HOOD_PIN": ("hood", "CTRL+")},
    "seedling-mat": {"SOIL_PIN": ("soil", "DQ"), "MAT_PIN": ("mat", "IN"), "LAMP_PIN": ("lamp", "A")},
    "reed-room": {"SHELF_PIN": ("shelf", "OUT"), "MIST_PIN": ("mist", "IN"), "LAMP_PIN": ("lamp", "A")},
}  # fmt: skip
MOST_FLASH = 1.1
COUNTS_FROM_S, COUNTS_UNTIL_S = 4.0, 10.0


def _plain(name: str, circuit: Circuit) -> str:
    """The plain sketch on the pins of the circuit."""
    text = (PLAIN / f"{name}.ino").read_text(encoding="utf-8")
    for word, (part, terminal) in PINS[name].items():
        use = next(use for use in circuit.build.uses() if use.name == part)
        wire = circuit.wire(use, terminal)
        assert wire is not None
        assert wire.pin is not None
        text, count = re.subn(rf"#define {word} .*", f"#define {word} {wire.pin.code}", text)
        assert count == 1
    # What its own editor puts there.
    return f"#include <Arduino.h>\n{text}"


def _compiled(text: str, circuit: Circuit, into: Path) -> Compiled:
    into.mkdir(parents=True)
    shutil.copy(PLAIN / "usual.h", into)
    ino = into / "sketch.ino"
    ino.write_text(text, encoding="utf-8")
    return toolchain.compile_sketch(ino, core_of(circuit), into)


# One board a chip; the others with the same chip differ by a few bytes.
@pytest.mark.parametrize("board", ["atmega328p-5v", "atmega32u4-5v", "atmega2560-5v"])
def test_flash_and_ram(board: str, tmp_path: Path) -> None:
    print()
    for name in EXAMPLE_NAMES:
        circuit = circuit_of(example_text(name, board))
        for link in circuit.serial_links:
            assert (link.port is None) == board.startswith("atmega328p"), "as in the plain one"
        ours = _compiled(sketch.render(circuit), circuit, tmp_path / name / "written")
        plain = _compiled(_plain(name, circuit), circuit, tmp_path / name / "plain")
        flash, ram = ours.flash_bytes / plain.flash_bytes, ours.ram_bytes / plain.ram_bytes
        print(
            f"{board} {name}: flash {ours.flash_bytes} of {plain.flash_bytes}, {flash:.3f} times; "
            f"RAM {ours.ram_bytes} of {plain.ram_bytes}, {ram:.3f} times"
        )
        assert flash <= MOST_FLASH


def _passes_per_s(text: str, name: str, circuit: Circuit, into: Path) -> float:
    head = "void loop() {\n"
    assert text.count(head) == 1
    counting = text.replace(head, f"volatile uint32_t passes;\n{head}  passes++;\n")
    made = _compiled(counting, circuit, into)
    world = World(circuit)
    SCENES[name](world)
    for t_s in (COUNTS_FROM_S, COUNTS_UNTIL_S):
        world.scenario.peek(t_s, "passes", 4)
    first, last = world.run(made, COUNTS_UNTIL_S + 0.1).seen.memory
    count = int.from_bytes(last.data, "little") - int.from_bytes(first.data, "little")
    return count / (COUNTS_UNTIL_S - COUNTS_FROM_S)


@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_passes_of_the_loop(name: str, tmp_path: Path) -> None:
    circuit = circuit_of(example_text(name, "atmega328p-5v"))
    ours = _passes_per_s(sketch.render(circuit), name, circuit, tmp_path / "written")
    # The warm-up is left out, in which the plain one would not turn at all.
    text = _plain(name, circuit).replace("delay(30000)", "delay(0)")
    plain = _passes_per_s(text, name, circuit, tmp_path / "plain")
    print(
        f"\n{name}: {ours:.0f} passes a second, the plain one {plain:.2f}: {ours / plain:.0f} times"
    )
    assert ours >= 100 * plain > 0
