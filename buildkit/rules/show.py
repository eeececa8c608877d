"""Rows of a display: they fit, their names exist, and the display has their characters."""

from __future__ import annotations

import re
from collections.abc import Iterable

from buildkit.circuit import Circuit
from buildkit.model import Build, Display, Fault, Place
from buildkit.rows import Segment, encode, segments, text_displays, widest
from buildkit.rules import rule
from buildkit.validation import clip, did_you_mean

_LONE_BRACE = re.compile(r"\{\{|\}\}|\{[^{}]*\}|([{}])")


def _rows(circuit: Circuit) -> Iterable[tuple[Display, Place, list[Segment], str]]:
    for display in text_displays(circuit.build):
        for row, at in zip(display.rows, display.row_at, strict=True):
            yield display, at, segments(row, circuit.build), row


@rule("show.too-wide", "error", source="the display's table, columns_count and rows_count")
def too_wide(circuit: Circuit) -> Iterable[Fault]:
    """A row can get wider than the display, or there are more rows than it has.

    Why: what does not fit is lost, and it is the last digits that go. A
    reading of 1000 would be shown as 100. The row is measured with the widest
    value that the probe can read, not with today's.

    Wrong:
        rows: ["Fine dust now {smoke.now} ug/m3"]     # 25 columns on a display of 16

    Right:
        rows: ["PM2.5 {smoke.now} ug/m3"]             # 16 columns
    """
    for display in text_displays(circuit.build):
        yield from _too_many(display)
    for display, at, pieces, _ in _rows(circuit):
        if any(piece.field == "unknown" for piece in pieces):
            continue
        use, width = display.use, sum(widest(piece, circuit.build) for piece in pieces)
        if "columns_count" in use.figures and width > use.figure("columns_count"):
            columns = use.figure("columns_count")
            yield Fault(
                at,
                f"this row can take {width} columns ({_widths(pieces, circuit.build)}); {use.name} "
                f"has {columns:g}{use.whose('columns_count')}",
                f"Shorten it to {columns:g} columns.",
                {"width": width, "columns": columns},
            )


def _too_many(display: Display) -> Iterable[Fault]:
    use, count = display.use, len(display.rows)
    if "rows_count" in use.figures and count > use.figure("rows_count"):
        has = use.figure("rows_count")
        yield Fault(
            display.row_at[max(0, int(has))],
            f"{use.name} is given {count} rows and has {has:g}{use.whose('rows_count')}",
            f"Keep {has:g} rows, or choose a larger display.",
            {"rows": count, "has": has},
        )


def _widths(pieces: Iterable[Segment], build: Build) -> str:
    """The columns of each piece, in words: ``text 6, {smoke.now} 4``."""
    text = sum(widest(piece, build) for piece in pieces if not piece.field)
    fields = [f"{piece.text} {widest(piece, build)}" for piece in pieces if piece.field]
    return ", ".join([f"text {text}", *fields] if text else fields)


@rule(
    "show.unknown-name", "error", source="the build file's own names; {probe}, {probe.now}, {load}"
)
def unknown_name(circuit: Circuit) -> Iterable[Fault]:
    """A row names something that is neither a probe nor a load of the build.

    Why: words in braces are replaced by a value: {smoke} by the average of
    that probe, {smoke.now} by its last reading, {hood} by on or off. A
    misspelt name, or a brace without its partner, would show up on the wall
    as it stands. Two braces, {{ or }}, show one.

    Wrong:
        rows: ["PM2.5 {smok.now}"]

    Right:
        rows: ["PM2.5 {smoke.now}"]
    """
    build = circuit.build
    known = [name for probe in build.probes for name in (probe, f"{probe}.now")] + [*build.loads]
    for _, at, pieces, row in _rows(circuit):
        for piece in pieces:
            if piece.field == "unknown":
                yield Fault(
                    at,
                    f"{clip(piece.text)} in this row is neither a probe nor a load of this build",
                    did_you_mean(piece.name, known, "names for a row"),
                    {"name": piece.name},
                )
        for match in _LONE_BRACE.finditer(row):
            if match.group(1):
                yield Fault(
                    at,
                    f"a '{match.group(1)}' stands without its partner, at character {match.start() + 1}",
                    "Write {name} with both braces, or double the brace to show one.",
                    {"character": match.start() + 1},
                )


@rule("show.not-in-font", "warning", source="the display's table, font and font_missing")
def not_in_font(circuit: Circuit) -> Iterable[Fault]:
    """A row holds a character that the display does not have.

    Why: a character display knows the letters in its own memory and no
    others. Anything else is shown as a question mark.

    Wrong:
        rows: ["PM2.5 {smoke} µg/m³"]     # no raised 3 on this display

    Right:
        rows: ["PM2.5 {smoke} ug/m3"]
    """
    for display, at, pieces, _ in _rows(circuit):
        text = "".join(piece.text for piece in pieces if not piece.field)
        missing = list(dict.fromkeys(encode(text, display.use.part)[1]))
        if missing:
            yield Fault(
                at,
                f"{display.use.name} cannot show {', '.join(map(_named, missing))}; '?' stands there instead",
                "Write it with plain letters, digits and signs.",
                {"missing": missing},
            )


def _named(char: str) -> str:
    """A character in quotes, or by its code when it cannot be printed."""
    return f"'{char}'" if char.isprintable() else f"character U+{ord(char):04X}"
