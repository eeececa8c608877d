"""Proving steps for buttons and hand-off-auto switches: each state, a cut wire, a power-up."""

from __future__ import annotations

from collections.abc import Iterator

from buildkit import hands
from buildkit.bench import WIRE_OHMS, Step, short
from buildkit.circuit import Circuit
from buildkit.model import Control, Hand
from buildkit.sentences import duration

_GOES_ON = (
    "It stays lit: the contact does not close, or a wire goes to another pin; look at that before "
    "the load is connected."
)


def contacts(circuit: Circuit) -> Iterator[Step]:
    """The contacts of every hand control, measured without power."""
    for name, hand in circuit.build.hands.items():
        common = next(t.name for t in hand.use.part.terminals.values() if t.kind == "ground")
        for terminal in hand.use.part.signals():
            closed = f"in {terminal.name}" if hand.selector else "while it is pressed"
            yield Step(
                f"Measure from {terminal.name} to {common} of {name}, its plug out, and move it "
                "through every state.",
                f"Below {short(WIRE_OHMS)} Ω {closed} only, open otherwise.",
                "Another contact of it, or one that is closed at rest: choose the other pair.",
            )


def hand_controls(circuit: Circuit, entry: Control) -> Iterator[Step]:
    """What each hand control of an entry's load must do."""
    for hand in circuit.build.hands_on(entry.drive):
        yield from (_switch if hand.selector else _button)(circuit, entry, hand)


def _lights(circuit: Circuit, entry: Control) -> str:
    waits = f" once it has rested {duration(entry.min_off_s)}" if entry.min_off_s else ""
    if hands.heats(circuit.build, entry.drive):
        waits += f"{' and' if waits else ''} once readings of {entry.by} fill its average"
    bound = (
        f", for {duration(entry.max_on_s)} at most"
        if entry.max_on_s is not None
        else ", until it is given back"
    )
    return f"The indicator of {entry.drive} lights{waits}, whatever the reading{bound}."


def _switch(circuit: Circuit, entry: Control, hand: Hand) -> Iterator[Step]:
    name, load = hand.use.name, entry.drive
    push = f"push {entry.by} {'over' if entry.rising else 'under'} its start_at"
    yield Step(
        f"While {load} runs, turn {name} to OFF; then {push} while it stands there.",
        f"The indicator of {load} goes dark at once, whatever its least time on, and stays dark "
        "whatever the reading. The log says off: hand.",
        _GOES_ON,
    )
    yield Step(
        f"Turn {name} to HAND, then to AUTO.",
        f"In HAND: {_lights(circuit, entry)} In AUTO: the readings decide again.",
        "HAND and AUTO exchanged, or a contact that does not close: measure both against COM in "
        "each position.",
    )
    yield Step(
        f"Pull the plug of {name}, all its wires at once, in AUTO and in HAND.",
        f"The indicator of {load} goes dark at once, both times.",
        f"It runs on a cut wire: do not use {name} before this holds.",
    )
    yield Step(
        f"Leave {name} in HAND, take the power away and give it back; wait a minute. Then turn it "
        "to OFF and to HAND again.",
        f"{load} rests after the power comes back, and runs only after the turn.",
        "It starts by itself: the sketch on the board is another one.",
    )


def _button(circuit: Circuit, entry: Control, hand: Hand) -> Iterator[Step]:
    name, load = hand.use.name, entry.drive
    dark = (
        f"The indicator of {load} goes dark at once, whatever its least time on, and stays dark "
        "whatever the reading."
    )
    back = "The second press gives it back: the readings decide again."
    if hand.does in ("rest", "toggle"):
        yield Step(f"While {load} runs, press {name}, wait, and press it again.", f"{dark} {back}", _GOES_ON)  # fmt: skip
    if hand.runs:
        ends = f" It ends after {duration(hand.for_s)}." if hand.for_s is not None else ""
        yield Step(
            f"While {load} rests, press {name}, wait, and press it again.",
            f"{_lights(circuit, entry)}{ends} {back}",
            "Nothing: the contact does not close, or its wire goes to another pin.",
        )
    yield Step(
        f"Hold {name} down while the power comes back, for ten seconds; then let go.",
        f"Nothing happens to {load}: what is pressed already counts for nothing.",
        "It acts: the sketch on the board is another one.",
    )
