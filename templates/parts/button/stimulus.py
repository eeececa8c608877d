"""A finger on a push button, for rehearsals."""

from buildkit.rehearsal.stimuli import Wires

STATES = {
    "free": "let go",
    "press": "pressed for 0.3 s",
    "hold": "pressed until it is let go",
}
_PRESS_S = 0.3


def found(wires: Wires, state: str) -> None:
    """The button at power-up."""
    wires.contact(0.0, "A", state != "free", bounces=False)


def touch(wires: Wires, t_s: float, state: str) -> None:
    """The finger comes or goes; at the very start it was there before the board."""
    wires.contact(t_s, "A", state != "free", bounces=t_s > 0)
    if state == "press":
        wires.contact(t_s + _PRESS_S, "A", False)
