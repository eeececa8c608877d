"""What a character display behind an I2C port expander shows.

The display controller is played after the HD44780U datasheet (ADE-207-272(Z)):
instruction table 6, address table 2 to 5, initialising by instruction in figures
23 and 24, character set A00 in table 4. The expander is a PCF8574 wired in the
usual way: P0 register select, P1 read, P2 enable, P3 backlight, P4 to P7 the upper
four data lines. A value is taken when enable falls.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from itertools import dropwhile

_SELECT_DATA, _READ, _ENABLE, _BACKLIGHT = 1, 2, 4, 8
_LINE_LENGTH = 0x28
_SECOND_LINE = 0x40
_SLOW_US, _FAST_US = 1520.0, 37.0  # execution times of table 6
_EIGHT_BITS = 0x30  # on the expander's lines: function set, an instruction
_UNKNOWN = -1
_OWN_CHARACTER = "\u25a1"  # a shape that the sketch drew itself
_NO_SUCH_CHARACTER = "\ufffd"

_UPPER_CHARACTERS = dict(
    zip(
        (0x5C, 0x7E, 0x7F, 0xA0, 0xDF, 0xFE, 0xFF),
        ("\u00a5", "\u2192", "\u2190", " ", "\u00b0", " ", "\u2588"),
        strict=True,
    )
) | dict(
    zip(
        (0xE0, 0xE1, 0xE2, 0xE3, 0xE4, 0xE5, 0xE6, 0xE8, 0xEC, 0xEE, 0xEF, 0xF2, 0xF3, 0xF4, 0xF5),
        "\u03b1\u00e4\u03b2\u03b5\u00b5\u03c3\u03c1\u221a\u00a2\u00f1\u00f6\u0398\u221e\u03a9\u00fc",
        strict=True,
    )
)
_UPPER_CHARACTERS |= {0xF6: "\u03a3", 0xF7: "\u03c0", 0xFD: "\u00f7"}


def character(code: int) -> str:
    """The sign that the display's A00 character set has for `code`."""
    if code in _UPPER_CHARACTERS:
        return _UPPER_CHARACTERS[code]
    if code < 0x10:
        return _OWN_CHARACTER
    if 0x20 <= code <= 0x7D:
        return chr(code)
    if 0xA1 <= code <= 0xDE:  # half-width katakana, in the order of the Japanese standard
        return chr(0xFF61 + code - 0xA1)
    return " " if code < 0xA0 else _NO_SUCH_CHARACTER


def decode_rows(writes: Iterable[tuple[float, bytes]], columns: int, rows: int) -> list[str]:
    """The rows at the end of all `writes`: (time in us, bytes sent to the expander)."""
    panel = Panel(columns, rows)
    for t_us, data in writes:
        panel.take(t_us, data)
    return panel.rows()


def rows_of_tail(
    writes: Iterable[tuple[float, bytes]], columns: int, rows: int
) -> list[str] | None:
    """The rows at the end, told by the last `writes` alone; None when they do not tell.

    They do when an initialising by instruction (figure 24) is among them and every
    place was written after it.  A picture that was shifted before would be told
    wrongly: the sketches that we write never shift it.
    """
    panel = Panel(columns, rows)
    panel.forget()
    for t_us, data in dropwhile(lambda write: write[1][0] & 0xF1 != _EIGHT_BITS, writes):
        panel.take(t_us, data)
    return panel.rows() if panel.known() else None


def rows_over_time(
    writes: Iterable[tuple[float, bytes]], columns: int, rows: int
) -> list[tuple[float, list[str]]]:
    """Each new picture and the time (us) of the write that completed it."""
    panel = Panel(columns, rows)
    pictures: list[tuple[float, list[str]]] = []
    for t_us, data in writes:
        panel.take(t_us, data)
        picture = panel.rows()
        if not pictures or pictures[-1][1] != picture:
            pictures.append((t_us, picture))
    return pictures


@lru_cache(maxsize=1024)
def _whole_byte(data: bytes) -> tuple[int, int, bool, bool] | None:
    """What a write means that carries both halves of one byte, if it is such a write.

    Bytes after the one at which the value is taken, the value, whether it is text, and
    whether the light is on afterwards. Days of a display have few different writes.
    """
    port, taken = 0, []
    for index, now in enumerate(data):
        if port & _ENABLE and not now & _ENABLE:
            taken.append((len(data) - 1 - index, port))
        port = now
    if len(taken) != 2 or port & _ENABLE or any(lines & _READ for _, lines in taken):
        return None
    (_, upper), (after, lower) = taken
    return after, upper & 0xF0 | lower >> 4, bool(lower & _SELECT_DATA), bool(port & _BACKLIGHT)


