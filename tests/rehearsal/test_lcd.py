"""The display decoder against the HD44780U datasheet."""

from __future__ import annotations

import pytest

from buildkit.rehearsal.lcd import Panel, character, decode_rows, rows_of_tail, rows_over_time

BACKLIGHT = 0x08


def nibble(value: int, data: bool = False) -> bytes:
    """The three port values that strobe four bits in: lines set, enable up, enable down."""
    lines = (value << 4) | BACKLIGHT | (1 if data else 0)
    return bytes([lines, lines | 4, lines])


def byte(value: int, data: bool = False) -> bytes:
    return nibble(value >> 4, data) + nibble(value & 15, data)


def text(words: str) -> bytes:
    return b"".join(byte(ord(letter), data=True) for letter in words)


# Figure 24, "4-Bit Interface": three times function set, then the width, then
# function set (two lines), display off, clear, entry mode; and display on.
FIGURE_24 = [
    nibble(3),
    nibble(3),
    nibble(3),
    nibble(2),
    byte(0x28),
    byte(0x08),
    byte(0x01),
    byte(0x06),
    byte(0x0C),
]


def timed(
    writes: list[bytes], start_us: float = 0, apart_us: float = 5000
) -> list[tuple[float, bytes]]:
    return [(start_us + index * apart_us, data) for index, data in enumerate(writes)]


def test_initialising_by_instruction_and_text() -> None:
    writes = [*FIGURE_24, text("HITACHI"), byte(0x80 | 0x40), text("row two")]
    assert decode_rows(timed(writes), 16, 2) == ["HITACHI".ljust(16), "row two".ljust(16)]


def test_nothing_shows_before_the_display_is_switched_on() -> None:
    pictures = rows_over_time(timed([*FIGURE_24[:-1], text("AB"), byte(0x0C)]), 16, 2)
    assert [rows[0].strip() for _, rows in pictures] == ["", "AB"]
    assert pictures[1][0] == 9 * 5000


@pytest.mark.parametrize("lost", [0, 1])
def test_initialising_again_restores_a_display_that_lost_count(lost: int) -> None:
    """However many halves of a byte went missing, the sequence of figure 24 brings it back."""
    upset = [nibble(5, data=True)] * lost
    writes = [*FIGURE_24, text("before"), *upset, *FIGURE_24, text("after")]
    assert decode_rows(timed(writes), 16, 2)[0] == "after".ljust(16)


ANEW = [part for part in FIGURE_24 if part != byte(0x01)]  # as a sketch does each minute
BOTH = [byte(0x80), text("PM2.5 3".ljust(16)), byte(0xC0), text("avg 4 off".ljust(16))]


@pytest.mark.parametrize("before", [[], [text("x")], [byte(0x80), text("0123")]])
def test_the_last_writes_tell_the_rows_once_every_place_was_written(before: list[bytes]) -> None:
    whole = [*FIGURE_24, text("long ago"), *before, *ANEW, *BOTH]
    tail = timed([*before, *ANEW, *BOTH])
    assert rows_of_tail(tail, 16, 2) == decode_rows(timed(whole), 16, 2)


@pytest.mark.parametrize(
    "tail",
    [[], BOTH, ANEW, [*ANEW, *BOTH[:2]], [*ANEW, *BOTH, byte(0x08)], [*BOTH, *ANEW]],
    ids=["none", "not begun anew", "nothing written", "one row", "off", "written before"],
)
def test_last_writes_that_leave_a_place_open_tell_nothing(tail: list[bytes]) -> None:
    assert rows_of_tail(timed(tail), 16, 2) is None


def test_without_initialising_again_a_lost_half_garbles_the_text() -> None:
    writes = [*FIGURE_24, nibble(5, data=True), text("ABC")]
    assert not decode_rows(timed(writes), 16, 2)[0].startswith("ABC")


def test_four_rows_continue_the_two_lines() -> None:
    rows = []
    for address, words in ((0x00, "one"), (0x40, "two"), (0x14, "three"), (0x54, "four")):
        rows += [byte(0x80 | address), text(words)]
    shown = decode_rows(timed([*FIGURE_24, *rows]), 20, 4)
    assert [row.rstrip() for row in shown] == ["one", "two", "three", "four"]


def test_the_end_of_a_line_leads_to_the_other_line() -> None:
    writes = [*FIGURE_24, byte(0x80 | 0x27), text("xy"), byte(0x80 | 0x67), text("z!")]
    shown = decode_rows(timed(writes), 40, 2)
    assert (shown[0][39], shown[1][0], shown[1][39], shown[0][0]) == ("x", "y", "z", "!")


def test_clear_home_entry_mode_and_shifts() -> None:
    backwards = [byte(0x80 | 5), byte(0x04), text("abc")]
    assert decode_rows(timed([*FIGURE_24, *backwards]), 8, 2)[0] == "   cba  "
    home = [text("abc"), byte(0x02), text("X")]
    assert decode_rows(timed([*FIGURE_24, *home]), 8, 2)[0] == "Xbc     "
    clear = [text("abc"), byte(0x01), text("d")]
    assert decode_rows(timed([*FIGURE_24, *clear]), 8, 2)[0] == "d       "
    shifted = [text("abc"), byte(0x18)]
    assert decode_rows(timed([*FIGURE_24, *shifted]), 8, 2)[0] == "bc      "
    cursor = [text("abc"), byte(0x10), text("Z")]
    assert decode_rows(timed([*FIGURE_24, *cursor]), 8, 2)[0] == "abZ     "


def test_own_characters_do_not_disturb_the_text() -> None:
    writes = [
        *FIGURE_24,
        text("a"),
        byte(0x40),
        byte(0x1F, data=True),
        byte(0x81),
        byte(0, data=True),
    ]
    assert decode_rows(timed(writes), 4, 2)[0] == "a\u25a1  "


def test_a_read_is_not_a_write() -> None:
    read = bytes([0xF8 | 2, 0xF8 | 2 | 4, 0xF8 | 2])
    writes = [*FIGURE_24, read, read, text("ok")]
    assert decode_rows(timed(writes), 4, 2)[0] == "ok  "


def test_the_value_before_the_edge_counts() -> None:
    """Enable may fall in the same write that changes the lines."""
    quick = bytes([0x4D, 0x19, 0x1D, 0x08])  # 'A' strobed without a separate write
    assert decode_rows(timed([*FIGURE_24, quick]), 4, 2)[0] == "A   "


@pytest.mark.parametrize(
    ("code", "sign"),
    [(0x41, "A"), (0x5C, "\u00a5"), (0x7E, "\u2192"), (0xDF, "\u00b0"), (0xE4, "\u00b5"),
     (0xF4, "\u03a9"), (0xFF, "\u2588"), (0xB1, "\uff71"), (0x03, "\u25a1"), (0x90, " ")],
)  # fmt: skip
def test_signs_of_the_character_set(code: int, sign: str) -> None:
    assert character(code) == sign


def test_a_value_sent_during_a_clear_is_told() -> None:
    panel = Panel(16, 2)
    for t_us, data in timed(FIGURE_24):
        panel.take(t_us, data)
    assert panel.too_soon == []
    panel.take(100_000, byte(0x01))
    panel.take(101_000, byte(0x80))
    panel.take(110_000, byte(0x80))
    assert panel.too_soon == [101_000]


def test_the_backlight_bit_is_kept() -> None:
    panel = Panel(16, 2)
    panel.take(0, bytes([0x08]))
    assert panel.lit
    panel.take(1, bytes([0x00]))
    assert not panel.lit
