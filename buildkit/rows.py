"""Rows of a display: text with {names} to segments, and how wide they can get."""

from __future__ import annotations

import re
import unicodedata
from fractions import Fraction

from buildkit.model import Build, Display, Part, Probe
from buildkit.records import dataclass
from buildkit.units import from_steps, shown_decimals

NO_VALUE = "--"
_TOKEN = re.compile(r"\{\{|\}\}|\{([^{}]*)\}")


@dataclass(frozen=True, slots=True)
class Segment:
    """A piece of a row: ``text`` as it stands, or a field.

    ``field`` is average, now or load; ``name`` is the probe or load it shows,
    ``text`` the field as written.
    """

    text: str
    field: str = ""
    name: str = ""


def segments(row: str, build: Build) -> list[Segment]:
    """The pieces of a row; a field with an unknown name has ``field`` unknown."""
    pieces: list[Segment] = []
    at = 0
    for match in _TOKEN.finditer(row):
        pieces.append(Segment(row[at : match.start()]))
        pieces.append(_field(match, build))
        at = match.end()
    pieces.append(Segment(row[at:]))
    return _joined(pieces)


def _field(match: re.Match[str], build: Build) -> Segment:
    if match.group(1) is None:
        return Segment(match.group(0)[0])
    name, dot, what = match.group(1).partition(".")
    if name in build.probes and (what == "now" or not dot):
        return Segment(match.group(0), "now" if dot else "average", name)
    if name in build.loads and not dot:
        return Segment(match.group(0), "load", name)
    return Segment(match.group(0), "unknown", match.group(1))


def _joined(pieces: list[Segment]) -> list[Segment]:
    joined: list[Segment] = []
    for piece in pieces:
        if not piece.field and joined and not joined[-1].field:
            joined[-1] = Segment(joined[-1].text + piece.text)
        elif piece.field or piece.text:
            joined.append(piece)
    return joined


def shown_limits(probe: Probe) -> tuple[int, int]:
    """Lowest and highest value that a probe can show, in its last shown digit."""
    quantity = probe.quantity
    ends = [
        from_steps(end / quantity.resolution, probe.unit, quantity)
        * 10 ** shown_decimals(probe.unit, quantity)
        for end in (quantity.low, quantity.high)
    ]
    return round_away(min(ends)), round_away(max(ends))


def round_away(value: Fraction) -> int:
    """The nearest whole number, halves away from zero, as the sketch rounds."""
    whole = int(abs(value) + Fraction(1, 2))
    return whole if value >= 0 else -whole


def fixed_point(value: int, decimals: int) -> str:
    """A whole number of last digits as decimal text, as the sketch prints it."""
    digits = str(abs(value)).rjust(decimals + 1, "0")
    sign = "-" if value < 0 else ""
    return f"{sign}{digits[:-decimals]}.{digits[-decimals:]}" if decimals else sign + digits


def widest(segment: Segment, build: Build) -> int:
    """The most columns that a segment can take."""
    if segment.field == "load":
        return len("off")
    if segment.field in ("now", "average"):
        probe = build.probes[segment.name]
        ends = (
            fixed_point(end, shown_decimals(probe.unit, probe.quantity))
            for end in shown_limits(probe)
        )
        return max(len(NO_VALUE), *map(len, ends))
    return len(segment.text)


def encode(text: str, part: Part) -> tuple[bytes, list[str]]:
    """Text in a display's own codes, and the characters that it does not have."""
    codes = bytearray()
    missing: list[str] = []
    for char in text:
        normal = unicodedata.normalize("NFKC", char)
        code = part.font.get(char, part.font.get(normal))
        if code is None and " " <= char <= "~" and char not in part.font_missing:
            code = ord(char)
        if code is None:
            missing.append(char)
            code = ord("?")
        codes.append(code)
    return bytes(codes), missing


def text_displays(build: Build) -> list[Display]:
    """The displays that show rows of text."""
    return [d for d in build.displays.values() if d.use.part.shows == "text"]
