"""Hand controls in the reference model: what a person asks of a load, and how long.

A hand asks to rest (``REST``), to run (``RUN``) or nothing; a switch in HAND
that must be turned anew (``SPENT``) rests the load as well.  Of several on one
load, one that asks to rest beats those that ask to run.  A press of a button
asks once, and the next press gives the load back to its control.  A switch
asks by its position; HAND counts only when the switch is turned there, so that
after power-up no load starts because of where a switch was left.  What rests a
load that a hand ran (the longest run; silence, for a heater) spends the hand:
a button then asks nothing, a switch asks to rest until it is turned away.
"""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.model import Build, Hand
from buildkit.records import dataclass

SPENT, REST, NOTHING, RUN = -2, -1, 0, 1
POSITIONS = {"hand": RUN, "off": REST, "auto": NOTHING}
PRESS = "press"


def spent(hand: Hand) -> int:
    """What a hand asks at power-up, and once something has rested the load that it ran."""
    return SPENT if hand.selector else NOTHING


def heats(build: Build, load: str) -> bool:
    """Whether a load is a heater, which a hand runs only while its probe is heard."""
    draws = build.loads[load].draws
    return draws is not None and draws.kind == "heater"


def asked(hands: Iterable[Asker]) -> int:
    """What the hands on one load ask together."""
    asks = [NOTHING, *(hand.asks for hand in hands)]
    return min(asks) if min(asks) < NOTHING else max(asks)


@dataclass(slots=True)
class Asker:
    """One hand control at work; its contacts are taken as settled.

    Of a switch, contacts that never come to rest are OFF, as open ones are.
    """

    hand: Hand
    asks: int
    ends_ms: int | None = None  # of what a timed press asks
    position: str | None = None  # of a switch; None until it is first read

    def press(self, now_ms: int, load_on: bool) -> None:
        """A button has closed while its load was on or not."""
        self.expire(now_ms)
        self.ends_ms = None
        if self.asks != NOTHING:
            self.asks = NOTHING
            return
        rests = self.hand.does == "rest" or (self.hand.does == "toggle" and load_on)
        self.asks = REST if rests else RUN
        if self.hand.for_s is not None:
            self.ends_ms = now_ms + round(self.hand.for_s * 1000)

    def turn(self, position: str) -> None:
        """A switch stands in a position; the first one is where it was found."""
        if position == self.position:
            return
        found_in_hand = self.position is None and position == "hand"
        self.asks = SPENT if found_in_hand else POSITIONS[position]
        self.position = position

    def expire(self, now_ms: int) -> None:
        """End a timed press whose time is over."""
        if self.ends_ms is not None and now_ms >= self.ends_ms:
            self.asks = NOTHING
            self.ends_ms = None

    def spend(self) -> None:
        """Something has rested the load that this hand ran."""
        if self.asks == RUN:
            self.asks = spent(self.hand)
            self.ends_ms = None


def askers(build: Build, load: str, *, left_alone: bool) -> tuple[Asker, ...]:
    """The hands on a load at power-up; those left alone are switches in AUTO."""
    return tuple(
        Asker(hand, NOTHING, position="auto") if left_alone else Asker(hand, spent(hand))
        for hand in build.hands_on(load)
    )
