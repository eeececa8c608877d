"""Memory: whether the sketch fits the chip, told without a compiler."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import memory
from buildkit.circuit import Circuit
from buildkit.model import Fault
from buildkit.rules import rule

_STACK_SHARE = 0.25  # of RAM, left free for the stack and interrupts


@rule("memory.flash", "error", source="the board's table, flash_bytes; the core's boards.txt")
def flash(circuit: Circuit) -> Iterable[Fault]:
    """The sketch is larger than the chip's program memory.

    Why: what does not fit cannot be uploaded. The bootloader's own share is
    already taken off.

    Wrong:
        board: atmega328p-5v    # with sixteen displays and a dozen loads

    Right:
        board: atmega2560-5v    # eight times the program memory
    """
    needed, there = memory.estimate(circuit).flash_bytes, int(circuit.board.figure("flash_bytes"))
    if needed > there:
        yield Fault(
            circuit.build.place("board"),
            f"the sketch needs about {needed} bytes of program memory; {circuit.board.id} has {there}",
            "Take a board with more flash, or fewer parts, displays and loads.",
            {"needed_bytes": needed, "there_bytes": there},
        )


@rule(
    "memory.ram",
    "error",
    source="the board's table, ram_bytes; common practice, no source: a quarter stays free for the stack",
)
def ram(circuit: Circuit) -> Iterable[Fault]:
    """The sketch's data leaves too little RAM for the stack.

    Why: data and stack share the RAM. When they meet, the sketch goes wrong
    without a word, so a quarter of the RAM stays free.

    Wrong:
        air: {part: sht3x, value: humidity, every_s: 1, average: 900}

    Right:
        air: {part: sht3x, value: humidity, every_s: 10, average: 90}
    """
    needed, there = memory.estimate(circuit).ram_bytes, int(circuit.board.figure("ram_bytes"))
    allowed = int(there * (1 - _STACK_SHARE))
    if needed > allowed:
        yield Fault(
            circuit.build.place("board"),
            f"the sketch keeps about {needed} bytes of data; {circuit.board.id} has {there} bytes "
            f"of RAM, of which {allowed} may be taken",
            "Average fewer readings, read less often, or take a board with more RAM.",
            {"needed_bytes": needed, "allowed_bytes": allowed, "ram_bytes": there},
        )