@dataclass
class Panel:
    """A display of `columns` by `rows` characters, from power-up on.

    `too_soon` lists the times (us) of values sent while the display was still busy
    with the one before; a real display may lose them.
    """

    columns: int
    row_count: int
    byte_us: float = 90.0
    """Time of one byte on the bus; nine bits at 100 kHz."""
    lit: bool = True
    too_soon: list[float] = field(default_factory=list)
    _port: int = 0xFF  # the expander starts with all outputs high
    _four_bits: bool = False
    _upper: int | None = None
    _cells: list[int] = field(default_factory=lambda: [0x20] * 0x80)
    _address: int = 0
    _in_own_characters: bool = False
    _step: int = 1
    _shift_on_write: bool = False
    _offset: int = 0
    _on: bool = False
    _two_lines: bool = False
    _ready_us: float = float("-inf")

    def take(self, t_us: float, data: bytes) -> None:
        """One write to the expander that ended at `t_us`."""
        whole = _whole_byte(data)
        if whole and self._four_bits and self._upper is None and not self._port & _ENABLE:
            first_us, value, is_data, lit = whole
            self._execute(t_us - first_us * self.byte_us, value, is_data)
            self._port, self.lit = data[-1], lit
            return
        for index, value in enumerate(data):
            falls = self._port & _ENABLE and not value & _ENABLE
            # What counts is what stood on the lines before enable fell.
            if falls and not self._port & _READ:
                byte_t_us = t_us - (len(data) - 1 - index) * self.byte_us
                self._latch(byte_t_us, self._port >> 4, bool(self._port & _SELECT_DATA))
            self._port = value
            self.lit = bool(value & _BACKLIGHT)

    def forget(self) -> None:
        """From here on nothing is known of what stands in the places."""
        self._cells = [_UNKNOWN] * 0x80

    def known(self) -> bool:
        """Whether the picture is on and each of its places has been written."""
        seen = (self._places(number) for number in range(self.row_count))
        return self._on and all(self._cells[place] != _UNKNOWN for row in seen for place in row)

    def rows(self) -> list[str]:
        """The rows as seen, at full width; blank while the display is off."""
        return [self._row(number) for number in range(self.row_count)]

    def _row(self, number: int) -> str:
        if not self._on or (number % 2 and not self._two_lines):
            return " " * self.columns
        return "".join(character(self._cells[place]) for place in self._places(number))

    def _places(self, number: int) -> Iterator[int]:
        line_start = _SECOND_LINE if number % 2 else 0
        # Rows 3 and 4 of a four-row display continue lines 1 and 2.
        first = number // 2 * self.columns + self._offset
        length = _LINE_LENGTH if self._two_lines else 2 * _LINE_LENGTH
        return (line_start + (first + column) % length for column in range(self.columns))

    def _latch(self, t_us: float, four: int, is_data: bool) -> None:
        if not self._four_bits:
            # With eight bits expected, the lower four lines are not wired and count as low.
            self._execute(t_us, four << 4, is_data)
        elif self._upper is None:
            self._upper = four
        else:
            value = self._upper << 4 | four
            self._upper = None
            self._execute(t_us, value, is_data)

    def _execute(self, t_us: float, value: int, is_data: bool) -> None:
        if t_us < self._ready_us:
            self.too_soon.append(t_us)
        if is_data:
            self._ready_us = t_us + _FAST_US
            if not self._in_own_characters:
                self._cells[self._address] = value
                self._address = _next_places(self._two_lines, self._step)[self._address]
                self._offset += self._step if self._shift_on_write else 0
        else:
            self._ready_us = t_us + (_SLOW_US if value in (0x01, 0x02, 0x03) else _FAST_US)
            self._instruct(value)

    def _instruct(self, value: int) -> None:
        if value & 0x80:
            self._address, self._in_own_characters = value & 0x7F, False
        elif value & 0x40:
            self._in_own_characters = True
        elif value & 0x20:
            self._four_bits = not value & 0x10
            self._two_lines = bool(value & 0x08)
        elif value & 0x10:
            self._shift(by_one=1 if value & 0x04 else -1, whole_display=bool(value & 0x08))
        elif value & 0x08:
            self._on = bool(value & 0x04)
        elif value & 0x04:
            self._step = 1 if value & 0x02 else -1
            self._shift_on_write = bool(value & 0x01)
        elif value:
            self._go_home(clear=not value & 0x02)

    def _go_home(self, clear: bool) -> None:
        self._address, self._offset, self._in_own_characters = 0, 0, False
        if clear:
            self._cells = [0x20] * 0x80
            self._step = 1

    def _shift(self, by_one: int, whole_display: bool) -> None:
        if whole_display:  # to the right: the picture moves right, so the window moves left
            self._offset -= by_one
        else:
            self._address = _next_places(self._two_lines, by_one)[self._address]


@lru_cache(maxsize=8)
def _next_places(two_lines: bool, by: int) -> tuple[int, ...]:
    """The next address after each: the end of line 1 leads to line 2, and back."""
    if not two_lines:
        return tuple((address + by) % (2 * _LINE_LENGTH) for address in range(0x80))
    found = []
    for address in range(0x80):
        line, place = divmod(address, _SECOND_LINE)
        step = (line * _LINE_LENGTH + place + by) % (2 * _LINE_LENGTH)
        line, place = divmod(step, _LINE_LENGTH)
        found.append(line * _SECOND_LINE + place)
    return tuple(found)
