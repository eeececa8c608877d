"""What a bare contact to ground does to a pin that its own pull-up holds high."""

from __future__ import annotations

from buildkit.rehearsal.stimuli import PASSES_S, Wires

SENDS = False
BOUNCES_S = (0.0, 0.0012, 0.002, 0.0045, 0.006)  # it closes, opens, closes, opens, closes


def always_reads(wires: Wires) -> str:
    """Open or closed."""
    return "a contact is open or closed, and either is a reading"


def cut(wires: Wires) -> int | None:
    """A cut wire is an open contact."""
    return 0


def late_s(wires: Wires) -> float:
    """The sketch's clock begins a little after power-up, and a pass goes by."""
    return PASSES_S


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on it is open (0) or closed (1), after a little bouncing.

    The change comes somewhat before its time, so that it has stood still when it is asked for.
    """
    from_s = max(0.0, t_s - min(0.03, wires.every_s / 4))
    for at, bounce_s in enumerate(BOUNCES_S):
        stands = bool(steps) == (at % 2 == 0)
        wires.contact(from_s + bounce_s, "A", stands, bounces=False)


def silent(wires: Wires, t_s: float) -> None:
    """A cut wire."""
    wires.contact(t_s, "A", False, bounces=False)
