"""Memory at its edges: a sketch that fills the chip to the last byte still fits."""

from __future__ import annotations

import pytest
from small import SOIL, board, circuit, displays, panel, probes, told

from buildkit import memory

BODY = probes(SOIL) + displays(panel())


@pytest.mark.parametrize(("less", "faults"), [(0, 0), (1, 1)])
def test_flash_to_the_last_byte(less: int, faults: int) -> None:
    needed = memory.estimate(circuit(BODY)).flash_bytes
    assert len(told("memory.flash", BODY, board(flash_bytes=needed - less))) == faults


@pytest.mark.parametrize(("less", "faults"), [(0, 0), (4, 1)])
def test_three_quarters_of_the_ram(less: int, faults: int) -> None:
    needed = memory.estimate(circuit(BODY)).ram_bytes
    whole = -(-needed * 4 // 3)
    assert len(told("memory.ram", BODY, board(ram_bytes=whole - less))) == faults
    assert int(whole * 0.75) == needed
