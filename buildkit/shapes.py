"""Boxes, texts and wires as plain data, and their way into SVG.

The SVG carries its looks in presentation attributes, because not every PDF
library lets the rules of the page reach into it.
"""

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
    """One line of text; ``x`` is its left end, ``y`` its base line.

    ``upright`` text is turned about that point, so that it runs upwards.
    """

    text: str
    x: float
    y: float
    size: float
    look: str = ""  # bold | light | faint
    upright: bool = False

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Left, top, right and bottom."""
        above, below = 0.78 * self.size, 0.24 * self.size
        wide = text_width(self.text, self.size)
        if self.upright:
            return self.x - above, self.y - wide, self.x + below, self.y
        return self.x, self.y - above, self.x + wide, self.y + below


@dataclass(frozen=True, slots=True)
class Mark:
    """The sign for protective earth, IEC 60417-5019 (from memory), in a square at ``x``, ``y``."""

    x: float
    y: float
    size: float


Segment = tuple[float, float, float, float]


@dataclass(slots=True)
class Run:
    """One net as drawn: straight stretches, and a dot for each splice."""

    net: str
    colour: str
    rail: bool = False  # a supply or ground, drawn heavier
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
    marks: list[Mark] = field(default_factory=list)
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
FACE = "DejaVu Sans Mono, Liberation Mono, Courier New, monospace"
# By kind of box: fill, stroke, and stroke width.
_BOX = {
    "board": ("#eef2f0", "#222222", 1.4),
    "pin": ("#ffffff", "#8b959b", 1.0),
    "used-pin": ("#17324d", "#17324d", 1.0),
    "part": ("#ffffff", "#222222", 1.4),
    "terminal": ("#ffffff", "#222222", 1.0),
}
_TEXT = {
    "": 'fill="#111111"',
    "bold": 'fill="#111111" font-weight="bold"',
    "light": 'fill="#ffffff" font-weight="bold"',
    "faint": 'fill="#59636a"',
}
EDGE_INK, HALO_INK = "#222222", "#ffffff"


def svg(picture: Picture) -> str:
    """A diagram as SVG text, complete in itself."""
    outlines = [box for box in picture.boxes if box.kind == "board"]
    others = [box for box in picture.boxes if box.kind != "board"]
    title = escape(visible(picture.title), {'"': "&quot;"})
    body = [*map(_box, outlines), *map(_run, picture.runs), *map(_box, others)]
    body += [*map(_mark, picture.marks), *map(_text, picture.texts)]
    wide, high = _n(picture.width), _n(picture.height)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="picture" role="img" aria-label="{title}" '
        f'font-family="{FACE}" preserveAspectRatio="xMinYMin" viewBox="0 0 {wide} {high}" '
        f'width="{wide}" height="{high}">\n' + "\n".join(body) + "\n</svg>"
    )


def _n(value: float) -> str:
    return short(value, 1)


def _box(box: Box) -> str:
    fill, stroke, width = _BOX[box.kind]
    return (
        f'<rect x="{_n(box.x)}" y="{_n(box.y)}" width="{_n(box.w)}" height="{_n(box.h)}" '
        f'fill="{fill}" stroke="{stroke}" stroke-width="{_n(width)}"/>'
    )


def _text(text: Text) -> str:
    turn = f' transform="rotate(-90 {_n(text.x)} {_n(text.y)})"' if text.upright else ""
    return (
        f'<text x="{_n(text.x)}" y="{_n(text.y)}" font-size="{_n(text.size)}" '
        f"{_TEXT[text.look]}{turn}>{escape(text.text)}</text>"
    )


def _mark(mark: Mark) -> str:
    """Circle, stem and three bars that grow shorter downwards."""
    middle, size = mark.x + mark.size / 2, mark.size
    bars = [(0.5, 0.33), (0.64, 0.22), (0.78, 0.11)]
    path = f"M{_n(middle)} {_n(mark.y + 0.16 * size)}V{_n(mark.y + 0.5 * size)}" + "".join(
        f"M{_n(middle - half * size)} {_n(mark.y + down * size)}H{_n(middle + half * size)}"
        for down, half in bars
    )
    return (
        f'<circle cx="{_n(middle)}" cy="{_n(mark.y + size / 2)}" r="{_n(size / 2)}" '
        f'fill="#ffffff" stroke="#111111"/>'
        f'<path d="{path}" fill="none" stroke="#111111" stroke-width="1.2"/>'
    )


def _stroke(path: str, ink: str, width: float, more: str = "") -> str:
    return f'<path d="{path}" stroke="{ink}" stroke-width="{_n(width)}"{more}/>'


def _run(run: Run) -> str:
    path = "".join(f"M{_n(a)} {_n(b)}L{_n(c)} {_n(d)}" for a, b, c, d in run.segments)
    name = run.colour.split(",")[0].split()[0]
    heavy = 1.2 if run.rail else 0.0
    # A white core is thinner, so that enough of its edge is seen.
    core = (1.3 if name == "white" else 1.9) + heavy
    square = ' stroke-linecap="square"'
    strokes = [
        _stroke(path, HALO_INK, 4.6 + heavy),
        _stroke(path, EDGE_INK, 3.1 + heavy, square),
        _stroke(path, _INK[name], core, square),
    ]
    if name == "green-yellow":
        strokes.append(_stroke(path, _INK["yellow"], core, ' stroke-dasharray="5 5"'))
    strokes += [
        _stroke(f"M{_n(a)} {_n(b)}L{_n(c)} {_n(d)}", "#6a747a", 1.0, ' stroke-dasharray="1 3"')
        for a, b, c, d in run.leaders
    ]
    dots = [
        f'<circle cx="{_n(x)}" cy="{_n(y)}" r="2.8" fill="#111111" stroke="{HALO_INK}" '
        'stroke-width="0.6"/>'
        for x, y in run.splices
    ]
    return f'<g fill="none" stroke-linejoin="round">{"".join(strokes)}{"".join(dots)}</g>'
