"""What the ARM references say of a board as a whole, beside the cells of its pins."""

from __future__ import annotations

from dataclasses import replace

import pytest

from buildkit.model import Board
from buildkit.tables import Tables
from tests.outside.reference_arm import stub_labels
from tests.outside.test_reference_pins import reference

PUBLISHED = ("samd21-3v3", "ra4m1-5v")


def electrical_faults(board: Board) -> list[str]:
    """Level and pin current against the published ones.

    The published current is what the chip can do at its best; what the core
    sets its pins to may be less, never more.
    """
    told = reference(board.id)["electrical"]
    volts, most_ma = (told[name]["value"] for name in ("io_voltage_v", "pin_current_ma"))
    faults = []
    if board.rails[board.io_rail].volts != volts:
        faults.append("level")
    if board.figure("pin_ma") > most_ma or board.figure("pin_peak_ma") != most_ma:
        faults.append("current")
    return faults


def _with(board: Board, name: str, value: float) -> Board:
    figure = replace(board.figures[name], value=value)
    return replace(board, figures={**board.figures, name: figure})


@pytest.mark.parametrize("board_id", PUBLISHED)
def test_level_and_pin_current_are_the_published_ones(board_id: str) -> None:
    board = Tables().board(board_id)
    assert electrical_faults(board) == []
    other = next(name for name in board.rails if name != board.io_rail)
    assert electrical_faults(replace(board, io_rail=other)) == ["level"]
    for name in ("pin_ma", "pin_peak_ma"):
        assert electrical_faults(_with(board, name, 9)) == ["current"]


@pytest.mark.parametrize("board_id", [*PUBLISHED, "stm32f103-stick"])
def test_chip_is_the_references(board_id: str) -> None:
    assert Tables().board(board_id).chip == reference(board_id)["chip"]


def test_the_stub_names_every_pin_of_the_samd21_board() -> None:
    """A stub that lost its form would otherwise compare None with a label."""
    assert len(stub_labels()) == len(Tables().board("samd21-3v3").pins)
