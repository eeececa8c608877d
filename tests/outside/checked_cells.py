"""For each board, how many cells of its table a machine compares and what only a source bears.

``python -m tests.outside.checked_cells`` prints the table of DEVELOPERS.md, and
``--write`` puts it there.  The counts come from the comparisons themselves and
from the marks in the tables' own sources.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from buildkit.model import Board
from buildkit.tables import Tables
from tests.outside import test_board_pins as avr
from tests.outside import test_core_takes
from tests.outside import test_reference_pins as others

PAGE = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- checked cells -->", "<!-- end of checked cells -->"

GROUPS = {
    "names": {"label", "number", "port", "code", "aliases"},
    "abilities": {
        "can", "input only", "pull-up", "adc", "analog name", "adc limit", "adc_limit", "interrupt",
        "interrupt number", "pwm", "pin_change", "soft serial", "soft_rx", "max_v", "5 V",
    },
    "roles": {"roles", "role"},
    "at reset": {"hazards", "strap", "needs", "flash", "moves", "circuit", "upload", "at reset", "at_reset"},
    "header order": {"place"},
}  # fmt: skip
MARKS = ("(from memory)", "common practice", "measured", "from memory")
HEADS = ("board", "pins", *GROUPS, "clock, memory", "services", "read", "from memory", "practice", "measured")  # fmt: skip


def compared(board: Board) -> Iterator[tuple[str, str]]:
    """Pin and kind of cell, of each comparison with what others published."""
    if board.id in avr.AVR_BOARDS:
        core = avr.core_of(board.id)
        for label, pin in board.pins.items():
            yield from ((label, cell) for cell, _, _ in avr._cells(label, pin, board, core))
        if board.id in avr.ROWS:
            yield from ((label, "place") for label in avr.ROWS[board.id].split())
    elif board.id in others.BOARDS:
        held = others.BOARDS[board.id]
        for key, kind in held.cells(others.reference(held.reference), board):
            yield key, kind.partition(" ")[0] if kind.startswith("role ") else kind


def grouped(board: Board) -> Counter[str]:
    """How many different cells of each group are compared; an unknown kind is an error."""
    found: Counter[str] = Counter()
    for _, kind in set(compared(board)):
        (group,) = (name for name, kinds in GROUPS.items() if kind in kinds)
        found[group] += 1
    if board.id in others.BOARDS and others.BOARDS[board.id].order is not None:
        found["header order"] = max(
            found["header order"], sum(len(h.labels) for h in board.headers)
        )
    return found


def toolchain(board: Board) -> int:
    """Figures (clock, flash, RAM) that are compared with the core's boards.txt and avr-libc."""
    return 3 if board.id in avr.AVR_BOARDS else 0


def services(board: Board) -> int:
    """Services of the core whose timers or vectors test_core_takes.py compares."""
    if board.id in avr.AVR_BOARDS:
        return len({"millis", "tone", "soft-serial"} & set(board.core.takes))
    published = board.id in test_core_takes.PUBLISHED
    return len(set(board.core.takes) - set(test_core_takes.OURS)) if published else 0


def sources(board: Board) -> Iterator[str]:
    """Where each number of a board comes from: figures, rails, inlets, regulators, groups, services."""
    yield from (figure.source for figure in board.figures.values())
    yield from (group.source for group in board.groups)
    yield from (taking.source for taking in board.core.takes.values())
    for each in (*board.rails.values(), *board.inlets.values()):
        yield each.source
        if each.regulator is not None:
            yield each.regulator.source


def marks(board: Board) -> Counter[str]:
    """Sources by their mark: from memory, common practice, measured, or read."""
    return Counter(next((m for m in MARKS if m in source), "read") for source in sources(board))


def row(board: Board) -> tuple[str, ...]:
    """One board's line of the table."""
    cells, marked = grouped(board), marks(board)
    counts = [len(board.pins), *(cells[name] for name in GROUPS), toolchain(board), services(board)]
    remembered = marked["(from memory)"] + marked["from memory"]
    counts += [marked["read"], remembered, marked["common practice"], marked["measured"]]
    return (f"`{board.id}`", *(str(count) if count else "–" for count in counts))


def table() -> str:
    """The whole table in Markdown."""
    tables = Tables()
    rows = [row(tables.board(board_id)) for board_id in tables.board_ids()]
    lines = [f"| {' | '.join(HEADS)} |", f"| --- |{' --: |' * (len(HEADS) - 1)}"]
    return "\n".join([*lines, *(f"| {' | '.join(cells)} |" for cells in rows)])


def put(page: str) -> str:
    """The page with the table of today between its two remarks."""
    before, rest = page.split(f"{BEGIN}\n", 1)
    _, after = rest.split(END, 1)
    return f"{before}{BEGIN}\n\n{table()}\n\n{END}{after}"


if __name__ == "__main__":
    if "--write" in sys.argv[1:]:
        PAGE.write_text(put(PAGE.read_text(encoding="utf-8")), encoding="utf-8")
    else:
        print(table())
