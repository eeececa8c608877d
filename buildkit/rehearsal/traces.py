"""Readings over time, from a CSV file: a trace, or the log that a sketch wrote.

A trace has the head ``t_s,PROBE[,PROBE…]``, seconds in the first column and a
reading in each other one; an empty cell is a lost reading.  A log has the head
``ms,probe,raw,average,load,state``; where the head comes again the board was
reset, and its time goes on from the last row.  Both give readings in the
part's own unit.  A file that is neither gets one message with its place.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from buildkit.model import Build, Probe
from buildkit.terminal import safe
from buildkit.validation import did_you_mean

Sample = tuple[float, int | None]
"""Seconds, and steps of the quantity's resolution; None for a lost reading."""

LOG_HEAD = "ms,probe,raw,average,load,state"
_ROLL_OVER_MS = 2**32
_LONGEST_S = 100 * 86_400
_NUMBER = re.compile(r"[-+]?([0-9]{1,15}(\.[0-9]{0,15})?|\.[0-9]{1,15})([eE][-+]?[0-9]{1,2})?")
_MOST_BYTES = 512 * 1024 * 1024  # two years of one reading a second


class BadTrace(Exception):
    """A file that cannot be taken as a trace; the message has its line and column."""


@dataclass(frozen=True, slots=True)
class Event:
    """A row of a log without a reading: ``reset: power-on``, ``on: start``, ``dropped 3``."""

    t_s: float
    load: str
    what: str


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings by probe, in the order of time, and when the board was reset."""

    file: str
    readings: Mapping[str, tuple[Sample, ...]]
    end_s: float
    resets_s: tuple[float, ...] = ()
    events: tuple[Event, ...] = ()


def read(path: Path, build: Build) -> Trace:
    """The trace in a file.  Raises BadTrace, or OSError when it cannot be opened."""
    if path.stat().st_size > _MOST_BYTES:
        raise BadTrace(f"{path}: the file is larger than {_MOST_BYTES // 2**20} MB.")
    return parse(path.read_bytes().decode("utf-8-sig", errors="replace"), str(path), build)


def parse(text: str, file: str, build: Build) -> Trace:
    """The trace in a text; ``file`` names it in messages.  Raises BadTrace."""
    lines = text.splitlines()
    first = next((n for n, line in enumerate(lines) if line.strip()), None)
    if first is None:
        raise BadTrace(f"{file}:1:1: the file is empty. A trace begins with 't_s,{_some(build)}'.")
    head = [cell.strip() for cell in lines[first].split(",")]
    if ",".join(head) == LOG_HEAD:
        return _Log(file, build).read(enumerate(lines, 1))
    if head[0] == "t_s":
        return _trace(file, build, head, list(enumerate(lines, 1))[first:])
    raise BadTrace(
        f"{file}:{first + 1}:1: '{_clip(lines[first])}' is no head of a trace. "
        f"Begin with 't_s,{_some(build)}' or with the log's own '{LOG_HEAD}'."
    )


@dataclass(frozen=True, slots=True)
class _Cell:
    """One cell with its place."""

    text: str
    file: str
    line: int
    column: int

    def wrong(self, what: str, remedy: str) -> BadTrace:
        place = f"{safe(self.file)}:{self.line}:{self.column}"
        return BadTrace(f"{place}: '{_clip(self.text)}' {what}. {remedy}")

    def number(self) -> str:
        """The text of the cell, which is a number.  Raises BadTrace."""
        if not _NUMBER.fullmatch(self.text):
            fix = "Write a number with a point and without a unit, or leave the cell empty."
            raise self.wrong("is no number", fix)
        return self.text


def _cells(file: str, line: int, text: str) -> list[_Cell]:
    cells: list[_Cell] = []
    column = 1
    for raw in text.split(","):
        blanks = len(raw) - len(raw.lstrip())
        cells.append(_Cell(raw.strip(), file, line, column + blanks))
        column += len(raw) + 1
    return cells


def _clip(text: str) -> str:
    text = safe(text.strip())
    return text if len(text) <= 40 else text[:39] + "…"


def _some(build: Build) -> str:
    return ",".join(build.probes) or "PROBE"


class _Scale:
    """Readings of one probe as steps; there are few different ones, and each is worked out once."""

    def __init__(self, probe: Probe) -> None:
        self.probe = probe
        self.known: dict[str, int] = {}

    def steps(self, cell: _Cell) -> int | None:
        """A cell's reading, None for an empty one.  Raises BadTrace for what the part cannot give."""
        if not cell.text:
            return None
        if cell.text not in self.known:
            self.known[cell.text] = self._worked_out(cell)
        return self.known[cell.text]

    def _worked_out(self, cell: _Cell) -> int:
        value, quantity = Fraction(cell.number()), self.probe.quantity
        if not quantity.low <= value <= quantity.high:
            span = f"{float(quantity.low):g} to {float(quantity.high):g} {quantity.unit}"
            raise cell.wrong(
                f"is outside what {self.probe.use.name} can read, {span}",
                "Readings are in the part's own unit; leave the cell empty for a lost one.",
            )
        if quantity.unit == "state" and value.denominator != 1:
            raise cell.wrong(f"is neither 0 nor 1, and {self.probe.use.name} reads nothing between", "Write what it read.")  # fmt: skip
        return math.floor(value / quantity.resolution + Fraction(1, 2))


def _within(t_s: float, cell: _Cell) -> float:
    """A time that can be rehearsed.  Raises BadTrace."""
    if t_s > _LONGEST_S:
        raise cell.wrong(f"is later than {_LONGEST_S // 86_400} days", "Cut the trace shorter.")
    return t_s


