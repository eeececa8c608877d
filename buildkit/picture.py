"""The connection picture: a circuit as boxes, texts and wires, then as SVG.

Every net is one level track with a drop to each of its terminals.  The tracks
of one row of parts lie in the channel above it; a net that comes from the
board, or has parts in more rows, runs down its own trunk at the left.  On the
board each used pin leaves by the lanes beside its header.  So no two nets
share a stretch, and wires cross only square.  Text stands only where no wire
runs: in boxes, and over its own track in the gutter beside the trunks.
What is too high for a page goes on, on a further sheet, its trunks too.

Sizes are in px at full width; all text is in a fixed-width face, so that its
extent is known here and holds in the browser.
"""

from __future__ import annotations

import textwrap
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from buildkit import bench, outline
from buildkit.circuit import Circuit, Component, Net
from buildkit.escapes import visible
from buildkit.model import Board, Use
from buildkit.outline import BIG, GAP, LANE, LINE, SMALL, Leaving, cell_width
from buildkit.shapes import ADVANCE, Box, Mark, Picture, Run, Text, svg, text_width

__all__ = ["Picture", "layout", "svg"]

WIDTH = 700.0
EDGE, PITCH, TRACK = 6.0, 9.0, 15.0
CELL_H, GUTTER_MOST, MARK = 27.0, 150.0, 17.0
SHEET = 790.0  # what a page of Letter holds below the heading, at full width


@dataclass(frozen=True, slots=True)
class Unit:
    """Something drawn as one box with terminals: the ends that it brings to the nets."""

    owner: str
    title: str
    terminals: tuple[str, ...]


