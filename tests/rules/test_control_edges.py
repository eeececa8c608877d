"""Control at its edges."""

from __future__ import annotations

import pytest
from small import RELAY, SOIL, figures, probes, told

FLOAT = "  tank: {part: float-switch, value: closed, every_s: 1}\n"
BEAD = "  shelf: {part: ntc-divider, value: temperature, every_s: 5}\n"
LOADS = (
    "loads:\n"
    f"  fan: {{part: {RELAY}, draws: {{volts: 12, amps: 1, kind: lamp}}}}\n"
    f"  pump: {{part: {RELAY}, draws: {{volts: 12, amps: 1, kind: lamp}}}}\n"
)


def _entry(load: str, by: str, start: float, stop: float, more: str = "") -> str:
    return (
        f"  - {{drive: {load}, by: {by}, start_at: {start}, stop_at: {stop}, "
        f"if_no_reading: off, no_reading_after_s: 60{more}}}\n"
    )


def test_a_contact_s_entry_does_not_hide_the_next_one() -> None:
    body = probes(FLOAT, SOIL) + LOADS + "control:\n"
    body += _entry("fan", "tank", 1, 0) + _entry("pump", "soil", 125, 20)
    (found,) = told("control.unreachable", body)
    assert "pump" in found.message


@pytest.mark.parametrize(
    ("rest", "faults"),
    [("", 1), (", min_off_s: 0.9", 1), (", min_off_s: 1", 0), (", min_off_s: 2", 0)],
)
def test_a_rest_of_a_second_is_one(rest: str, faults: int) -> None:
    body = (
        probes(SOIL)
        + LOADS
        + "control:\n"
        + _entry("fan", "soil", 30, 20, f", max_on_s: 600{rest}")
    )
    assert len(told("control.max-without-rest", body)) == faults


def test_a_curve_that_no_bead_has_is_an_end_of_the_span() -> None:
    body = probes(BEAD) + LOADS + "control:\n" + _entry("fan", "shelf", 30, 20)
    found = told("control.outside-span", body, figures("shelf", beta_k=1e9))
    assert {fault.numbers["share_percent"] for fault in found} <= {0.0, 100.0}
    assert found
