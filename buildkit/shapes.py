"""Boxes, texts and wires as plain data, and their way into SVG."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass, field
from xml.sax.saxutils import escape

from buildkit.bench import short
from buildkit.escapes import visible

ADVANCE = 0.61  # em; DejaVu, Liberation and Courier fixed faces advance 0.600 to 0.602


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle: board, pin, used-pin, part or terminal."""

    kind: str
    x: float
    y: float
    w: float
    h: float


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; ``x`` is its left end, ``y`` its base line."""

    text: str
    x: float
    y: float
    size: float
    look: str = ""  # bold | light | faint

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom."""
        top, bottom = self.y - 0.78 * self.size, self.y + 0.24 * self.size
        return self.x, top, self.x + text_width(self.text, self.size), bottom


Segment = tuple[float, float, float, float]


@dataclass(slots=True)
class Run:
    """One net as drawn: straight stretches, and a dot for each splice."""

    net: str
    colour: str
    segments: list[Segment] = field(default_factory=list)
    splices: list[tuple[float, float]] = field(default_factory=list)
    leaders: list[Segment] = field(default_factory=list)  # thin lines from a name to its wire


@dataclass(slots=True)
class Picture:
    """One diagram as data."""

    title: str
    width: float
    height: float
    boxes: list[Box] = field(default_factory=list)
    texts: list[Text] = field(default_factory=list)
    runs: list[Run] = field(default_factory=list)


def text_width(text: str, size: float) -> float:
    """Width of a line in the fixed-width face; wide characters count twice."""
    columns = sum(2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text)
    return columns * size * ADVANCE


_INK = {
    "black": "#1a1a1a", "red": "#d4302b", "yellow": "#f0c020", "violet": "#8f5bd0",
    "orange": "#ef7d1c", "pink": "#f08ab5", "turquoise": "#25b0b0", "white": "#ffffff",
    "grey": "#9a9a9a", "blue": "#3274d8", "brown": "#8c5a2d", "green": "#2f9e48",
    "green-yellow": "#2f9e48",
}  # fmt: skip


def svg(picture: Picture) -> str:
    """A diagram as SVG text, complete in itself."""
    outlines = [box for box in picture.boxes if box.kind == "board"]
    others = [box for box in picture.boxes if box.kind != "board"]
    title = escape(visible(picture.title), {'"': "&quot;"})
    body = [*map(_box, outlines), *map(_run, picture.runs), *map(_box, others)]
    body += map(_text, picture.texts)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="picture" role="img" aria-label="{title}" '
        f'preserveAspectRatio="xMinYMin" viewBox="0 0 {_n(picture.width)} {_n(picture.height)}">\n'
        + "\n".join(body)
        + "\n</svg>"
    )


def _n(value: float) -> str:
    return short(value, 1)


def _box(box: Box) -> str:
    return (
        f'<rect class="{box.kind}" x="{_n(box.x)}" y="{_n(box.y)}" '
        f'width="{_n(box.w)}" height="{_n(box.h)}"/>'
    )


def _text(text: Text) -> str:
    look = f' class="{text.look}"' if text.look else ""
    return (
        f'<text{look} x="{_n(text.x)}" y="{_n(text.y)}" font-size="{_n(text.size)}">'
        f"{escape(text.text)}</text>"
    )


def _run(run: Run) -> str:
    path = "".join(f"M{_n(a)} {_n(b)}L{_n(c)} {_n(d)}" for a, b, c, d in run.segments)
    name = run.colour.split(",")[0].split()[0]
    pale = " pale" if name == "white" else ""  # keeps enough of its edge to be seen
    strokes = [
        f'<path class="halo" d="{path}"/>',
        f'<path class="edge" d="{path}"/>',
        f'<path class="core{pale}" stroke="{_INK[name]}" d="{path}"/>',
    ]
    if name == "green-yellow":
        strokes.append(f'<path class="core stripe" stroke="{_INK["yellow"]}" d="{path}"/>')
    strokes += [
        f'<path class="leader" d="M{_n(a)} {_n(b)}L{_n(c)} {_n(d)}"/>' for a, b, c, d in run.leaders
    ]
    dots = [f'<circle cx="{_n(x)}" cy="{_n(y)}" r="2.6"/>' for x, y in run.splices]
    return f"<g>{''.join(strokes)}{''.join(dots)}</g>"
