"""A hang under each board's own bootloader, which runs instruction by instruction too.

The images, and the fuses that say where the chip starts, are those of the core's package:
what a board's table says of its bootloader is held against them.  The load's pin must be at
rest from the watchdog's interrupt until the sketch has started anew and decided again.
The package has no image for the ATmega32U4, and its ATmegaBOOT is the one for the sticks.
"""

from __future__ import annotations

import dataclasses
import itertools
import subprocess
from dataclasses import dataclass
from pathlib import Path

import pytest

from buildkit import sketch
from buildkit.circuit import Circuit
from buildkit.rehearsal import bootloader, toolchain
from buildkit.rehearsal.engines import core_of
from buildkit.rehearsal.signals import Scenario
from tests.chip_world import Outcome, World, circuit_of, hang_after
from tests.outside.test_board_pins import boards_txt

pytestmark = pytest.mark.slow

IMAGES = toolchain.CORE_ROOT / "bootloaders"

# The fan runs from the first reading on, so there is little to wait for.
FAN = """build: fan
board: {board}
supply: {{rail: 5V, max_ma: 500}}
probes:
  bead: {{part: ntc-divider, value: temperature, every_s: 1}}
loads:
  fan: {{part: relay-module-active-low}}
control:
  - {{drive: fan, by: bead, start_at: 30, stop_at: 25, if_no_reading: off, no_reading_after_s: 15}}
"""
HANGS_MS = 2500
UNTIL_S = 9.0


@dataclass(frozen=True)
class Under:
    """A board under one of the bootloaders that the core has for it."""

    board: str
    identifier: str
    """The entry in boards.txt that names the image: the board's own, or an older one."""
    survives: bool
    """Whether a watchdog reset ends in the sketch again."""
    boots_s: float
    """How long the bootloader waits for an upload after power-up, at most."""


UNDER = (
    Under("atmega328p-5v", "arduino:avr:uno", True, 0.1),
    Under("atmega328p-5v-stick", "arduino:avr:nano:cpu=atmega328", True, 0.1),
    Under("atmega328p-5v-stick", "arduino:avr:nano:cpu=atmega328old", False, 1.5),
    Under("atmega328p-3v3-stick", "arduino:avr:pro:cpu=8MHzatmega328", False, 1.5),
    Under("atmega2560-5v", "arduino:avr:mega:cpu=atmega2560", True, 1.0),
)
NAMES = [under.identifier.removeprefix("arduino:avr:") for under in UNDER]


