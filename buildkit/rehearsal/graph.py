"""A rehearsal as a picture: readings, average, thresholds and loads over time, as SVG.

Nothing depends on colour: readings are thin and grey, the average thick and
black, thresholds dashed, a running load a solid bar, lost readings ticks, resets
dotted. No text lies on other text, and a line behind one is broken around it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from buildkit.model import Control, Probe
from buildkit.rehearsal.outcome import Outcome, Row
from buildkit.units import convert

WIDE, LEFT, RIGHT = 960.0, 76.0, 20.0
PANEL, GAP, STRIP, TOP = 190.0, 30.0, 22.0, 70.0
_PLOT = WIDE - LEFT - RIGHT
_BOLD_PX, _SMALL_PX = 0.62, 6.2  # widths: of a bold letter as a share of its size, of a small one
_ROW_PX = 14.0
_HALO = (
    ' font-size="11" stroke="#fff" stroke-width="4" stroke-linejoin="round" paint-order="stroke"'
)
_MOST_POINTS = int(_PLOT)  # more than one a pixel cannot be seen: lowest and highest of each
_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 21600, 43200)


@dataclass(frozen=True, slots=True)
class _Scale:
    """Seconds and values to places in the picture."""

    seconds: float
    low: float
    high: float
    top: float

    def x(self, t_s: float) -> float:
        return LEFT + _PLOT * t_s / self.seconds

    def y(self, value: float) -> float:
        share = (value - self.low) / (self.high - self.low)
        return self.top + PANEL * (1 - share)


def svg(outcome: Outcome, title: str) -> str:
    """The picture of a rehearsal."""
    build = outcome.circuit.build
    parts: list[str] = []
    top = TOP
    for name, probe in build.probes.items():
        rows = [row for row in outcome.rows if row.probe == name]
        parts += _panel(outcome, probe, rows, top)
        top += PANEL + GAP
    first_strip = top
    for load in build.loads:
        parts += _strip(outcome, load, top)
        top += STRIP + 12
    parts += _resets(outcome, first_strip - 8, top)
    parts += _axis(outcome.seconds, top)
    high = top + 46
    head = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDE:g} {high:g}" '
        f'width="{WIDE:g}" height="{high:g}" role="img" font-family="sans-serif" font-size="12">',
        f"<title>{escape(title)}</title>",
        f'<rect width="{WIDE:g}" height="{high:g}" fill="#fff"/>',
        _text(LEFT, 22, _cut(title, _PLOT, 16), "start", ' font-size="16" font-weight="bold"'),
        _text(LEFT, 40, "thin grey: readings; thick: average; dashed: thresholds; ticks: lost readings; dotted: resets", "start"),
    ]  # fmt: skip
    return "\n".join([*head, *parts, "</svg>"]) + "\n"


def _text(x: float, y: float, words: str, anchor: str, more: str = "") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"{more}>{escape(words)}</text>'


def _cut(words: str, wide: float, size: float) -> str:
    """Words that are too wide in bold letters, with their end left out."""
    most = int(wide / (size * _BOLD_PX))
    return words if len(words) <= most else words[: most - 1] + "…"


def _line(x1: float, y1: float, x2: float, y2: float, style: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" {style}/>'


def _panel(outcome: Outcome, probe: Probe, rows: Sequence[Row], top: float) -> list[str]:
    """One probe: its readings and average, and the thresholds that are compared with them."""
    limits = _limits(outcome.circuit.build.control, probe)
    values = [row.raw for row in rows if row.raw is not None] + [value for value, _ in limits]
    low, high = (min(values), max(values)) if values else (0.0, 1.0)
    room = (high - low) * 0.12 or 1.0
    scale = _Scale(outcome.seconds, low - room, high + room, top)
    unit = probe.quantity.unit
    parts = [
        f'<rect x="{LEFT:g}" y="{top:g}" width="{_PLOT:g}" height="{PANEL:g}" fill="none" stroke="#999"/>',
        _text(LEFT + 4, top - 6, f"{probe.use.name}, {unit}", "start", ' font-weight="bold"'),
    ]
    for value in _ticks(scale.low, scale.high, float(probe.quantity.resolution)):
        parts.append(_text(LEFT - 6, scale.y(value) + 4, f"{value:g}", "end"))
        parts.append(_line(LEFT - 3, scale.y(value), LEFT, scale.y(value), 'stroke="#555"'))
    for value, _words in limits:
        parts.append(_line(LEFT, scale.y(value), LEFT + _PLOT, scale.y(value), 'stroke="#000" stroke-dasharray="7 4"'))  # fmt: skip
    parts += _curve(scale, [(row.t_s, row.raw) for row in rows], 'stroke="#888" stroke-width="1"')
    parts += _curve(
        scale, [(row.t_s, row.average) for row in rows], 'stroke="#000" stroke-width="2.4"'
    )
    lost = {round(scale.x(row.t_s)) for row in rows if row.raw is None}
    bottom = top + PANEL
    parts += _named([(scale.y(value), words) for value, words in limits])
    parts += [_line(x, bottom, x, bottom - 7, 'stroke="#000"') for x in sorted(lost)]
    return parts


def _named(lines: Sequence[tuple[float, str]]) -> list[str]:
    """Words on lines across a panel, at its right end or before those that stand there already.

    Where there is no room left, the line goes without.
    """
    parts: list[str] = []
    taken: list[tuple[float, float]] = []  # y, and x of the first letter
    for y, words in lines:
        x = min([LEFT + _PLOT - 4, *(from_x - 10 for at, from_x in taken if abs(at - y) < _ROW_PX)])
        if x - len(words) * _SMALL_PX < LEFT:
            continue
        taken.append((y, x - len(words) * _SMALL_PX))
        parts.append(_text(x, y - 4, words, "end", _HALO))
    return parts


def _limits(control: Sequence[Control], probe: Probe) -> list[tuple[float, str]]:
    found: list[tuple[float, str]] = []
    for entry in (e for e in control if e.by == probe.use.name):
        for value, word in ((entry.start_at, "start"), (entry.stop_at, "stop")):
            own = convert(value, probe.unit, probe.quantity.unit)
            unit = "" if probe.unit == "state" else f" {probe.unit}"
            found.append(
                (float(own), f"{_cut(entry.drive, 100, 12)} {word} {float(value):g}{unit}")
            )
    return found


def _ticks(low: float, high: float, finest: float) -> list[float]:
    """At most nine round numbers between two, no closer than a part's steps."""
    power = 10.0 ** math.floor(math.log10((high - low) / 8))
    step = next(power * n for n in (1, 2, 5, 10) if (high - low) / (power * n) <= 8)
    step = max(step, finest)
    first = math.ceil(low / step)
    return [round((first + n) * step, 9) for n in range(9) if (first + n) * step <= high]