# --- a table of readings -----------------------------------------------------------


def _trace(file: str, build: Build, head: list[str], lines: list[tuple[int, str]]) -> Trace:
    number, text = lines[0]
    scales = [_Scale(probe) for probe in _columns(_cells(file, number, text), head, build)]
    if not scales:
        raise BadTrace(f"{file}:{number}:1: the head names no probe. Write 't_s,{_some(build)}'.")
    found: list[list[Sample]] = [[] for _ in scales]
    before = -1.0
    for number, text in lines[1:]:
        quick = _quick(text, scales, before)
        if quick is not None:
            before = quick[0]
            for samples, steps in zip(found, quick[1], strict=True):
                samples.append((before, steps))
            continue
        if not text.strip():
            continue
        cells = _row(_cells(file, number, text), len(head))
        t_s = _within(float(cells[0].number()), cells[0])
        if t_s <= before or t_s < 0:
            fix = "Rows go on in time, from 0 s at power-up."
            raise cells[0].wrong("does not come after the row before it", fix)
        before = t_s
        for samples, scale, cell in zip(found, scales, cells[1:], strict=True):
            samples.append((t_s, scale.steps(cell)))
    if before < 0:
        raise BadTrace(f"{file}:{number}:1: there is no reading below the head.")
    names = (scale.probe.use.name for scale in scales)
    return Trace(file, dict(zip(names, map(tuple, found), strict=True)), before)


def _quick(text: str, scales: list[_Scale], before: float) -> tuple[float, list[int | None]] | None:
    """A row in which all is plain and known; None for one that must be looked at cell by cell."""
    time, *cells = text.split(",")
    # Whole seconds are looked at first, for speed: of most traces nothing else comes.
    if len(cells) != len(scales) or not (
        (time.isdecimal() and time.isascii()) or _NUMBER.fullmatch(time)
    ):
        return None
    t_s = float(time)
    try:
        steps: list[int | None] = [
            scale.known[cell] for scale, cell in zip(scales, cells, strict=True)
        ]
    except KeyError:
        return None
    return (t_s, steps) if 0 <= t_s <= _LONGEST_S and before < t_s else None


def _columns(cells: list[_Cell], head: list[str], build: Build) -> Iterator[Probe]:
    for cell in cells[1:]:
        if cell.text not in build.probes:
            fix = did_you_mean(cell.text, build.probes, "probes of the build")
            raise cell.wrong("is no probe of this build", fix)
        if head.count(cell.text) > 1:
            raise cell.wrong("stands twice in the head", "Give each probe one column.")
        yield build.probes[cell.text]


def _row(cells: list[_Cell], wanted: int) -> list[_Cell]:
    if len(cells) == wanted:
        return cells
    raise cells[min(wanted, len(cells) - 1)].wrong(
        f"is the end of a row of {len(cells)} cells; the head has {wanted}"
        if len(cells) < wanted
        else f"is more than the {wanted} cells of the head",
        "Cells are parted by commas, decimals have a point.",
    )


# --- the log of a sketch -------------------------------------------------------------


@dataclass
class _Log:
    """The log while it is read: time goes on over resets and roll-overs."""

    file: str
    build: Build
    readings: dict[str, list[Sample]] = field(default_factory=dict)
    scales: dict[str, _Scale] = field(default_factory=dict)
    resets_s: list[float] = field(default_factory=list)
    events: list[Event] = field(default_factory=list)
    base_ms: int = 0
    last_ms: int = 0
    heads: int = 0

    def read(self, lines: Iterable[tuple[int, str]]) -> Trace:
        for number, text in lines:
            if text.strip() == LOG_HEAD:
                self._head()
            elif text.strip():
                self._line(_row(_cells(self.file, number, text), LOG_HEAD.count(",") + 1))
        if not self.readings:
            raise BadTrace(f"{self.file}:1:1: there is no reading in this log.")
        return Trace(
            self.file,
            {name: tuple(samples) for name, samples in self.readings.items()},
            (self.base_ms + self.last_ms) / 1000,
            tuple(self.resets_s),
            tuple(self.events),
        )

    def _head(self) -> None:
        if self.heads:
            self.base_ms += self.last_ms + 1
            self.resets_s.append(self.base_ms / 1000)
        self.last_ms = 0
        self.heads += 1

    def _line(self, cells: list[_Cell]) -> None:
        t_s = self._seconds(cells[0])
        name = cells[1].text
        if not name:
            self.events.append(Event(t_s, cells[4].text, cells[5].text))
            return
        if name not in self.build.probes:
            fix = did_you_mean(name, self.build.probes, "probes of the build")
            raise cells[1].wrong("is no probe of this build", fix)
        samples = self.readings.setdefault(name, [])
        if samples and samples[-1][0] == t_s:
            return  # the same reading once more, for another load
        scale = self.scales.setdefault(name, _Scale(self.build.probes[name]))
        samples.append((t_s, scale.steps(cells[2])))

    def _seconds(self, cell: _Cell) -> float:
        if not cell.text.isdecimal() or int(cell.text) >= _ROLL_OVER_MS:
            raise cell.wrong("is no time in milliseconds", "The log counts from power-up.")
        ms = int(cell.text)
        if self.last_ms - ms > _ROLL_OVER_MS // 2:
            self.base_ms += _ROLL_OVER_MS
        elif ms < self.last_ms:
            raise cell.wrong(
                "is earlier than the row before it",
                f"After a reset the head comes again: {LOG_HEAD}",
            )
        self.last_ms = ms
        return _within((self.base_ms + ms) / 1000, cell)
