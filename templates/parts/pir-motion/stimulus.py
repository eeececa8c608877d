"""What a motion sensor does to its output: high while something warm moves, low at rest."""

from __future__ import annotations

from buildkit.rehearsal.stimuli import PASSES_S, Wires

SENDS = False


def always_reads(wires: Wires) -> str:
    """High or low."""
    return "its output is high or low, and either is a reading"


def cut(wires: Wires) -> int | None:
    """A cut wire floats; it is played as none."""
    return 0


def late_s(wires: Wires) -> float:
    """The sketch's clock begins a little after power-up, and a pass goes by."""
    return PASSES_S


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """Motion from now on (1), or none (0).

    A reading says whether there was any since the one before, so motion ends
    well before the last question that it answers.
    """
    wires.level(t_s, "OUT", steps)
    if steps:
        wires.level(max(t_s, until_s - 0.75 * wires.every_s), "OUT", 0)


def silent(wires: Wires, t_s: float) -> None:
    """A cut wire, which floats."""
    wires.level(t_s, "OUT", None)
