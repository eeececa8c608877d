"""Hand controls: what bounds a run by hand, and who else commands the load."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import hands
from buildkit.circuit import Circuit
from buildkit.model import Control, Fault, Hand
from buildkit.rules import rule
from buildkit.sentences import duration

_SEMANTICS = "the control semantics: a run by hand obeys max_on_s, and for a heater silence"


def _commanded(circuit: Circuit) -> Iterable[tuple[Hand, Control | None]]:
    """Every hand control with the control entry of its load."""
    entries = {entry.drive: entry for entry in circuit.build.control}
    for hand in circuit.build.hands.values():
        yield hand, entries.get(hand.commands)


@rule("control.hand-without-entry", "error", source=_SEMANTICS)
def hand_without_entry(circuit: Circuit) -> Iterable[Fault]:
    """A hand control commands a load that no control entry drives.

    Why: a hand control is laid over an entry. It rests the load or runs it
    for a while, and then gives it back; the entry has the times that it must
    obey. A load that is only ever switched by hand needs a switch in its own
    wire, and no board.

    Wrong:
        hands: {boost: {part: button, commands: fan, does: toggle}}
        control: []

    Right:
        hands: {boost: {part: button, commands: fan, does: toggle}}
        control: [{drive: fan, by: air, start_at: 26, stop_at: 24, …}]
    """
    for hand, entry in _commanded(circuit):
        if entry is None:
            load = hand.commands
            yield Fault(
                hand.use.place("commands"),
                f"{hand.use.name} commands {load}, and no control entry drives {load}",
                f"Add an entry with 'drive: {load}' under control, or leave {hand.use.name} out.",
                {"load": load, "entries": len(circuit.build.control)},
            )


@rule(
    "control.hand-heats-on",
    "error",
    source="common practice, no source: heat that a person switches on ends by itself",
)
def hand_heats_on(circuit: Circuit) -> Iterable[Fault]:
    """A hand can run a heater, and nothing ends that run.

    Why: a run by hand passes over stop_at. Whoever turned the switch to HAND
    walks away, and it heats until somebody thinks of it; what is left then is
    the cut-out, which is there for faults and not for every day. max_on_s
    ends a run by hand too, and the switch must be turned anew.

    Wrong:
        hands: {selector: {part: switch-hand-off-auto, commands: mat}}
        control: [{drive: mat, by: soil, start_at: 20, stop_at: 22, …}]

    Right:
        hands: {selector: {part: switch-hand-off-auto, commands: mat}}
        control: [{drive: mat, by: soil, max_on_s: 7200, min_off_s: 600, …}]
    """
    for hand, entry in _commanded(circuit):
        heats = hands.heats(circuit.build, hand.commands)
        if heats and hand.runs and hand.for_s is None and entry and entry.max_on_s is None:
            yield Fault(
                hand.use.place("commands"),
                f"{hand.use.name} can run the heater {hand.commands} past its stop_at, and no "
                "max_on_s ends that",
                f"Give the entry of {hand.commands} a max_on_s, or let a button rest it only.",
                {"load": hand.commands, "kind": "heater"},
            )


@rule("control.hand-beyond-max", "warning", source=_SEMANTICS)
def hand_beyond_max(circuit: Circuit) -> Iterable[Fault]:
    """A press runs the load for longer than its longest run.

    Why: max_on_s ends a run by hand too. The press then never lasts as long
    as for_s says, so one of the two numbers is not meant.

    Wrong:
        hands: {boost: {part: button, commands: fan, does: run-for, for_s: 3600}}
        control: [{drive: fan, max_on_s: 900, …}]

    Right:
        hands: {boost: {part: button, commands: fan, does: run-for, for_s: 600}}
        control: [{drive: fan, max_on_s: 900, …}]
    """
    for hand, entry in _commanded(circuit):
        longest_s = entry.max_on_s if entry is not None else None
        if hand.for_s is not None and longest_s is not None and hand.for_s > longest_s:
            yield Fault(
                hand.use.place("for_s"),
                f"a press of {hand.use.name} is to run {hand.commands} for "
                f"{duration(hand.for_s)}, and max_on_s ends that after {duration(longest_s)}",
                f"Set for_s to {longest_s:g} or less, or max_on_s higher.",
                {"for_s": hand.for_s, "max_on_s": longest_s},
            )


@rule(
    "control.hands-compete",
    "warning",
    source="common practice, no source: one place from which a machine is started",
)
def hands_compete(circuit: Circuit) -> Iterable[Fault]:
    """Two hand controls can both run the same load.

    Why: each holds the load on for itself. Whoever gives it back with one of
    them finds it running on, because of the other, and looks for a fault. One
    that runs it beside any number that only rest it is clear: rest wins.

    Wrong:
        hands:
          selector: {part: switch-hand-off-auto, commands: fan}
          boost: {part: button, commands: fan, does: toggle}

    Right:
        hands:
          boost: {part: button, commands: fan, does: toggle}
          hush: {part: button, commands: fan, does: rest}
    """
    first: dict[str, str] = {}
    for name, hand in circuit.build.hands.items():
        other = first.setdefault(hand.commands, name) if hand.runs else name
        if other != name:
            yield Fault(
                hand.use.place("commands"),
                f"{name} and {other} can both run {hand.commands}, each for itself",
                "Let one of them only rest it, or leave one out.",
                {"load": hand.commands, "first": other},
            )
