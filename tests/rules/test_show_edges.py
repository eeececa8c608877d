"""Rows at their edges."""

from __future__ import annotations

from small import SOIL, probes, told


def _rows(*rows: str) -> str:
    shown = ", ".join(f'"{row}"' for row in rows)
    return probes(SOIL) + f"displays:\n  panel: {{part: lcd1602-pcf8574, rows: [{shown}]}}\n"


def test_an_unknown_name_does_not_hide_the_next_row() -> None:
    body = _rows("{soli}", "12345678901234567")
    (found,) = told("show.too-wide", body)
    assert found.numbers == {"width": 17, "columns": 16}


def test_the_columns_of_each_piece_are_told() -> None:
    (found,) = told("show.too-wide", _rows("123456789012 {soil}"))
    assert "text 13" in found.message
    assert "{soil} 5" in found.message
    (bare,) = told("show.too-wide", _rows("{soil}{soil}{soil}{soil}"))
    assert "text" not in bare.message
    assert bare.numbers["width"] == 20


def test_the_character_of_a_lone_brace_counts_from_one() -> None:
    (found,) = told("show.unknown-name", _rows("ab{"))
    assert found.numbers["character"] == 3
    assert "character 3" in found.message