def _curve(scale: _Scale, points: Sequence[tuple[float, float | None]], style: str) -> list[str]:
    """Lines through the points, broken where there is none."""
    pieces: list[list[tuple[float, float]]] = [[]]
    for t_s, value in points:
        if value is not None:
            pieces[-1].append((scale.x(t_s), scale.y(value)))
        elif pieces[-1]:
            pieces.append([])
    drawn = [_thinned(piece) for piece in pieces if piece]
    return [
        f'<polyline points="{" ".join(f"{x:.1f},{y:.1f}" for x, y in piece)}" fill="none" {style}/>'
        for piece in drawn
    ]


def _thinned(points: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """At most the first, lowest, highest and last point of each pixel's width."""
    if len(points) <= _MOST_POINTS:
        return list(points)
    columns: dict[int, list[tuple[float, float]]] = {}
    for point in points:
        columns.setdefault(int(point[0]), []).append(point)
    kept: list[tuple[float, float]] = []
    for column in columns.values():
        ends = {column[0], column[-1], min(column, key=_height), max(column, key=_height)}
        kept += sorted(ends)
    return kept


def _height(point: tuple[float, float]) -> float:
    return point[1]


def _strip(outcome: Outcome, load: str, top: float) -> list[str]:
    """When a load ran: a solid bar on a hollow one."""
    scale = _Scale(outcome.seconds, 0, 1, top)
    parts = [
        _text(LEFT - 6, top + 15, _cut(load, LEFT - 8, 12), "end", ' font-weight="bold"'),
        f'<rect x="{LEFT:g}" y="{top:g}" width="{_PLOT:g}" height="{STRIP:g}" fill="#fff" stroke="#555"/>',
    ]
    edges = [(c.t_s, c.state) for c in outcome.changes if c.load == load]
    if edges and edges[-1][1] == "on":
        edges.append((outcome.seconds, "off"))
    for (from_s, _), (to_s, _) in zip(edges[::2], edges[1::2], strict=False):
        wide = max(0.8, scale.x(to_s) - scale.x(from_s))
        parts.append(
            f'<rect x="{scale.x(from_s):.1f}" y="{top:g}" width="{wide:.1f}" height="{STRIP:g}" fill="#000"/>'
        )
    return parts


def _resets(outcome: Outcome, words_at: float, bottom: float) -> list[str]:
    """A line for each; the cause in words between readings and loads, where it finds room."""
    scale = _Scale(outcome.seconds, 0, 1, TOP)
    parts: list[str] = []
    free_x = LEFT
    for t_s, cause in outcome.resets:
        x, words = scale.x(t_s), f"reset: {cause}"
        parts.append(_line(x, TOP, x, bottom, 'stroke="#000" stroke-dasharray="1 3"'))
        wide = len(words) * _SMALL_PX
        from_x = min(x + 3, LEFT + _PLOT - wide)
        if from_x >= free_x:
            parts.append(_text(from_x, words_at, words, "start", _HALO))
            free_x = from_x + wide + 6
    return parts


def _axis(seconds: float, top: float) -> list[str]:
    step = next((s for s in _STEPS_S if seconds / s <= 12), 86400 * max(1, round(seconds / 864000)))
    scale = _Scale(seconds, 0, 1, top)
    parts = [_line(LEFT, top, LEFT + _PLOT, top, 'stroke="#000"')]
    for n in range(int(seconds / step) + 1):
        x = scale.x(n * step)
        parts.append(_line(x, top, x, top + 5, 'stroke="#000"'))
        parts.append(_text(x, top + 19, _clock(n * step), "middle"))
    parts.append(_text(LEFT + _PLOT, top + 36, "time since power-up", "end"))
    return parts


def _clock(seconds: int) -> str:
    """Days, hours, minutes and seconds, no more of them than needed."""
    days, rest = divmod(seconds, 86400)
    hours, rest = divmod(rest, 3600)
    minutes, left = divmod(rest, 60)
    names = ((days, "d"), (hours, "h"), (minutes, "min"), (left, "s"))
    return " ".join(f"{count} {name}" for count, name in names if count) or "0"
