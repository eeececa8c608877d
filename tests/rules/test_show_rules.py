from __future__ import annotations

import pytest
from variants import told

HOOD, MAT, REED = "kitchen-hood", "seedling-mat", "reed-room"
ROWS = '["PM2.5 {smoke.now} ug/m3", "avg {smoke} {hood}"]'


def told_of(rule: str, rows: str, *more: tuple[str, str]) -> list[str]:
    return [fault.message for fault in told(rule, HOOD, (ROWS, rows), *more)]


@pytest.mark.parametrize("example", [HOOD, MAT, REED])
@pytest.mark.parametrize("rule", ["show.too-wide", "show.unknown-name", "show.not-in-font"])
def test_the_examples_are_clean(rule: str, example: str) -> None:
    assert told(rule, example) == []


@pytest.mark.parametrize(
    ("row", "width"),
    [
        ("0123456789abcdef", None),
        ("0123456789abcdefg", 17),
        ("dust now:{smoke}", None),  # 9 and 4: it can read 1000
        ("dust this hour {smoke}", 19),
        ("hood just now:{hood}", 17),  # 14 and off
        ("{{0123456789abcd}}", None),  # a doubled brace shows once
        ("{{0123456789abcde}}", 17),
        ("", None),
    ],
)
def test_a_row_is_as_wide_as_its_widest_values(row: str, width: int | None) -> None:
    messages = told_of("show.too-wide", f'["{row}"]')
    assert [f"can take {width} columns" in message for message in messages] == [True] * bool(width)


def test_a_falling_span_counts_its_minus_sign() -> None:
    # -55.0 to 125.0 degC: five columns; in degF -67.0 to 257.0
    row = "{soil}  56789abcdef"
    (fault,) = told("show.too-wide", MAT, ("Soil {soil.now}°C", f"{row}0"))
    assert fault.numbers == {"width": 19, "columns": 16.0}


def test_more_rows_than_the_display_has() -> None:
    (message,) = told_of("show.too-wide", '["a", "b", "c"]')
    assert message == "panel is given 3 rows and has 2"


def test_the_builders_own_display_counts() -> None:
    own = (
        "part: lcd1602-pcf8574",
        "part: lcd1602-pcf8574\n    own_figures: {columns_count: 20, rows_count: 4}",
    )
    assert told_of("show.too-wide", '["0123456789abcdefghij", "", "", "d"]', own) == []
    (message,) = told_of("show.too-wide", '["0123456789abcdefghijk"]', own)
    assert message.endswith("panel has 20 (your own figure)")


@pytest.mark.parametrize(
    ("row", "word"),
    [
        ("{smok}", "{smok}"), ("{smoke.avg}", "{smoke.avg}"), ("{hood.now}", "{hood.now}"),
        ("{}", "{}"), ("{ smoke }", "{ smoke }"), ("{panel}", "{panel}"), ("{smoke", "'{'"),
        ("smoke}", "'}'"), ("{{smoke}", "'}'"),
    ],
)  # fmt: skip
def test_a_name_that_is_neither_probe_nor_load(row: str, word: str) -> None:
    (message,) = told_of("show.unknown-name", f'["{row}"]')
    assert word in message


def test_doubled_braces_are_no_names() -> None:
    assert told_of("show.unknown-name", '["{{smoke}} {smoke}"]') == []


def test_an_unknown_name_is_not_also_too_wide() -> None:
    assert told_of("show.too-wide", '["{a_name_longer_than_the_whole_display}"]') == []


@pytest.mark.parametrize(
    ("row", "missing"),
    [
        ("20 °C µΩäöü", None),
        ("ug/m³", "'³'"),
        ("~ and ~", "'~'"),
        ("\\\\", "'\\'"),
        ("😀", "'😀'"),
        ("a\\nb", "character U+000A"),
        ("{smoke}", None),
    ],
)
def test_characters_that_the_display_lacks(row: str, missing: str | None) -> None:
    messages = told_of("show.not-in-font", f'["{row}"]')
    assert messages == [f"panel cannot show {missing}; '?' stands there instead"] * bool(missing)
