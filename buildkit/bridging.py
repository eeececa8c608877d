"""Dividers and level shifters for a build whose parts and board differ in level."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from buildkit import rules, seating
from buildkit.between import Passage
from buildkit.circuit import Circuit, Seat, Spot, connect
from buildkit.model import Between, Build, Use
from buildkit.tables import Tables

_SHIFTER, _DIVIDER = "level-shifter-mosfet", "divider"


def with_parts(build: Build, tables: Tables) -> Build:
    """The build with the dividers and level shifters that take level errors away.

    Round by round the one that takes most away, and of equals the cheaper;
    then each that has become needless goes.
    """
    seats = _seats(seating.seat(build))
    worst = _worth(build, seats)
    options = [entry for use in build.uses() for entry in _candidates(use, tables)]
    added: list[Mapping[str, Between]] = []
    while worst[0]:
        tries = [
            (_worth(_put_in(build, [*added, entry]), seats), n) for n, entry in enumerate(options)
        ]
        best, number = min(tries, default=(worst, 0))
        if best[0] >= worst[0] or best[1] > worst[1]:
            break
        added.append(options[number])
        worst = best
    for entry in list(added):
        fewer = [other for other in added if other is not entry]
        if _worth(_put_in(build, fewer), seats)[:2] <= worst[:2]:
            added = fewer
    return _put_in(build, added)


def _put_in(build: Build, added: Iterable[Mapping[str, Between]]) -> Build:
    between = dict(build.between)
    for entry in added:
        between |= entry
    return replace(build, between=between)


def _seats(circuit: Circuit) -> dict[Spot, Seat]:
    return {w.spot: Seat(w.label, w.why) for w in circuit.signals() if w.chosen == "seated"}


def _worth(build: Build, seats: Mapping[Spot, Seat]) -> tuple[int, int, int, int]:
    """How bad it still is: errors of levels, errors of supply, warnings, parts in wires."""
    circuit = connect(build, seats)
    levels = ("level.", "bus.")
    return (
        len(found(circuit, levels, "error")),
        len(found(circuit, ("power.",), "error")),
        len(found(circuit, levels, "warning")),
        len(build.between),
    )


def _candidates(use: Use, tables: Tables) -> Iterable[dict[str, Between]]:
    """Ways to bring the levels of a part's wires together, the cheaper first."""
    if use.section == "between" or not {_SHIFTER, _DIVIDER} <= set(tables.part_ids()):
        return
    signals = [t for t in use.part.signals() if not t.leave_open or t.name in use.wires]
    one_way = [t.name for t in signals if t.flow in ("in", "out")]
    sets = [(_DIVIDER, [name]) for name in one_way]
    sets += [(_DIVIDER, one_way)] if len(one_way) > 1 else []
    sets += [(_SHIFTER, [t.name]) for t in signals if len(signals) > 1]
    sets += [(_SHIFTER, [t.name for t in signals])]
    for part_id, terminals in sets:
        yield {f"{use.name}.{t}": _between(use, t, part_id, tables) for t in terminals}


def _between(use: Use, terminal: str, part_id: str, tables: Tables) -> Between:
    part = tables.part(part_id)
    name = f"{part.between} {use.name}.{terminal}"
    return Between(Use(name, "between", part, use.at, {}, {}, part.figures), use.name, terminal)


def passage_says(passage: Passage) -> str:
    """What a part in a wire is and what it does there, with its values."""
    where = f"{passage.between.of} {passage.between.terminal}"
    if passage.kind == "divider":
        inwards = passage.flow == "out"
        high_v = passage.part_v if inwards else passage.board_v
        low_v = high_v * passage.ratio
        return (
            f"{where}: a divider of {passage.upper_ohms:g} and {passage.lower_ohms:g} ohms "
            f"takes {high_v:.3g} V down to {low_v:.3g} V"
        )
    board, part = passage.board_rail, passage.part_rail
    assert board is not None
    assert part is not None
    return (
        f"{where}: one channel of a level shifter between {board.volts:g} V (board) and "
        f"{part.volts:g} V (part), {passage.pull_up_ohms:g} ohms to each"
    )


def found(circuit: Circuit, families: tuple[str, ...], severity: str) -> list[str]:
    """The rules of some families that find something, as often as they do."""
    return [
        rule.name
        for rule in rules.catalogue().values()
        if rule.name.startswith(families) and rule.check and rule.severity == severity
        for _ in rule.check(circuit)
    ]
