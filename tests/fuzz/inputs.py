"""Bytes to builds and tables: what the fuzzer mutates, made into text worth reading.

Bytes taken as YAML mostly end at the first syntax error.  ``edited`` takes them
as a list of edits to a whole example instead, so that every byte matters and
the text still reaches the rules and the templates.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache

from buildkit.places import data_dir

# Numbers at the edges, words of other types, and text made to break out of a page.
ODD = (
    "0", "-1", "1", "2", "0.1", "1e29", "-1e29", "1e-29", "9999999999999999999999", "127", "128",
    "0x27", "3600", "86400", "604800", "32", "1000", ".5", "5.", "+7", "007", "~", "null", "true",
    "off", "on", "''", '""', "[]", "{}", "[1, 2]", "{a: 1}", "5V", "3V3", "GND", "A0", "A4", "A7",
    "0", "13", "GPIO0", "D1", '"{"', '"{smoke"', '"{smoke.now} {hood}"', '"{air.now}{air}{}"',
    '"<script>alert(1)</script>"', '"=HYPERLINK(1)"', '"*/ x /*"', '"a\\\\"', '"??/"', '"%s%n"',
    '"|`*_[x](y)"', '"{{ 7*7 }}{% raw %}"', '"\\u202e\\u200b\\u00e9\\u65e5"', '"\\n\\n# x"', "degF",
    "mg/m3", "kPa", "heater", "motor", "lamp", "electronic", "solenoid", "transformer", "low",
    "no-reading", "forced-rest", "rest", "toggle", "run-for", "button", "us", "eu", "uk", "iec", "50", "60", "230", "120", "12", "24",
)  # fmt: skip


@cache
def examples() -> tuple[str, ...]:
    """The text of every example, good and faulty, in order of their names."""
    return tuple(
        path.read_text(encoding="utf-8", errors="replace")
        for path in sorted(data_dir("examples").rglob("*.yaml"))
        if path.stat().st_size < 4000
    )


@cache
def tables() -> tuple[tuple[str, str, str], ...]:
    """Kind, id and text of a few boards and of every part."""
    boards = [data_dir("boards") / f"{name}.yaml" for name in ("atmega328p-5v", "esp8266-12e-dev")]
    parts = sorted((data_dir("templates") / "parts").glob("*/part.yaml"))
    return tuple(
        [("board", path.stem, path.read_text(encoding="utf-8")) for path in boards]
        + [("part", path.parent.name, path.read_text(encoding="utf-8")) for path in parts]
    )


@cache
def using(table: str) -> tuple[str, ...]:
    """The examples that use a board or part; a probe or a board is put into one where none does."""
    found = tuple(text for text in examples() if f": {table}" in text)
    hood = (data_dir("examples") / "kitchen-hood.yaml").read_text(encoding="utf-8")
    probe = hood.replace("pm-frame32", table).replace("wires: {TXD: 8}", "")
    return found or (
        probe,
        hood.replace("lcd1602-pcf8574", table),
        hood.replace("atmega328p-5v", table),
    )


@cache
def words() -> tuple[str, ...]:
    """Every key and value of the examples, and the odd ones."""
    found = {word for text in examples() for word in re.findall(r"[\w./+-]+", text)}
    return (*ODD, *sorted(found))


_SPOT = re.compile(r"\"[^\"\n]*\"|[\w.+/{}-]+")


def edited(data: bytes, text: str) -> str:
    """``text`` after the edits that ``data`` lists: four bytes each."""
    for kind, place, first, second in _fours(data):
        pick = first * 256 + second
        lines = text.split("\n")
        row = (place * 256 + first) % len(lines)
        if kind % 8 < 5:  # most: another word in the place of one
            spots = list(_SPOT.finditer(text))
            if spots:
                spot = spots[(place * 256 + kind) % len(spots)]
                text = text[: spot.start()] + words()[pick % len(words())] + text[spot.end() :]
            continue
        if kind % 8 == 5:
            del lines[row]
        elif kind % 8 == 6:
            lines.insert(second % (len(lines) + 1), lines[row])
        else:
            lines[row] = "  " * (second % 4) + lines[row].lstrip()
        text = "\n".join(lines)
    return text


def _fours(data: bytes) -> Iterator[tuple[int, int, int, int]]:
    for start in range(0, min(len(data), 64) - 3, 4):
        a, b, c, d = data[start : start + 4]
        yield a, b, c, d
