"""Findings for a terminal: the line quoted, its span underlined, colour where it is wanted.

Only bold, red and magenta are used, and the text says the same without them:
yellow and cyan vanish on a light ground, blue on a dark one.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Callable
from functools import lru_cache
from typing import TextIO

from buildkit.document import MAX_BYTES
from buildkit.model import Place
from buildkit.pages import WIDTH

GUTTER = 7  # "  123 | "
_COLOURS = {"error": "1;31", "warning": "1;35", "note": "1"}

Paint = Callable[[str, str], str]


def plain(text: str, _: str) -> str:
    """The text as it is."""
    return text


def coloured(text: str, severity: str) -> str:
    """The text in the colour of a severity; ``strong`` stands out, without one."""
    return f"\x1b[{_COLOURS.get(severity, '1')}m{text}\x1b[0m"


def paint_for(stream: TextIO) -> Paint:
    """Colour only on a terminal that can, and never against NO_COLOR (no-color.org)."""
    unwanted = os.environ.get("NO_COLOR") or os.environ.get("TERM") == "dumb"
    return coloured if not unwanted and stream.isatty() else plain


def safe(text: str) -> str:
    """Text of a file or a file's name that cannot steer the terminal."""
    return "".join(char if char.isprintable() else "?" for char in text)


@lru_cache(maxsize=8)
def _lines(file: str) -> tuple[str, ...]:
    try:
        with open(file, "rb") as stream:
            raw = stream.read(MAX_BYTES)
    except (OSError, ValueError):
        return ()
    # Lines as YAML counts them, which is as str.splitlines does but for rare controls.
    return tuple(raw.decode("utf-8-sig", errors="replace").splitlines())


def forget() -> None:
    """Read files anew: between checks they may have been edited."""
    _lines.cache_clear()


def line_at(place: Place) -> str:
    """The line of the file that a place stands in; empty when there is none."""
    lines = _lines(place.file)
    return lines[place.line - 1] if 0 < place.line <= len(lines) else ""


_PLAIN = re.compile(r"[^\s,\[\]{}#](?:[^,\[\]{}#:]|:(?!\s|$)|(?<!\s)#)*")
_QUOTED = {'"': re.compile(r'"(?:[^"\\]|\\.)*"?'), "'": re.compile(r"'(?:[^']|'')*'?")}
_CLOSES = {"[": "]", "{": "}"}


def span(line: str, column: int) -> int:
    """How many characters the word, text or bracket at ``column`` takes, at least one."""
    rest = line[column - 1 :]
    first = rest[:1]
    if first in _QUOTED:
        found = _QUOTED[first].match(rest)
    elif first in _CLOSES:
        return _bracket(rest)
    else:
        found = _PLAIN.match(rest)
    return max(1, len(found[0].rstrip())) if found else 1


def _bracket(rest: str) -> int:
    depth = 0
    for index, char in enumerate(rest):
        depth += (char in "[{") - (char in "]}")
        if depth == 0:
            return index + 1
    return len(rest.rstrip())


def _columns(text: str) -> int:
    """How many columns of a terminal a text takes."""
    return sum(
        0 if unicodedata.combining(char) else 2 if unicodedata.east_asian_width(char) in "WF" else 1
        for char in text
    )


def quote(place: Place, severity: str, paint: Paint) -> list[str]:
    """The line that a place stands in, and below it what is meant; empty when it is blank."""
    line = line_at(place)
    if not line.strip():
        return []
    long = span(line, place.column)
    before, meant, after = (
        safe(part.replace("\t", " "))
        for part in (
            line[: place.column - 1],
            line[place.column - 1 : place.column - 1 + long],
            line[place.column - 1 + long :].rstrip(),
        )
    )
    before, meant, after = _cut(before, meant, after)
    mark = "^" * max(1, _columns(meant))
    gutter = f"{place.line:>5} "
    return [
        f"{gutter}| {before}{meant}{after}",
        f"{' ' * len(gutter)}| {' ' * _columns(before)}{paint(mark, severity)}",
    ]


def _cut(before: str, meant: str, after: str) -> tuple[str, str, str]:
    """The three parts shortened so that the line fits, the middle being kept longest."""
    room = WIDTH - GUTTER - 1
    meant = _head(meant, room - 2)
    left = room - max(1, _columns(meant))  # the mark is one column wide at least
    if _columns(before) + _columns(after) > left:
        before = _tail(before, max(1, left - min(_columns(after), left // 2)))
        after = _head(after, left - _columns(before))
    return before, meant, after


def _head(text: str, room: int) -> str:
    """The text in at most so many columns, ending in '…' when it was cut."""
    if _columns(text) <= room:
        return text
    taken, kept = 1, ""
    for char in text:
        taken += _columns(char)
        if taken > room:
            break
        kept += char
    return f"{kept}…" if room > 0 else ""


def _tail(text: str, room: int) -> str:
    """The end of a text in at most so many columns, beginning with '…' when it was cut."""
    return _head(text[::-1], room)[::-1]