def layout(circuit: Circuit) -> tuple[Picture, ...]:
    """The diagrams of a circuit: the low-voltage side, then loads and mains when there are any."""
    made: list[Picture] = []
    for title, kinds in (
        ("Low-voltage side", ("ground", "supply", "signal")),
        ("Load side, extra-low voltage", ("load",)),
        ("Mains side", ("mains",)),
    ):
        nets = [net for net in bench.work_order(circuit) if net.kind in kinds]
        if nets:
            units = _low_units(circuit) if "signal" in kinds else _load_units(circuit, nets)
            board = circuit.board if "signal" in kinds else None
            made += _Drawing(circuit, title, nets, units, board).sheets
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
        minus = _terminals(nets, f"{use.name} supply")
        units.append(Unit(f"{use.name} supply", "supply of the load, its minus", minus))
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
    uk = bench.region(circuit.build) == "uk"
    fuse = "in the plug, BS 1362" if uk else f"first, in the {bench.live_word(circuit.build)} wire"
    titles = [("supply", f"plug or inlet, {feed}"), ("fuse", fuse)]
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
        titles += [(c.ref, c.extra.name) for c in circuit.components if c.use is load.use]
    titles.append(("metal parts", "box, heat sink: bond every one"))
    order = ["+", "-", "1", "2", "L", "N", "PE", "cathode", "anode"]
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
        self.build = circuit.build
        self.numbers = bench.numbers(circuit)
        self.nets = nets
        self.colours = bench.colours(circuit)
        self.net_of = {(e.owner, e.label): net for net in nets for e in net.ends}
        self.labels = {net.name: self._label(net) for net in nets}
        self.trunk_x: dict[str, float] = {}
        self.sheets: list[Picture] = []
        self._open(title)
        zone = EDGE + (PITCH * len(nets) if board else 0.0)
        rows = self._rows(units, zone)
        if board is None and len(rows) > 1:
            zone += PITCH * len(nets)
            rows = self._rows(units, zone)
        if board is not None:
            self._board(circuit, board, zone)
        self._trunks(rows)
        for index, row in enumerate(rows):
            if self.y + self._row_height(row) > SHEET and self.trunk_to:
                self._next_sheet(
                    title, {name for later in rows[index:] for name in self._nets_in(later)}
                )
            self._row(row)
        self._close()
        for number, sheet in enumerate(self.sheets, 1):
            if len(self.sheets) > 1:
                sheet.title += f", sheet {number} of {len(self.sheets)}"

    # --- sheets ------------------------------------------------------------

    def _open(self, title: str) -> None:
        self.runs = {
            net.name: Run(net.name, self.colours[net.name], net.kind in ("ground", "supply"))
            for net in self.nets
        }
        self.picture = Picture(title, WIDTH, 0.0)
        self.sheets.append(self.picture)
        self.trunk_from: dict[str, float] = {}
        self.trunk_to: dict[str, float] = {}
        self.y = EDGE

    def _next_sheet(self, title: str, later: Collection[str]) -> None:
        """Ends the sheet; the trunks that later rows need run out below and begin anew above."""
        on = [name for name in self.trunk_from if name in later]
        self.y += LINE
        for name in on:
            self.trunk_to[name] = self.y
        self.picture.texts.append(Text("goes on, on the next sheet", self.gutter[0], self.y, SMALL))
        self.y += GAP
        self._close()
        self._open(title)
        self.picture.texts.append(
            Text("from the sheet before", self.gutter[0], self.y + LINE, SMALL)
        )
        self.trunk_from = dict.fromkeys(on, self.y)
        self.y += LINE + 3

    def _close(self) -> None:
        for name, first in self.trunk_from.items():
            x, last, run = self.trunk_x[name], self.trunk_to[name], self.runs[name]
            run.segments.append((x, first, x, last))
            # Where trunk and track merely turn a corner there is no splice.
            corners = {(x, first), (x, last)}
            run.splices = [dot for dot in run.splices if dot not in corners]
        self.picture.runs = [run for run in self.runs.values() if run.segments]
        self.picture.height = self.y

    def _label(self, net: Net) -> str:
        """Number, name, how many ends a splice joins, and colour: as much as there is room for."""
        number, colour = self.numbers[net.name], self.colours[net.name].split(",")[0]
        rail = "rail " if net.kind in ("ground", "supply") else ""
        ways = f" ({len(net.ends)} ways)" if len(net.ends) > 2 else ""
        name = bench.net_word(self.build, net)
        heads = (f"{rail}{name}{ways}", f"{rail}{name}", net.name)
        offers = [f"{number} {head}: {colour}" for head in heads]
        fitting = (text for text in map(visible, offers) if text_width(text, SMALL) <= GUTTER_MOST)
        return next(fitting, f"{number}: {colour}")

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

    def _row_height(self, row: Sequence[Unit]) -> float:
        tracks = TRACK * (len(self._nets_in(row)) + 1)
        return tracks + max(_unit_height(unit) for unit in row) + GAP

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
        high = _unit_height(unit)
        self.picture.boxes.append(Box("part", x, y, wide, high))
        cell_w = wide / len(unit.terminals)
        for index, terminal in enumerate(unit.terminals):
            net = self.net_of[unit.owner, terminal]
            left = x + cell_w * index
            self.picture.boxes.append(Box("terminal", left, y, cell_w, CELL_H))
            self._centred(terminal, left + cell_w / 2, y + 11, BIG, "bold")
            self._centred(f"#{self.numbers[net.name]}", left + cell_w / 2, y + 22, SMALL, "")
            drops[net.name].append(left + cell_w / 2)
            if terminal == "PE":
                self.picture.marks.append(
                    Mark(left + (cell_w - MARK) / 2, y + high - MARK - 4, MARK)
                )
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
        """The board, and the lanes by which its wires reach their trunks at the left."""
        ends = [(end, net) for net in self.nets for end in net.ends if end.owner == "board"]
        strips = outline.strips(board)
        seats = outline.seats(circuit, strips, [end for end, _ in ends])
        nets = {seats[end]: net for end, net in ends}
        used = {seat: self.numbers[net.name] for seat, net in nets.items()}
        # Once drawn to count what leaves upwards, and then below the lanes for it.
        left, room = zone + 6, WIDTH - EDGE - zone - 6
        draft = outline.draw(board, strips, used, (left, self.y), room)
        above = sum(leaving.way == "upper" for leaving in draft.leaving)
        top = self.y + LANE * (above + 1 if above else 0)
        drawn = outline.draw(board, strips, used, (left, top), room)
        self.picture.boxes += [drawn.frame, *drawn.boxes]
        self.picture.texts += drawn.texts
        self.picture.width = max(self.picture.width, drawn.right + EDGE)
        self._leave_upwards(drawn.leaving, nets)
        for leaving in drawn.leaving:
            if leaving.way == "inside":
                steps = [(leaving.x, leaving.y), (leaving.x, leaving.lane)]
                self._leave(nets[leaving.seat], steps)
        self.y = self._leave_downwards(drawn, nets) + 4

    def _leave_upwards(self, leaving: Sequence[Leaving], nets: Mapping[outline.Seat, Net]) -> None:
        """Rightmost first, on the highest lane and to the leftmost trunk: nothing crosses."""
        upper = [one for one in leaving if one.way == "upper"]
        for turn, one in enumerate(sorted(upper, key=lambda one: -one.x)):
            self._leave(nets[one.seat], [(one.x, one.y), (one.x, self.y + LANE * turn)])

    def _leave_downwards(self, drawn: outline.Outline, nets: Mapping[outline.Seat, Net]) -> float:
        """Leftmost first, on the lane next to the board; returns the lower edge of the lanes."""
        foot = drawn.frame.y + drawn.frame.h
        lower = [one for one in drawn.leaving if one.way in ("lower", "end")]
        lower.sort(key=lambda one: one.lane if one.way == "end" else one.x)
        for turn, one in enumerate(lower, 1):
            lane = foot + LANE * turn
            if one.way == "end":
                steps = [(one.x, one.y), (one.lane, one.y), (one.lane, lane)]
            else:
                steps = [(one.x, one.y), (one.x, lane)]
            self._leave(nets[one.seat], steps)
        return foot + LANE * (len(lower) + 1)

    def _leave(self, net: Net, steps: Sequence[tuple[float, float]]) -> None:
        """From a pin by ``steps``, the last of which is level with the way to the net's trunk."""
        x = self.trunk_x.setdefault(net.name, EDGE + PITCH * len(self.trunk_x))
        run, y = self.runs[net.name], steps[-1][1]
        run.segments += [(*one, *other) for one, other in pairwise(steps)]
        run.segments.append((x, y, steps[-1][0], y))
        if net.name in self.trunk_from:
            run.splices.append((x, y))
        self.trunk_from.setdefault(net.name, y)
        self.trunk_to[net.name] = y

    def _trunks(self, rows: Sequence[Sequence[Unit]]) -> None:
        """A trunk too for each net with parts in more than one row."""
        seen = [name for row in rows for name in self._nets_in(row)]
        for net in self.nets:
            if seen.count(net.name) > 1 and net.name not in self.trunk_x:
                self.trunk_x[net.name] = EDGE + PITCH * len(self.trunk_x)


def _unit_lines(unit: Unit) -> list[str]:
    room = max(8, int((_unit_width(unit) - 8) / (SMALL * ADVANCE)))
    return [visible(unit.owner), *textwrap.wrap(visible(unit.title), room)]


def _unit_height(unit: Unit) -> float:
    earthed = "PE" in unit.terminals
    return CELL_H + LINE * len(_unit_lines(unit)) + 9 + (MARK + 2 if earthed else 0)


def _unit_width(unit: Unit) -> float:
    cells = cell_width(unit.terminals) * len(unit.terminals)
    chars = min(len(unit.title), 998)
    least = next(wide for most, wide in ((26, 66.0), (40, 96.0), (999, 112.0)) if chars < most)
    return max(cells, text_width(visible(unit.owner), BIG) + 10, least)
