"""The page that says what is checked by machine is as the comparisons of today count it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from buildkit.model import Figure
from buildkit.tables import Tables
from tests.outside import checked_cells as counted

BOARDS = Tables().board_ids()


def test_the_page_has_the_counts_of_today() -> None:
    page = counted.PAGE.read_text(encoding="utf-8")
    assert counted.put(page) == page, "run: python -m tests.outside.checked_cells --write"


@pytest.mark.parametrize("board_id", BOARDS)
def test_every_board_is_compared_with_something(board_id: str) -> None:
    board = Tables().board(board_id)
    cells = counted.grouped(board)
    assert cells["abilities"] >= len(board.pins)
    assert cells["names"] > 0
    assert sum(counted.marks(board).values()) == len(list(counted.sources(board)))


def test_a_mark_is_counted() -> None:
    board = Tables().board("atmega328p-5v")
    before = counted.marks(board)
    more = {**board.figures, "clock_hz": Figure(16e6, "ds 8.1 (from memory)")}
    after = counted.marks(replace(board, figures=more))
    assert after["(from memory)"] == before["(from memory)"] + 1
    assert after["read"] == before["read"] - 1


def test_a_cell_less_is_counted() -> None:
    board = Tables().board("atmega328p-5v")
    fewer = {label: pin for label, pin in board.pins.items() if label != "7"}
    now, then = counted.grouped(replace(board, pins=fewer)), counted.grouped(board)
    assert now["abilities"] == then["abilities"] - 8
    assert now["roles"] == then["roles"] - 1
