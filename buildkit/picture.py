"""The connection picture: a circuit as boxes, texts and wires, then as SVG.

Every net is one level track with a drop to each of its terminals.  The tracks
of one row of parts lie in the channel above it; a net that comes from the
board, or has parts in more rows, runs down its own trunk at the left.  On the
board each used pin leaves by the corridor below its header.  So no two nets
share a stretch, and wires cross only square.  Text stands only where no wire
runs: in boxes, and over its own track in the gutter beside the trunks.

Sizes are in px at full width; all text is in a fixed-width face, so that its
extent is known here and holds in the browser.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from buildkit import bench
from buildkit.circuit import Circuit, Component, End, Net
from buildkit.escapes import visible
from buildkit.model import Board, Use
from buildkit.shapes import ADVANCE, Box, Picture, Run, Text, svg, text_width

__all__ = ["Picture", "layout", "svg"]

WIDTH = 700.0
EDGE, PITCH, TRACK, GAP = 6.0, 9.0, 15.0, 12.0
CELL_H, LINE, GUTTER_MOST = 27.0, 11.0, 150.0
BIG, SMALL = 9.0, 8.5


@dataclass(frozen=True, slots=True)
class Unit:
    """Something drawn as one box with terminals: the ends that it brings to the nets."""

    owner: str
    title: str
    terminals: tuple[str, ...]


def layout(circuit: Circuit) -> tuple[Picture, ...]:
    """The diagrams of a circuit: the low-voltage side, then loads and mains when there are any."""
    made = []
    for title, kinds in (
        ("Low-voltage side", ("ground", "supply", "signal")),
        ("Load side, extra-low voltage", ("load",)),
        ("Mains side", ("mains",)),
    ):
        nets = [net for net in bench.work_order(circuit) if net.kind in kinds]
        if nets:
            units = _low_units(circuit) if "signal" in kinds else _load_units(circuit, nets)
            board = circuit.board if "signal" in kinds else None
            made.append(_Drawing(circuit, title, nets, units, board).picture)
    return tuple(made)


def _terminals(nets: Iterable[Net], owner: str) -> tuple[str, ...]:
    return tuple(end.label for net in nets for end in net.ends if end.owner == owner)


def _low_units(circuit: Circuit) -> list[Unit]:
    nets = [net for net in circuit.nets if net.kind in ("ground", "supply", "signal")]
    units: list[Unit] = []
    for use in circuit.build.uses():
        parts = [c for c in circuit.components if c.use is use]
        units += [_component_unit(component, nets) for component in parts]
        units.append(_use_unit(use, nets))
    return [unit for unit in units if unit.terminals]


def _component_unit(component: Component, nets: Sequence[Net]) -> Unit:
    extra = component.extra
    size = f"{bench.ohms(extra.ohms)} " if extra.ohms is not None else ""
    return Unit(component.ref, size + extra.name, _terminals(nets, component.ref))


def _use_unit(use: Use, nets: Sequence[Net]) -> Unit:
    wired = [w for w in _terminals(nets, use.name) if w in use.part.terminals]
    order = [name for name in use.part.terminals if name in wired]
    more = "; its contacts are in the picture of the load" if use.part.switching else ""
    return Unit(use.name, use.part.title + more, tuple(order))


def _load_units(circuit: Circuit, nets: Sequence[Net]) -> list[Unit]:
    mains = circuit.build.mains
    feed = f"{bench.short(mains.volts)} V, {bench.short(mains.hz)} Hz" if mains else "mains"
    titles = [("supply", f"plug or inlet, {feed}"), ("fuse", "first, in the live conductor")]
    for name, load in circuit.build.loads.items():
        draws = load.draws
        takes = f"{bench.short(draws.amps)} A {draws.kind}" if draws else ""
        titles += [
            (f"{name} supply", "supply of its own"),
            (f"{name} fuse", "first, next to the supply's plus"),
            (name, f"{load.use.part.title}; contacts only"),
            (f"{name} cut-out", "opens by itself when too hot"),
            (f"{name} load", takes),
        ]
    titles.append(("metal parts", "box, heat sink: bond every one"))
    order = ["+", "-", "1", "2", "L", "N", "PE"]
    order += [name for load in circuit.build.loads.values() for name in load.use.part.terminals]
    units = [
        Unit(owner, title, tuple(sorted(_terminals(nets, owner), key=order.index)))
        for owner, title in titles
    ]
    return [unit for unit in units if unit.terminals]


class _Drawing:
    """Places one diagram from top to bottom; every figure is kept where it is first known."""

    def __init__(
        self,
        circuit: Circuit,
        title: str,
        nets: Sequence[Net],
        units: Sequence[Unit],
        board: Board | None,
    ) -> None:
        self.numbers = bench.numbers(circuit)
        self.nets = nets
        colours = bench.colours(circuit)
        self.runs = {net.name: Run(net.name, colours[net.name]) for net in nets}
        self.picture = Picture(title, WIDTH, 0.0, runs=list(self.runs.values()))
        self.net_of = {(e.owner, e.label): net for net in nets for e in net.ends}
        self.labels = {net.name: self._label(net) for net in nets}
        self.trunk_x: dict[str, float] = {}
        self.trunk_from: dict[str, float] = {}
        self.trunk_to: dict[str, float] = {}
        self.y = EDGE
        zone = EDGE + (PITCH * len(nets) if board else 0.0)
        rows = self._rows(units, zone)
        if board is None and len(rows) > 1:
            zone += PITCH * len(nets)
            rows = self._rows(units, zone)
        if board is not None:
            self._board(circuit, board, zone)
        self._trunks(rows)
        for row in rows:
            self._row(row)
        self._close()

    def _label(self, net: Net) -> str:
        number, colour = self.numbers[net.name], self.runs[net.name].colour.split(",")[0]
        full = visible(f"{number} {net.name}: {colour}")
        return full if text_width(full, SMALL) <= GUTTER_MOST else f"{number}: {colour}"

    # --- parts -------------------------------------------------------------

    def _rows(self, units: Sequence[Unit], zone: float) -> list[list[Unit]]:
        """Units in rows that fit beside the gutter, which lies beside the trunks' zone."""
        widest = max(text_width(label, SMALL) for label in self.labels.values())
        self.gutter = (zone + 4, zone + 12 + widest)
        rows: list[list[Unit]] = [[]]
        x = self.gutter[1]
        for unit in units:
            wide = _unit_width(unit)
            if rows[-1] and x + wide > WIDTH - EDGE:
                rows.append([])
                x = self.gutter[1]
            rows[-1].append(unit)
            x += wide + GAP
        return rows

    def _row(self, row: Sequence[Unit]) -> None:
        """A channel with its tracks, and below it the parts of one row."""
        nets = self._nets_in(row)
        ordered = sorted(nets, key=lambda name: -self.trunk_x.get(name, 0.0))
        tracks = {name: self.y + TRACK * (index + 1) for index, name in enumerate(ordered)}
        top = self.y + TRACK * (len(ordered) + 1)
        drops: dict[str, list[float]] = {name: [] for name in ordered}
        x = self.gutter[1]
        bottom = top
        for unit in row:
            bottom = max(bottom, self._unit(unit, x, top, drops))
            x += _unit_width(unit) + GAP
        self.picture.width = max(self.picture.width, x - GAP + EDGE)
        for name, y in tracks.items():
            self._track(name, y, top, drops[name])
        self.y = bottom + GAP

    def _nets_in(self, row: Sequence[Unit]) -> list[str]:
        names = [self.net_of[u.owner, t].name for u in row for t in u.terminals]
        return list(dict.fromkeys(names))

    def _track(self, name: str, y: float, top: float, drops: Sequence[float]) -> None:
        run = self.runs[name]
        start = self.trunk_x.get(name, min(drops))
        run.segments.append((start, y, max(drops), y))
        for x in drops:
            run.segments.append((x, y, x, top))
        if name in self.trunk_x:
            run.splices.append((start, y))
            self.trunk_to[name] = y
            self.trunk_from.setdefault(name, y)
        else:
            run.leaders.append((self.gutter[0], y, start, y))
        run.splices += [(x, y) for x in drops if start < x < max(drops)]
        self.picture.texts.append(Text(self.labels[name], self.gutter[0], y - 3.5, SMALL))

    def _unit(self, unit: Unit, x: float, y: float, drops: dict[str, list[float]]) -> float:
        """A part with its terminals along the top; returns its lower edge."""
        wide, lines = _unit_width(unit), _unit_lines(unit)
        high = CELL_H + LINE * len(lines) + 9
        self.picture.boxes.append(Box("part", x, y, wide, high))
        cell_w = wide / len(unit.terminals)
        for index, terminal in enumerate(unit.terminals):
            net = self.net_of[unit.owner, terminal]
            left = x + cell_w * index
            self.picture.boxes.append(Box("terminal", left, y, cell_w, CELL_H))
            self._centred(terminal, left + cell_w / 2, y + 11, BIG, "bold")
            self._centred(f"#{self.numbers[net.name]}", left + cell_w / 2, y + 22, SMALL, "")
            drops[net.name].append(left + cell_w / 2)
        for index, line in enumerate(lines):
            size, look = (BIG, "bold") if index == 0 else (SMALL, "")
            self.picture.texts.append(
                Text(line, x + 5, y + CELL_H + LINE * (index + 1) + 1, size, look)
            )
        return y + high

    def _centred(self, text: str, middle: float, y: float, size: float, look: str) -> None:
        text = visible(text)
        left = middle - text_width(text, size) / 2
        self.picture.texts.append(Text(text, left, y, size, look))

    # --- board -------------------------------------------------------------

    def _board(self, circuit: Circuit, board: Board, zone: float) -> None:
        """The board's headers in rows, each with the corridor that its wires leave by."""
        ends = [(end, net) for net in self.nets for end in net.ends if end.owner == "board"]
        strips = _strips(board)
        seats = _seats(circuit, strips, [end for end, _ in ends])
        used = {seats[end]: net for end, net in ends}
        left = zone + 14
        frame = len(self.picture.boxes)
        top = self.y
        title = f"{board.id}: {board.title}"
        room = int((WIDTH - EDGE - left - 12) / (BIG * ADVANCE))
        self.y += 4
        for line in textwrap.wrap(visible(title), room):
            self.y += LINE
            self.picture.texts.append(Text(line, left, self.y, BIG, "bold"))
        self.y += 4
        right = left
        for row in _strip_rows(strips, WIDTH - EDGE - 8 - left):
            right = max(right, self._strip_row(strips, row, left, used))
        self.picture.width = max(self.picture.width, right + 8 + EDGE)
        outline = Box("board", zone + 6, top, self.picture.width - EDGE - zone - 6, self.y - top)
        self.picture.boxes.insert(frame, outline)
        self.y += 4

    def _strip_row(
        self, strips: Sequence[Strip], row: Sequence[int], left: float, used: dict[Seat, Net]
    ) -> float:
        cells = self.y + LINE + 3
        x = left
        leaving: list[tuple[float, Net]] = []
        for index in row:
            name, labels = strips[index]
            self.picture.texts.append(Text(visible(name), x, cells - 3, SMALL, "faint"))
            wide = _cell_width(labels)
            for place, label in enumerate(labels):
                net = used.get((index, place))
                self._pin(label, x, cells, wide, net)
                if net is not None:
                    leaving.append((x + wide / 2, net))
                x += wide
            x += GAP
        corridor = cells + CELL_H
        for turn, (pin_x, net) in enumerate(sorted(leaving, key=lambda item: item[0]), 1):
            self._leave(net, pin_x, corridor, corridor + 7 * turn)
        self.y = corridor + 7 * (len(leaving) + 1)
        return x - GAP

    def _pin(self, label: str, x: float, y: float, wide: float, net: Net | None) -> None:
        self.picture.boxes.append(Box("used-pin" if net else "pin", x, y, wide, CELL_H))
        if net is None:
            self._centred(label, x + wide / 2, y + 17, SMALL, "faint")
        else:
            self._centred(label, x + wide / 2, y + 11, BIG, "light")
            self._centred(f"#{self.numbers[net.name]}", x + wide / 2, y + 22, SMALL, "light")

    def _leave(self, net: Net, pin_x: float, pin_y: float, y: float) -> None:
        """From a pin down into the corridor and out to the net's trunk."""
        x = self.trunk_x.setdefault(net.name, EDGE + PITCH * len(self.trunk_x))
        self.runs[net.name].segments += [(pin_x, pin_y, pin_x, y), (x, y, pin_x, y)]
        if net.name in self.trunk_from:
            self.runs[net.name].splices.append((x, y))
        self.trunk_from.setdefault(net.name, y)
        self.trunk_to[net.name] = y

    def _trunks(self, rows: Sequence[Sequence[Unit]]) -> None:
        """A trunk too for each net with parts in more than one row."""
        seen = [name for row in rows for name in self._nets_in(row)]
        for net in self.nets:
            if seen.count(net.name) > 1 and net.name not in self.trunk_x:
                self.trunk_x[net.name] = EDGE + PITCH * len(self.trunk_x)

    def _close(self) -> None:
        for name, x in self.trunk_x.items():
            first, last = self.trunk_from[name], self.trunk_to[name]
            self.runs[name].segments.append((x, first, x, last))
            # Where trunk and track merely turn a corner there is no splice.
            corners = {(x, first), (x, last)}
            run = self.runs[name]
            run.splices = [dot for dot in run.splices if dot not in corners]
        self.picture.height = self.y


