"""How much flash and RAM the written sketch will take, told without a compiler.

The figures are upper ones, measured with Debian's avr-g++ 5.4 over sketches
of every part, alone and doubled; tests/outside/test_memory.py compiles anew
and holds the estimate above the truth and near it.
"""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import control
from buildkit.circuit import Circuit
from buildkit.model import Build, Probe
from buildkit.records import dataclass

_LINE_BYTES = 50  # of a log row without its names: time, two numbers, state, commas, line end

# Flash and static RAM of blocks that several parts share, in bytes.
_BLOCKS = {
    "probe": (700, 0),  # averaging, and its rows in the log
    "i2c": (2530, 224),
    "soft-serial": (1590, 100),
    "hard-serial": (680, 156),
    "load": (200, 0),
    "display": (260, 0),  # rows, and why the board started
    "control": (600, 0),
    "control-extras": (250, 20),  # longest run, run-on, stuck value
    "hands": (350, 0),  # what hand controls add to control
}
_EACH = {
    "probe": (110, 25),
    "load": (40, 16),
    "control": (150, 40),
    "handed control": (0, 4),
    "row-piece": (10, 0),
}


@dataclass(frozen=True, slots=True)
class Memory:
    """Bytes of flash and of static RAM."""

    flash_bytes: int
    ram_bytes: int


def estimate(circuit: Circuit) -> Memory:
    """What the sketch of a circuit takes, rounded up."""
    build, board = circuit.build, circuit.board
    pairs = [(int(board.figure("sketch_flash_bytes")), int(board.figure("sketch_ram_bytes")))]
    pairs += [_BLOCKS[name] for name in _blocks(circuit)]
    pairs += [_EACH["probe"]] * len(build.probes) + [_EACH["load"]] * len(build.loads)
    pairs += [_EACH["control"]] * len(build.control)
    pairs += [_EACH["handed control"]] * (len(build.control) if build.hands else 0)
    pairs += _parts(circuit)
    pairs.append((0, sum(log_room(build))))
    step_bytes = 2 if steps_type(build) == "int16_t" else 4
    pairs += [(0, step_bytes * probe.average) for probe in build.probes.values()]
    for display in build.displays.values():
        text = sum(len(row) for row in display.rows)
        pieces = sum(row.count("{") * 2 + 1 for row in display.rows)
        pairs.append((text + pieces * _EACH["row-piece"][0], 0))
    return Memory(sum(flash for flash, _ in pairs), sum(ram for _, ram in pairs))


def _blocks(circuit: Circuit) -> list[str]:
    build = circuit.build
    there = {
        "probe": bool(build.probes),
        "i2c": bool(circuit.uses_talking("i2c")),
        "load": bool(build.loads or build.alarms or build.displays),
        "display": bool(build.displays),
        "control": bool(build.control),
        "hands": bool(build.hands),
        "control-extras": any(c.max_on_s or c.run_on_s or c.stuck_after_s for c in build.control),
    }
    links = ["hard-serial" if link.port else "soft-serial" for link in circuit.serial_links]
    return [name for name, is_there in there.items() if is_there] + sorted(set(links))


def _parts(circuit: Circuit) -> list[tuple[int, int]]:
    """Each part's own code once, and what every use of it adds."""
    pairs: list[tuple[int, int]] = []
    seen: set[str] = set()
    for use in circuit.build.uses():
        figures = use.part.figures
        if use.part.id not in seen and "code_flash_bytes" in figures:
            pairs.append((int(figures["code_flash_bytes"].value), 0))
        seen.add(use.part.id)
        if "each_flash_bytes" in figures:
            each = figures["each_flash_bytes"].value, figures["each_ram_bytes"].value
            pairs.append((int(each[0]), int(each[1])))
    return pairs


def log_room(build: Build) -> tuple[int, int]:
    """Bytes that the log's buffer has, and bytes that its longest row takes."""
    names = [max((len(name) for name in group), default=0) for group in (build.probes, build.loads)]
    line_bytes = _LINE_BYTES + sum(names)
    return 3 * line_bytes if 3 * line_bytes < 256 else 2 * line_bytes, line_bytes


def steps_type(build: Build) -> str:
    """The C++ type that holds a reading of every probe of the build."""
    return _holds(map(_greatest, build.probes.values()))


def sum_type(build: Build) -> str:
    """The C++ type that holds a whole window of every probe, and the thresholds times its count."""
    sums = [_greatest(probe) * probe.average for probe in build.probes.values()]
    for entry in build.control:
        known = control.settings(entry, build.probes[entry.by])
        sums += [abs(known.start_sum), abs(known.stop_sum)]
    return _holds(sums)


def count_type(build: Build) -> str:
    """The C++ type that counts the readings of every probe's window."""
    return "uint8_t" if all(p.average < 2**8 for p in build.probes.values()) else "uint16_t"


def _holds(sizes: Iterable[int]) -> str:
    return "int16_t" if all(size < 2**15 for size in sizes) else "int32_t"


def _greatest(probe: Probe) -> int:
    """The most steps, of either sign, that a reading of the probe can be."""
    known = control.probe_settings(probe, ())
    return max(abs(known.low), abs(known.high))
