"""The board of the connection picture: its outline, and its headers where they stand on it.

A header lies along the upper or lower edge, at the right end, or inside the
outline; which of them is read off its name in the board's table.  A stick with
a left and a right row is laid on its side, the first pins of both rows at the
left: so the right row lies along the upper edge and the left one along the lower.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from buildkit.circuit import Circuit, End
from buildkit.escapes import visible
from buildkit.model import Board
from buildkit.shapes import ADVANCE, Box, Text, text_width

SIDES = {
    "right": "upper",
    "digital upper": "upper",
    "digital lower": "upper",
    "communication": "upper",
    "left": "lower",
    "power": "lower",
    "analog": "lower",
    "analog low": "lower",
    "analog high": "lower",
    "end inner row": "end",
    "end outer row": "end",
}
LANE = 7.0  # between wires that run side by side along a header
LINE, GAP, PAD = 11.0, 12.0, 8.0
BIG, SMALL = 9.0, 8.5
FLAT_H, END_H = 27.0, 14.0

Strip = tuple[str, tuple[str, ...]]  # a header's name and its labels
Seat = tuple[int, int]  # index of a strip, and of a label in it


@dataclass(frozen=True, slots=True)
class Leaving:
    """Where the wire of a used pin starts, and the lane that it takes first if any.

    ``way`` is upper, lower, inside (to the left, ``lane`` is the y of its
    lane) or end (sideways, ``lane`` is the x of its lane).
    """

    seat: Seat
    way: str
    x: float
    y: float
    lane: float = 0.0


@dataclass(slots=True)
class Outline:
    """A board as drawn."""

    frame: Box
    boxes: list[Box] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    leaving: list[Leaving] = field(default_factory=list)
    right: float = 0.0  # of all that is drawn, lanes included


def strips(board: Board) -> list[Strip]:
    """The headers of a board by name, each with its labels in their true order."""
    return [(header.name, header.labels) for header in board.headers]


def seats(circuit: Circuit, known: list[Strip], ends: Sequence[End]) -> dict[End, Seat]:
    """Where each end of the board stands on its headers, the most likely one where it has several.

    A label that no header carries is put on a strip of its own.
    """
    board = circuit.board
    found: dict[End, Seat] = {}
    lost: list[End] = []
    for end in ends:
        pin = board.pin(end.label)
        alike = {end.label} if pin is None else {end.label, pin.label, *pin.aliases}
        offers = [
            (label != end.label, -_supplies(board, labels), strip, place)
            for strip, (_, labels) in enumerate(known)
            for place, label in enumerate(labels)
            if label in alike
        ]
        if offers:
            found[end] = min(offers)[2:]
        else:
            lost.append(end)
    if lost:
        known.append(("elsewhere on the board", tuple(end.label for end in lost)))
        found.update({end: (len(known) - 1, place) for place, end in enumerate(lost)})
    return found


def _supplies(board: Board, labels: Sequence[str]) -> int:
    """How many labels of a header are no pin: most on the header meant for supplies."""
    return sum(label not in board.pins for label in labels)


def draw(
    board: Board,
    known: Sequence[Strip],
    used: Mapping[Seat, int],
    at: tuple[float, float],
    room: float,
) -> Outline:
    """The board with its upper left corner at ``at``; ``used`` has the wire number of each seat."""
    return _Board(board, known, used, at, room).outline


def cell_width(labels: Sequence[str]) -> float:
    """The width of a cell that holds any of the labels flat."""
    return max(25.0, max(text_width(visible(label), BIG) for label in labels) + 6)


class _Board:
    """Places headers from the upper edge down; every figure is kept where it is first known."""

    def __init__(
        self,
        board: Board,
        known: Sequence[Strip],
        used: Mapping[Seat, int],
        at: tuple[float, float],
        room: float,
    ) -> None:
        self.known, self.used = known, used
        self.left, top = at[0] + PAD, at[1]
        sides: dict[str, list[int]] = {"upper": [], "lower": [], "end": [], "inside": []}
        for index, (name, labels) in enumerate(known):
            if labels:
                sides[SIDES.get(name, "inside")].append(index)
        edges = (sides["upper"], sides["lower"])
        self.flat = all(self._flat_width(edge) <= room - 2 * PAD for edge in edges)
        self.outline = Outline(Box("board", *at, 0, 0))
        self.edge_h = FLAT_H if self.flat else self._upright_height(edges)
        right = self._edge(sides["upper"], "upper", top + 3)
        y = top + 3 + (self.edge_h + LINE + 2 if sides["upper"] else 0)
        least = max(right - self.left, max(map(self._flat_width, edges)) if self.flat else 0, 260)
        y = self._title(board, sides, y, least)
        for index in sides["inside"]:
            y, edge = self._inside(index, y)
            right = max(right, edge)
        end_h = max((len(known[i][1]) for i in sides["end"]), default=0) * END_H
        lower = (self.edge_h + LINE + 2) if sides["lower"] else 0
        bottom = max(y + lower, top + end_h + 6)
        right = max(
            right, self._edge(sides["lower"], "lower", bottom - self.edge_h), self.text_right
        )
        right = self._ends(sides["end"], right, top + 3)
        bottom += 3
        self.outline.frame = Box("board", at[0], top, right + PAD - at[0], bottom - top)
        self.outline.right = max(self.outline.right, right + PAD)

    # --- sizes -------------------------------------------------------------

    def _flat_width(self, edge: Sequence[int]) -> float:
        wide = [cell_width(self.known[i][1]) * len(self.known[i][1]) for i in edge]
        return sum(wide) + GAP * (len(wide) - 1)

    def _upright_height(self, edges: Sequence[Sequence[int]]) -> float:
        labels = [label for edge in edges for index in edge for label in self.known[index][1]]
        return max(text_width(visible(label), BIG) for label in labels) + 6 + LINE

    def _cell(self, labels: Sequence[str]) -> float:
        if self.flat:
            return cell_width(labels)
        widest = max((len(str(number)) for number in self.used.values()), default=1)
        return max(16.0, text_width("#" * (widest + 1), SMALL) + 2)

    # --- headers -------------------------------------------------------------

    def _edge(self, edge: Sequence[int], side: str, y: float) -> float:
        """The headers along one edge, side by side; returns where they end."""
        x = self.left
        for index in edge:
            name, labels = self.known[index]
            wide = self._cell(labels)
            base = y + self.edge_h + LINE - 1 if side == "upper" else y - 4
            short = textwrap.shorten(
                visible(name), max(4, int(wide * len(labels) / (SMALL * ADVANCE))), placeholder="…"
            )
            self.outline.texts.append(Text(short, x, base, SMALL, "faint"))
            for place, label in enumerate(labels):
                box = Box("pin", x, y, wide, self.edge_h)
                self._pin((index, place), label, box, side)
                x += wide
            x += GAP
        return x - GAP if edge else x

    def _pin(self, seat: Seat, label: str, box: Box, side: str) -> None:
        number = self.used.get(seat)
        kind = "pin" if number is None else "used-pin"
        self.outline.boxes.append(Box(kind, box.x, box.y, box.w, box.h))
        if self.flat or side == "inside":
            self._flat_label(label, number, box)
        else:
            self._upright_label(label, number, box, side)
        if number is not None and side != "inside":
            y = box.y if side == "upper" else box.y + box.h
            self.outline.leaving.append(Leaving(seat, side, box.x + box.w / 2, y))

    def _flat_label(self, label: str, number: int | None, box: Box) -> None:
        middle = box.x + box.w / 2
        if number is None:
            self._centred(label, middle, box.y + 17, SMALL, "faint")
        else:
            self._centred(label, middle, box.y + 11, BIG, "light")
            self._centred(f"#{number}", middle, box.y + 22, SMALL, "light")

    def _upright_label(self, label: str, number: int | None, box: Box, side: str) -> None:
        text, look = visible(label), "faint" if number is None else "light"
        size = SMALL if number is None else BIG
        foot = box.y + box.h - (4 if side == "upper" else LINE + 3)
        x = box.x + box.w / 2 + 0.27 * size
        self.outline.texts.append(Text(text, x, foot, size, look, upright=True))
        if number is not None:
            y = box.y + 9 if side == "upper" else box.y + box.h - 3
            self._centred(f"#{number}", box.x + box.w / 2, y, SMALL, "light")

    def _centred(self, text: str, middle: float, y: float, size: float, look: str) -> None:
        text = visible(text)
        left = middle - text_width(text, size) / 2
        self.outline.texts.append(Text(text, left, y, size, look))

    def _title(
        self, board: Board, sides: Mapping[str, Sequence[int]], y: float, room: float
    ) -> float:
        title = f"{board.id}: {board.title}"
        lines = textwrap.wrap(visible(title), int(room / (BIG * ADVANCE)))
        looks = ["bold"] * len(lines)
        edges = (*sides["upper"], *sides["lower"])
        if any(self.known[index][0] in ("left", "right") for index in edges):
            note = "lying on its side, parts up: the first pins of both rows at the left"
            more = textwrap.wrap(note, int(room / (SMALL * ADVANCE)))
            lines, looks = lines + more, looks + ["faint"] * len(more)
        y += 3
        self.text_right = self.left
        for line, look in zip(lines, looks, strict=True):
            y += LINE
            self.outline.texts.append(
                Text(line, self.left, y, BIG if look == "bold" else SMALL, look)
            )
            self.text_right = max(self.text_right, self.left + text_width(line, BIG))
        return y + 8

    def _inside(self, index: int, y: float) -> tuple[float, float]:
        """A header inside the outline, with lanes to the left below it."""
        name, labels = self.known[index]
        self.outline.texts.append(Text(visible(name), self.left, y + 8, SMALL, "faint"))
        cells, wide, x = y + LINE, cell_width(labels), self.left
        lanes = 0
        for place, label in enumerate(labels):
            seat = (index, place)
            self._pin(seat, label, Box("pin", x, cells, wide, FLAT_H), "inside")
            if seat in self.used:
                lanes += 1
                lane = cells + FLAT_H + LANE * lanes
                start = cells + FLAT_H
                self.outline.leaving.append(Leaving(seat, "inside", x + wide / 2, start, lane))
            x += wide
        return cells + FLAT_H + LANE * (lanes + 1), max(x, self.left + text_width(name, SMALL))

    def _ends(self, columns: Sequence[int], x: float, y: float) -> float:
        """Columns at the right end, the inner one with its lanes before it, the outer behind."""
        for turn, index in enumerate(columns):
            labels = self.known[index][1]
            pins = [place for place in range(len(labels)) if (index, place) in self.used]
            wide = max(text_width(visible(label), BIG) for label in labels) + 30
            inner = turn < len(columns) - 1 or len(columns) == 1
            before = GAP + LANE * len(pins) if inner else 0.0
            for place, label in enumerate(labels):
                box = Box("pin", x + before, y + END_H * place, wide, END_H)
                self._end_pin((index, place), label, box)
            for lane, place in enumerate(pins):
                middle = y + END_H * (place + 0.5)
                start = x + before if inner else x + wide
                turn_x = x + GAP / 2 + LANE * lane
                if not inner:
                    turn_x = x + wide + PAD + LANE * (len(pins) - lane)
                    self.outline.right = max(self.outline.right, turn_x)
                self.outline.leaving.append(Leaving((index, place), "end", start, middle, turn_x))
            x += before + wide
        return x

    def _end_pin(self, seat: Seat, label: str, box: Box) -> None:
        number = self.used.get(seat)
        self.outline.boxes.append(
            Box("pin" if number is None else "used-pin", box.x, box.y, box.w, box.h)
        )
        size, look = (SMALL, "faint") if number is None else (BIG, "light")
        self.outline.texts.append(Text(visible(label), box.x + 3, box.y + 10.5, size, look))
        if number is not None:
            text = f"#{number}"
            x = box.x + box.w - 3 - text_width(text, SMALL)
            self.outline.texts.append(Text(text, x, box.y + 10.5, SMALL, look))
