"""Power at its edges."""

from __future__ import annotations

import pytest
from small import MAINS, SMOKE, SOIL, figures, load, probes, told

CABLE = "cables: {smoke: {length_m: 10, size_mm2: 0.1724}}\n"


@pytest.mark.parametrize(("least_v", "faults"), [(4.75, 0), (4.7501, 1)])
def test_a_cable_that_leaves_just_enough(least_v: float, faults: int) -> None:
    """Out and back 2 ohms; 125 mA lose 0.25 V of 5 V."""
    edit = figures("smoke", supply_peak_ma=125, supply_min_v=least_v)
    assert len(told("power.cable-drop", probes(SMOKE) + CABLE, edit)) == faults


@pytest.mark.parametrize(("ma", "faults"), [(230, 0), (229.9, 1)])
def test_coils_of_just_half_the_rail(ma: float, faults: int) -> None:
    found = told("power.coil-shares-logic-rail", MAINS + probes(SOIL) + load(), ma=ma)
    assert len(found) == faults
    for fault in found:
        assert fault.numbers["share_percent"] == 50


def test_what_a_cable_leaves_and_who_draws_is_told() -> None:
    edit = figures("smoke", supply_peak_ma=250.00049)
    (found,) = told("power.cable-drop", probes(SMOKE) + CABLE, edit)
    assert found.numbers["lost_v"] == pytest.approx(0.5, abs=1e-5)
    assert found.numbers["left_v"] == pytest.approx(4.5, abs=1e-5)
    (over,) = told("power.rail-overload", probes(SMOKE), edit, ma=200)
    assert over.numbers["draw_ma"] == {"smoke": 250.0}
    assert over.numbers["total_ma"] == pytest.approx(250.00049)


def test_a_figure_of_one_s_own_is_said_to_be() -> None:
    """The one of the two limits that is broken."""
    low = "  soil: {part: ds18b20, value: temperature, every_s: 2, wires: {VDD: 5V}, own_figures: {%s}}\n"
    (below,) = told("power.supply-range", probes(low % "supply_min_v: 5.2, supply_max_v: 6"))
    assert "your own" in below.message
    (above,) = told("power.supply-range", probes(low % "supply_max_v: 4.5"))
    assert "your own" in above.message
    (table,) = told(
        "power.supply-range", probes(low % "supply_min_v: 2"), figures("soil", supply_max_v=4)
    )
    assert "your own" not in table.message