@pytest.fixture(scope="module")
def optiboot(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Optiboot from the source in the core's package.

    The image beside it is 532 bytes long, as today's compiler makes it with the flags of its
    Makefile, and does not fit the 512 bytes of its section; with these flags it does.
    """
    into = tmp_path_factory.mktemp("optiboot")
    elf, image = into / "optiboot.elf", into / "optiboot.hex"
    flags = (
        "-Os -fno-split-wide-types -fwhole-program -fno-jump-tables -fno-move-loop-invariants -w "
        "-mmcu=atmega328p -DF_CPU=16000000L -DLED_START_FLASHES=3 -DBAUD_RATE=115200 -nostdlib "
        "-nostartfiles -Wl,--relax -Wl,--section-start=.text=0x7e00 -Wl,--section-start=.version=0x7ffe"
    )
    source = IMAGES / "optiboot" / "optiboot.c"
    subprocess.run(["avr-gcc", *flags.split(), str(source), "-o", str(elf)], check=True)
    subprocess.run(["avr-objcopy", "-O", "ihex", str(elf), str(image)], check=True)
    return image


def _installed(world: World, under: Under, optiboot: Path) -> None:
    entry = boards_txt(under.identifier)
    named = entry["bootloader.file"]
    image = optiboot if named.startswith("optiboot/") else IMAGES / named
    mcu = world.circuit.board.core.mcu
    bootloader.install(world.scenario, image, mcu, int(entry["bootloader.high_fuses"], 16))


def _circuit(under: Under, survives: bool) -> Circuit:
    """The fan's circuit, its board told whether the bootloader survives a watchdog reset."""
    circuit = circuit_of(FAN.format(board=under.board))
    board = circuit.build.board
    told = dataclasses.replace(board.bootloader, survives_watchdog=survives)
    board = dataclasses.replace(board, bootloader=told)
    return dataclasses.replace(circuit, build=dataclasses.replace(circuit.build, board=board))


def _run(
    under: Under, optiboot: Path, into: Path, *, trusted: bool, button_s: float = 0
) -> Outcome:
    """The fan's sketch hangs under a bootloader, trusted to survive that or not."""
    world = World(_circuit(under, trusted))
    _installed(world, under, optiboot)
    world.bead(0, "bead", 40.0)
    if button_s:
        world.scenario.reset(button_s)
    text = hang_after(sketch.render(world.circuit), HANGS_MS)
    ino = into / "fan" / "fan.ino"
    ino.parent.mkdir()
    ino.write_text(text, encoding="utf-8")
    made = toolchain.compile_sketch(ino, core_of(world.circuit), ino.parent)
    return world.run(made, UNTIL_S)


def _runs(outcome: Outcome) -> list[tuple[float, float]]:
    """Seconds from which and until which the fan's pin ran it."""
    spans: list[tuple[float, float]] = []
    since = None
    for t_us, state in outcome.seen.pin_changes(outcome.world.load_port("fan")):
        if state == "low":
            since = t_us / 1e6
        elif since is not None:
            spans.append((since, t_us / 1e6))
            since = None
    return spans if since is None else [*spans, (since, UNTIL_S)]


@pytest.mark.parametrize("under", UNDER, ids=NAMES)
def test_a_hang_ends_as_the_table_says(under: Under, optiboot: Path, tmp_path: Path) -> None:
    """Started anew where the table trusts the bootloader, else at rest until the button."""
    table = circuit_of(FAN.format(board=under.board)).board.bootloader
    button_s = 0.0 if table.survives_watchdog else 6.2
    outcome = _run(under, optiboot, tmp_path, trusted=table.survives_watchdog, button_s=button_s)
    runs = _runs(outcome)
    causes = [reset.cause for reset in outcome.seen.resets]
    assert causes[:2] == ["power", "watchdog" if table.survives_watchdog else "external"]
    # Optiboot leaves its wait for an upload by a watchdog reset of its own.
    assert causes[2:] in ([], ["watchdog"])
    # The first reading is due one second after the sketch starts.
    first_s = 1.0 + under.boots_s
    assert runs[0][0] == pytest.approx(first_s, abs=0.5 * under.boots_s + 0.1)
    began_s = runs[0][0] - 1.0
    # Two seconds after the last pass the interrupt rests the fan; nothing runs it again
    # before the sketch has started anew and has its own first reading.
    assert runs[0][1] == pytest.approx(began_s + HANGS_MS / 1000 + 2.05, abs=0.1)
    restart_s = outcome.seen.resets[1].t_us / 1e6
    assert [run[0] > restart_s + 0.99 for run in runs[1:]] == [True]
    # Either way it is told why.
    assert "reset: watchdog" in [row[5] for row in outcome.log() if len(row) > 5]


@pytest.mark.parametrize("under", UNDER, ids=NAMES)
def test_what_a_bootloader_makes_of_a_watchdog_reset(
    under: Under, optiboot: Path, tmp_path: Path
) -> None:
    """If it were trusted; one that never comes back still leaves the fan at rest."""
    outcome = _run(under, optiboot, tmp_path, trusted=True)
    resets, runs = outcome.seen.resets, _runs(outcome)
    assert {reset.cause for reset in resets[1:]} == {"watchdog"}
    if under.survives:
        assert len(resets) == 2
        assert len(runs) == 2
    else:
        # The watchdog stays on at its shortest, 16 ms, which the bootloader outlasts.
        gaps = [b.t_us - a.t_us for a, b in itertools.pairwise(resets[1:])]
        assert len(gaps) > 50
        assert max(gaps) < 20_000
        assert len(runs) == 1
    # A table may trust a bootloader less than this image deserves, for boards with an older
    # one cannot be told apart; more than that it must not.
    table = circuit_of(FAN.format(board=under.board)).board.bootloader
    assert under.survives or not table.survives_watchdog


def test_the_images_begin_where_the_fuses_say() -> None:
    for under in UNDER:
        entry = boards_txt(under.identifier)
        mcu, fuse = entry["build.mcu"], int(entry["bootloader.high_fuses"], 16)
        scenario = Scenario()
        image = IMAGES / entry["bootloader.file"]
        if not image.name.startswith("optiboot"):
            bootloader.install(scenario, image, mcu, fuse)
            first = scenario.lines[0].split()[1]
            assert scenario.lines[-1] == f"start {first}"
        # What boards.txt leaves for the sketch ends where the boot section begins.
        assert bootloader.start_address(mcu, fuse) == int(entry["upload.maximum_size"])
    assert bootloader.start_address("atmega328p", 0xDF) == 0


def test_a_bad_image_is_refused(tmp_path: Path) -> None:
    image = tmp_path / "boot.hex"
    for text, said in {
        ":0278000000007A\n": "sum or length",
        ":zz\n": "no Intel hex record",
        ":020000000000FE\n": "outside the boot section",
    }.items():
        image.write_text(text, encoding="ascii")
        with pytest.raises(bootloader.BadImage, match=said):
            bootloader.install(Scenario(), image, "atmega328p", 0xDA)
    # The image in the package does not fit; were it put there all the same, its end would be lost.
    with pytest.raises(bootloader.BadImage, match="0x8000, outside"):
        bootloader.install(
            Scenario(), IMAGES / "optiboot" / "optiboot_atmega328.hex", "atmega328p", 0xDE
        )
