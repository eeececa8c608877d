"""Where a fault of a value is told that begins on the line below its key: at the key."""

from __future__ import annotations

import pytest

from buildkit import buildfile, document
from buildkit.model import Refused
from buildkit.tables import Tables

HEAD = "build: small\nboard: atmega328p-5v\nsupply: {rail: 5V, max_ma: 500}\n"


def _told(text: str) -> set[tuple[str, int, int]]:
    with pytest.raises(Refused) as refused:
        buildfile.from_tree(document.parse(text.encode(), "small.yaml"), Tables())
    return {(fault.rule, fault.at.line, fault.at.column) for fault in refused.value.faults}


@pytest.mark.parametrize(
    ("value", "column"),
    [
        ("about:\n  what: it runs\n", 1),
        ("about:\n  # a remark\n\n  - it runs\n", 1),
        ("about: {what: it runs}\n", 8),
        ("about: [it runs]\n", 8),
    ],
)
def test_a_map_or_list_for_a_text(value: str, column: int) -> None:
    assert _told(HEAD + value) == {("doc.wrong-type", 4, column)}


@pytest.mark.parametrize(("rows", "column"), [("\n      - hello", 5), (" [hello]", 11)])
def test_rows_on_a_lamp(rows: str, column: int) -> None:
    lamp = f"displays:\n  lamp:\n    part: led-indicator\n    follows: fan\n    rows:{rows}\n"
    load = "loads:\n  fan: {part: relay-module-active-low}\n"
    assert _told(HEAD + lamp + load) == {("doc.unknown-key", 8, column)}


def test_items_of_a_list_are_told_at_themselves() -> None:
    text = HEAD + "control:\n  - drive\n  - [1, 2]\n"
    assert _told(text) == {("doc.wrong-type", 5, 5), ("doc.wrong-type", 6, 5)}
