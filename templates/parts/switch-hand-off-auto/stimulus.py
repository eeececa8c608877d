"""A hand on a hand-off-auto switch, for rehearsals."""

from buildkit.rehearsal.stimuli import Wires

STATES = {
    "auto": "turned to AUTO",
    "off": "turned to OFF, or its wires cut",
    "hand": "turned to HAND",
}


def found(wires: Wires, state: str) -> None:
    """The switch at power-up."""
    for terminal in ("HAND", "AUTO"):
        wires.contact(0.0, terminal, state.upper() == terminal, bounces=False)


def touch(wires: Wires, t_s: float, state: str) -> None:
    """Both contacts go to a position at once; at the very start they stood there before the board."""
    for terminal in ("HAND", "AUTO"):
        wires.contact(t_s, terminal, state.upper() == terminal, bounces=t_s > 0)
