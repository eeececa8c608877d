"""The same build with other wires, or on another board: data in, data out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from buildkit.model import Board, Build, Inlet, Supply, Use

Wires = Mapping[str, Mapping[str, str]]  # by name of a use: terminal to label

_SECTIONS = ("probes", "loads", "displays", "alarms", "hands", "between")


def rewired(build: Build, board: Board, wires: Wires | None = None) -> Build:
    """The build on a board, with these wires and no others.

    A terminal that is wired only on wish, and was, stays wished for.
    """
    kept = wires or {}
    changes: dict[str, Any] = {"board": board, "supply": _supply(build, board)}
    for section in _SECTIONS:
        changes[section] = {
            name: replace(item, use=_use(item.use, kept.get(item.use.name, {})))
            for name, item in getattr(build, section).items()
        }
    return replace(build, **changes)


def _use(use: Use, wires: Mapping[str, str]) -> Use:
    wished = [t for t in use.part.terminals.values() if t.leave_open and t.name in use.wires]
    part = use.part
    if wished:
        wanted = {t.name: replace(t, leave_open=False) for t in wished}
        part = replace(part, terminals={**part.terminals, **wanted})
    return replace(use, part=part, wires=dict(wires))


def _supply(build: Build, board: Board) -> Any:
    """The supply on the rail of the same name, else on the one nearest to it that feeds others.

    One at an inlet goes to an inlet that takes its volts, where there is one.
    """
    rails = board.rails
    supply = build.supply
    if supply.inlet is not None:
        inlet = _inlet(board, supply)
        supply = replace(
            supply, inlet=inlet, rail=inlet.feeds if inlet is not None else supply.rail
        )
        if inlet is not None:
            return supply
    if supply.rail in rails or supply.rail not in build.board.rails:
        return supply
    volts = build.board.rails[supply.rail].volts
    roots = [rail for rail in rails.values() if rail.fed_by is None] or list(rails.values())
    nearest = min(roots, key=lambda rail: (abs(rail.volts - volts), rail.name))
    return replace(supply, rail=nearest.name)


def _inlet(board: Board, supply: Supply) -> Inlet | None:
    """The inlet of that name, else one that takes the supply's volts."""
    same = board.inlets.get(supply.label)
    takes = (i for i in board.inlets.values() if i.min_v <= (supply.volts or 0.0) <= i.max_v)
    return same or next(takes, None)
