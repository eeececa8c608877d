"""Hand controls in a rehearsal: who presses or turns what, and when.

``NAME=STATE@TIME``, the time in seconds since power-up.  The states are those
of the part's ``stimulus.py``, its first one what stands there at power-up.
The contacts bounce as long as the part's table says.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from types import ModuleType

from buildkit import hands
from buildkit.circuit import Circuit
from buildkit.control import Touch
from buildkit.model import Hand
from buildkit.rehearsal import stimuli
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.stimuli import NoStimulus, Wires
from buildkit.validation import did_you_mean

_ASKED = re.compile(r"([a-z0-9_]+)=([a-z-]+)@([0-9]+(?:\.[0-9]+)?)")
_NEEDED = ("STATES", "touch", "found")


class BadTouch(Exception):
    """A hand control that cannot be used so, and why."""


@dataclass(frozen=True, slots=True)
class Touched:
    """A hand control brought into a state at a time."""

    name: str
    state: str
    at_s: float

    def __str__(self) -> str:
        return f"{self.name}={self.state}@{self.at_s:g}"


def parse(text: str, circuit: Circuit) -> Touched:
    """What is asked for on the command line.  Raises BadTouch or NoStimulus."""
    match = _ASKED.fullmatch(text.strip())
    if match is None:
        raise BadTouch(f"'{text}' is no NAME=STATE@TIME, such as selector=off@120.")
    known = circuit.build.hands
    if match[1] not in known:
        raise BadTouch(
            f"there is no hand control '{match[1]}' in this build. "
            + did_you_mean(match[1], known, "hand controls")
        )
    states = _said(known[match[1]]).STATES
    if match[2] not in states:
        raise BadTouch(
            f"{match[1]} has no state '{match[2]}'. {did_you_mean(match[2], states, 'states')}"
        )
    return Touched(match[1], match[2], float(match[3]))


def put(touches: Iterable[Touched], circuit: Circuit, scenario: Scenario) -> None:
    """Every hand control as it stands at power-up, then the touches, onto the wires."""
    for hand in circuit.build.hands.values():
        said, wires = _said(hand), Wires(hand.use, circuit, scenario)
        said.found(wires, next(iter(said.STATES)))
        for touch in in_order(touches):
            if touch.name == hand.use.name:
                said.touch(wires, touch.at_s, touch.state)


def told(touches: Sequence[Touched], circuit: Circuit, starts_s: Iterable[float]) -> list[Touch]:
    """What the reference model is told: presses and positions once the contacts have settled.

    At each start of the board a switch is found where it stands.
    """
    made: list[Touch] = []
    for name, hand in circuit.build.hands.items():
        mine = [touch for touch in in_order(touches) if touch.name == name]
        bounce_s, debounce_s = (hand.use.figure(f"{n}_ms") / 1000 for n in ("bounce", "debounce"))
        settles_s = bounce_s + debounce_s
        if hand.selector:
            first = next(iter(_said(hand).STATES))
            for start_s in starts_s:
                before = [touch.state for touch in mine if touch.at_s <= start_s]
                made.append((round((start_s + debounce_s) * 1000), name, [first, *before][-1]))
            made += ((round((t.at_s + settles_s) * 1000), name, t.state) for t in mine)
        else:
            closed = False
            for touch in mine:
                if not closed and touch.state in ("press", "hold") and touch.at_s > 0:
                    made.append((round((touch.at_s + settles_s) * 1000), name, hands.PRESS))
                closed = touch.state == "hold"
    return sorted(made)


def in_order(touches: Iterable[Touched]) -> list[Touched]:
    """Touches by their time."""
    return sorted(touches, key=lambda touch: touch.at_s)


def _said(hand: Hand) -> ModuleType:
    said = stimuli.module(hand.use.part)
    lacking = [name for name in _NEEDED if not hasattr(said, name)]
    if lacking:
        raise NoStimulus(f"{said.__file__} has no {', '.join(lacking)}.")
    return said