def _unit_lines(unit: Unit) -> list[str]:
    room = max(8, int((_unit_width(unit) - 8) / (SMALL * ADVANCE)))
    return [visible(unit.owner), *textwrap.wrap(visible(unit.title), room)]


def _unit_width(unit: Unit) -> float:
    cells = _cell_width(unit.terminals) * len(unit.terminals)
    chars = min(len(unit.title), 998)
    least = next(wide for most, wide in ((26, 66.0), (40, 96.0), (999, 112.0)) if chars < most)
    return max(cells, text_width(visible(unit.owner), BIG) + 10, least)


def _cell_width(labels: Sequence[str]) -> float:
    widest = max(text_width(visible(label), BIG) for label in labels)
    return max(25.0, widest + 6)


# --- the board's headers -------------------------------------------------------

Strip = tuple[str, tuple[str, ...]]  # a header's name and its labels
Seat = tuple[int, int]  # index of a strip, and of a label in it


def _strips(board: Board) -> list[Strip]:
    return [(header.name, header.labels) for header in board.headers]


def _strip_rows(strips: Sequence[Strip], room: float) -> list[list[int]]:
    rows: list[list[int]] = []
    x = room + 1
    for index, (_, labels) in enumerate(strips):
        wide = _cell_width(labels) * len(labels)
        if x + wide > room:
            rows.append([])
            x = 0.0
        rows[-1].append(index)
        x += wide + GAP
    return rows


def _seats(circuit: Circuit, strips: list[Strip], ends: Sequence[End]) -> dict[End, Seat]:
    """Where each end of the board stands on its headers, the most likely one where it has several.

    A label that no header carries is put on a strip of its own.
    """
    board = circuit.board
    seats: dict[End, Seat] = {}
    lost: list[End] = []
    for end in ends:
        pin = board.pin(end.label)
        alike = {end.label} if pin is None else {end.label, pin.label, *pin.aliases}
        offers = [
            (label != end.label, -_supplies(board, labels), strip, place)
            for strip, (_, labels) in enumerate(strips)
            for place, label in enumerate(labels)
            if label in alike
        ]
        if offers:
            seats[end] = min(offers)[2:]
        else:
            lost.append(end)
    if lost:
        strips.append(("elsewhere on the board", tuple(end.label for end in lost)))
        seats.update({end: (len(strips) - 1, place) for place, end in enumerate(lost)})
    return seats


def _supplies(board: Board, labels: Sequence[str]) -> int:
    """How many labels of a header are no pin: most on the header meant for supplies."""
    return sum(label not in board.pins for label in labels)
