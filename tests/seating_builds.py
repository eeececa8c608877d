"""Builds, boards and parts for the tests of seating: small boards, parts with many terminals."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from buildkit import buildfile, document
from buildkit.model import Board, Build, Hazard, Part, PinGroup, Terminal, Use
from buildkit.tables import Tables

TABLES = Tables()
BOARDS = tuple(TABLES.board_ids())
AVR_BOARDS = tuple(b for b in BOARDS if TABLES.board(b).core.family == "avr")

# A kind of part: its section, and the line that stands for it.
KINDS = {
    "dust": ("probes", "{part: pm-frame32, value: pm2_5, every_s: 1"),
    "bead": ("probes", "{part: ntc-divider, value: temperature, every_s: 5"),
    "soil": ("probes", "{part: ds18b20, value: temperature, every_s: 2"),
    "air": ("probes", "{part: sht3x, value: humidity, every_s: 2"),
    "ssr": ("loads", "{part: ssr-zero-cross-dc-control"),
    "relay": ("loads", "{part: relay-module-active-low"),
    "panel": ("displays", "{part: lcd1602-pcf8574, rows: [hi]"),
    "lamp": ("alarms", "{part: led-indicator, when: [no-reading]"),
}
SECTIONS = ("probes", "loads", "displays", "alarms")


def text(
    parts: Sequence[tuple[str, str]],
    board: str = "atmega328p-5v",
    wires: dict[str, str] | None = None,
) -> str:
    """A build's text: parts as (name, kind), in that order within their sections."""
    lines = ["build: seats", f"board: {board}", "supply: {rail: 5V, max_ma: 3000}"]
    for section in SECTIONS:
        here = [(name, kind) for name, kind in parts if KINDS[kind][0] == section]
        lines += [f"{section}:"] if here else []
        for name, kind in here:
            own = (wires or {}).get(name)
            lines.append(f"  {name}: {KINDS[kind][1]}{f', wires: {{{own}}}' if own else ''}}}")
    return "\n".join(lines) + "\n"


def build(
    parts: Sequence[tuple[str, str]],
    board: str = "atmega328p-5v",
    wires: dict[str, str] | None = None,
) -> Build:
    """The same, read.  ``wires`` are by name of a part, as they stand in the braces."""
    raw = text(parts, board, wires).replace("rail: 5V", f"rail: {_rail(board)}").encode()
    return buildfile.from_tree(document.parse(raw, "seats.yaml"), TABLES)


def _rail(board: str) -> str:
    rails = TABLES.board(board).rails
    return "5V" if "5V" in rails else next(r.name for r in rails.values() if r.fed_by is None)


def named(*kinds: str) -> list[tuple[str, str]]:
    """Parts of these kinds, named by kind and number."""
    return [(f"{kind}_{n}", kind) for n, kind in enumerate(kinds)]


def on(made: Build, board: Board) -> Build:
    """The build on a board that is in no table."""
    return replace(made, board=board)


def cut_down(board: Board, labels: Sequence[str]) -> Board:
    """The board with only these pins."""
    return replace(board, pins={label: board.pins[label] for label in labels})


def with_hazard(board: Board, label: str, kind: str, needs: str | None = None) -> Board:
    """The board with one hazard more."""
    pin = board.pins[label]
    pin = replace(pin, hazards=(*pin.hazards, Hazard(kind, "an invented hazard", needs)))
    return replace(board, pins={**board.pins, label: pin})


def with_group(board: Board, labels: Sequence[str], max_ma: float, direction: str) -> Board:
    """The board with a group of pins that together bear so much, and no other group."""
    ports = tuple(board.pins[label].port for label in labels)
    return replace(board, groups=(PinGroup("invented", ports, max_ma, direction, "invented"),))


def change_use(made: Build, name: str, **facts: object) -> Build:
    """The build with other facts for one use."""
    for section in SECTIONS:
        group = getattr(made, section)
        if name in group:
            use = replace(group[name].use, **facts)
            return replace(made, **{section: {**group, name: replace(group[name], use=use)}})
    raise KeyError(name)


def use_of(made: Build, name: str) -> Use:
    return next(use for use in made.uses() if use.name == name)


def many(made: Build, name: str, terminals: Sequence[str], needs: str = "digital-out") -> Build:
    """The build with a part that has these terminals and no others."""
    part: Part = use_of(made, name).part
    own = {t: Terminal(t, "signal", "invented", needs, "in") for t in terminals}
    return change_use(made, name, part=replace(part, terminals=own, shows="text", extras=()))


def both_ways(made: Build, name: str) -> Build:
    """The build with a serial part that also listens."""
    part = use_of(made, name).part
    rxd = replace(part.terminals["RXD"], leave_open=False)
    figures = {k: v for k, v in use_of(made, name).figures.items() if k != "in_max_v"}
    changed = replace(part, terminals={**part.terminals, "RXD": rxd})
    return change_use(made, name, part=changed, figures=figures)


def bright(made: Build, name: str, ohms: float) -> Build:
    """The build with another resistor for a lamp."""
    figures = use_of(made, name).figures
    ohm = replace(figures["series_ohms"], value=ohms, own=True)
    return change_use(made, name, figures={**figures, "series_ohms": ohm})
