from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buildkit import buildfile
from buildkit.model import Build, Probe
from buildkit.places import data_dir
from buildkit.rows import (
    Segment,
    encode,
    fixed_point,
    round_away,
    segments,
    shown_limits,
    text_displays,
    widest,
)
from buildkit.tables import Tables
from buildkit.units import from_steps

TABLES = Tables()
LCD = TABLES.part("lcd1602-pcf8574")


def example(name: str) -> Build:
    return buildfile.load(Path(data_dir("examples")) / f"{name}.yaml", TABLES)


HOOD, REED = example("kitchen-hood"), example("reed-room")


@pytest.mark.parametrize(
    ("row", "pieces"),
    [
        ("", []),
        ("plain", [Segment("plain")]),
        ("{smoke}", [Segment("{smoke}", "average", "smoke")]),
        ("{smoke.now}", [Segment("{smoke.now}", "now", "smoke")]),
        ("{hood}", [Segment("{hood}", "load", "hood")]),
        (
            "a {smoke} b{hood}",
            [Segment("a "), Segment("{smoke}", "average", "smoke"), Segment(" b"), Segment("{hood}", "load", "hood")],
        ),
        ("{{x}}", [Segment("{x}")]),
        ("a{{{smoke}}}b", [Segment("a{"), Segment("{smoke}", "average", "smoke"), Segment("}b")]),
        ("{smoke.avg}", [Segment("{smoke.avg}", "unknown", "smoke.avg")]),
        ("{smoke.}", [Segment("{smoke.}", "unknown", "smoke.")]),
        ("{hood.}", [Segment("{hood.}", "unknown", "hood.")]),
        ("{hood.now}", [Segment("{hood.now}", "unknown", "hood.now")]),
        ("{panel}", [Segment("{panel}", "unknown", "panel")]),
        ("{}", [Segment("{}", "unknown", "")]),
        ("{smoke", [Segment("{smoke")]),
        ("smoke}", [Segment("smoke}")]),
    ],
)  # fmt: skip
def test_a_row_in_pieces(row: str, pieces: list[Segment]) -> None:
    assert segments(row, HOOD) == pieces


@given(st.text(alphabet="{}ab .", max_size=20))
def test_no_piece_is_lost(row: str) -> None:
    pieces = segments(row, HOOD)
    fields = "".join(piece.text for piece in pieces)
    assert fields.replace("{", "").replace("}", "") == row.replace("{", "").replace("}", "")
    assert all(piece.text for piece in pieces)
    assert not any(a.field == b.field == "" for a, b in pairwise(pieces))


def probe(name: str, unit: str | None = None, **quantity: object) -> Probe:
    found = {**HOOD.probes, **REED.probes}[name]
    changed = replace(found.quantity, **quantity)  # type: ignore[arg-type]
    return replace(found, quantity=changed, unit=unit or found.unit)


@pytest.mark.parametrize(
    ("shown", "limits"),
    [
        (probe("smoke"), (0, 1000)),
        (probe("air"), (0, 1000)),  # 0.0 to 100.0 %RH
        (probe("shelf"), (-400, 2570)),  # -40.0 to 257.0 degF
        (probe("shelf", "degC"), (-400, 1250)),
        (probe("shelf", "degC", decimals=0, low=Fraction("-0.5")), (-1, 125)),
    ],
)
def test_limits_in_last_digits(shown: Probe, limits: tuple[int, int]) -> None:
    assert shown_limits(shown) == limits


@pytest.mark.parametrize(
    ("build", "row", "columns"),
    [
        (HOOD, "{smoke}", 4), (HOOD, "{smoke.now}", 4), (HOOD, "{hood}", 3), (HOOD, "abc", 3),
        (REED, "{air}", 5), (REED, "{shelf}", 5), (HOOD, "{{", 1),
    ],
)  # fmt: skip
def test_the_widest_that_a_piece_can_get(build: Build, row: str, columns: int) -> None:
    (piece,) = segments(row, build)
    assert widest(piece, build) == columns


def test_a_lost_reading_needs_its_two_dashes() -> None:
    low = replace(HOOD, probes={"smoke": probe("smoke", high=Fraction(9))})
    assert widest(segments("{smoke}", low)[0], low) == 2


@given(st.integers(-400, 1250), st.sampled_from(["degC", "degF"]))
def test_no_reading_is_wider_than_the_widest(steps: int, unit: str) -> None:
    shelf = probe("shelf", unit)
    build = replace(REED, probes={"shelf": shelf})
    value = from_steps(Fraction(steps), unit, shelf.quantity)
    text = fixed_point(round_away(value * 10**shelf.quantity.decimals), shelf.quantity.decimals)
    assert len(text) <= widest(segments("{shelf}", build)[0], build)


@pytest.mark.parametrize(
    ("value", "whole"),
    [
        ("0", 0), ("0.49", 0), ("0.5", 1), ("-0.5", -1), ("-0.49", 0), ("1.5", 2), ("2.5", 3),
        ("-2.5", -3), ("2.4999", 2),
    ],
)  # fmt: skip
def test_halves_are_rounded_away_from_zero(value: str, whole: int) -> None:
    assert round_away(Fraction(value)) == whole


@pytest.mark.parametrize(
    ("value", "decimals", "text"),
    [
        (0, 0, "0"), (0, 1, "0.0"), (5, 1, "0.5"), (-5, 1, "-0.5"), (205, 1, "20.5"), (-1, 3, "-0.001"),
        (1000, 0, "1000"), (-67, 0, "-67"), (123456, 4, "12.3456"),
    ],
)  # fmt: skip
def test_fixed_point_text(value: int, decimals: int, text: str) -> None:
    assert fixed_point(value, decimals) == text


@given(st.integers(-(10**6), 10**6), st.integers(0, 4))
def test_fixed_point_text_reads_back(value: int, decimals: int) -> None:
    assert Fraction(fixed_point(value, decimals)) == Fraction(value, 10**decimals)


@pytest.mark.parametrize(
    ("text", "codes", "missing"),
    [
        ("avg 5%", b"avg 5%", []),
        # HD44780U data sheet, Table 4, ROM code A00
        ("°", b"\xdf", []), ("µ", b"\xe4", []), ("μ", b"\xe4", []), ("Ω", b"\xf4", []), ("ü", b"\xf5", []),
        ("\u212b", b"?", ["\u212b"]), ("³", b"?", ["³"]), ("\\~", b"??", ["\\", "~"]),
        ("a\tb\x7f", b"a?b?", ["\t", "\x7f"]), ("", b"", []),
    ],
)  # fmt: skip
def test_text_in_the_displays_own_codes(text: str, codes: bytes, missing: list[str]) -> None:
    assert encode(text, LCD) == (codes, missing)


@given(st.text(max_size=30))
def test_a_character_is_one_code(text: str) -> None:
    codes, missing = encode(text, LCD)
    assert len(codes) == len(text)
    assert set(missing) <= set(text)


def test_lamps_show_no_text() -> None:
    assert [display.use.name for display in text_displays(REED)] == ["panel"]
