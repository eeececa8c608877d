"""The re-wiring list: two circuits of one build, and only what differs between their wires.

An end is followed to where its wire goes: to a label of the board, or, when
no board is on its net, to the other ends there.  Small components are known by
what they are and whose, since their references are counted anew.
"""

from __future__ import annotations

from collections.abc import Iterator

from buildkit import bench
from buildkit.bench import short
from buildkit.circuit import Circuit, Component, End
from buildkit.records import dataclass

NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Rewire:
    """One change: at what, from what, to what.

    ``kind`` is board, supply, level, add, remove, value or wire; ``number`` is
    that of the wire in the new wire table, 0 when it is none of a wire.
    """

    kind: str
    what: str
    old: str
    new: str
    number: int = 0


def rewiring(before: Circuit, after: Circuit) -> tuple[Rewire, ...]:
    """What changes from one circuit to the other: boards, supplies, parts, then wires in order."""
    return (
        *_board(before, after),
        *_parts(before, after),
        *_components(before, after),
        *_wires(before, after),
    )


def kept(before: Circuit, after: Circuit) -> int:
    """How many ends go to the same label as before."""
    old, new = _goals(before), _goals(after)
    return sum(1 for key, (_, goal) in new.items() if key in old and old[key][1] == goal)


# --- boards and parts -------------------------------------------------------------


def _board(before: Circuit, after: Circuit) -> Iterator[Rewire]:
    if before.board.id != after.board.id:
        yield Rewire("board", "board", before.board.id, after.board.id)
    old, new = _feeding(before), _feeding(after)
    if old != new:
        yield Rewire("supply", "supply of the board", old, new)
    for name, rail in before.board.rails.items():
        other = after.board.rails.get(name)
        if other is not None and other.volts != rail.volts:
            yield Rewire(
                "level", f"rail {name}", f"{short(rail.volts)} V", f"{short(other.volts)} V"
            )
    old_v, new_v = before.io_rail.volts, after.io_rail.volts
    if old_v != new_v:
        yield Rewire("level", "high of the board's pins", f"{short(old_v)} V", f"{short(new_v)} V")


def _feeding(circuit: Circuit) -> str:
    low, high = circuit.supply_range_v()
    return f"{circuit.build.supply.label}, {short(low)} to {short(high)} V"


def _parts(before: Circuit, after: Circuit) -> Iterator[Rewire]:
    old, new = ({use.name: use.part.id for use in c.build.uses()} for c in (before, after))
    for name in [*old, *(name for name in new if name not in old)]:
        one, other = old.get(name), new.get(name)
        if one != other:
            kind = "add" if one is None else "remove" if other is None else "value"
            yield Rewire(kind, name, one or NOTHING, other or NOTHING)


def _components(before: Circuit, after: Circuit) -> Iterator[Rewire]:
    old, new = ({_known_as(one): one for one in circuit.components} for circuit in (before, after))
    for name in [*old, *(name for name in new if name not in old)]:
        one, other = _size(old.get(name)), _size(new.get(name))
        if one != other:
            kind = "add" if name not in old else "remove" if name not in new else "value"
            ref = f" ({new[name].ref})" if name in new else ""
            yield Rewire(kind, f"{name}{ref}", one, other)


def _known_as(component: Component) -> str:
    return f"{component.extra.name} of {component.use.name}"


def _size(component: Component | None) -> str:
    if component is None:
        return NOTHING
    ohms = component.extra.ohms
    return bench.ohms(ohms) if ohms is not None else component.extra.name


# --- wires ------------------------------------------------------------------------

_Key = tuple[str, str]  # owner as known in both circuits, and label


def _wires(before: Circuit, after: Circuit) -> Iterator[Rewire]:
    old, new = _goals(before), _goals(after)
    standing = {owner for owner, _ in new}
    for (owner, label), (number, goal) in new.items():
        was = old.get((owner, label), (0, NOTHING))[1]
        if was != goal:
            yield Rewire("wire", f"{owner} {label}", was, goal, number)
    for (owner, label), (_, was) in old.items():
        if (owner, label) not in new and owner in standing:
            yield Rewire("wire", f"{owner} {label}", was, NOTHING)


def _goals(circuit: Circuit) -> dict[_Key, tuple[int, str]]:
    """Every end but the board's, in the order of work: its wire's number, and where that goes."""
    names = {component.ref: _known_as(component) for component in circuit.components}
    numbers = bench.numbers(circuit)
    found: dict[_Key, tuple[int, str]] = {}
    for net in bench.work_order(circuit):
        said = {end: _said(circuit, end, names) for end in net.ends}
        board = [said[end] for end in net.ends if end.owner == "board"]
        for end in net.ends:
            if end.owner != "board":
                others = board or [said[other] for other in net.ends if other != end]
                key = names.get(end.owner, end.owner), end.label
                found[key] = numbers[net.name], " and ".join(others) or NOTHING
    return found


def _said(circuit: Circuit, end: End, names: dict[str, str]) -> str:
    if end.owner in names:
        return f"{names[end.owner]}, lead {end.label}"
    return bench.end_text(circuit.board, end)
