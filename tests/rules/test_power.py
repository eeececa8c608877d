"""Power: each rule just before and just after its edge."""

from __future__ import annotations

from dataclasses import replace

import pytest
from small import (
    MAINS,
    RELAY,
    SHELF,
    SMOKE,
    SOIL,
    SSR,
    Edit,
    alarms,
    board,
    displays,
    figures,
    lamp,
    load,
    panel,
    probes,
    rail,
    told,
)

from buildkit.model import Build


def lamps(count: int, pins: str, ohms: float) -> str:
    labels = pins.split()
    own = ", own_figures: {{series_ohms: {}}}, wires: {{A: {}}}"
    return alarms(*(lamp(f"lamp_{n}", own.format(ohms, labels[n])) for n in range(count)))


# --- power.rail-missing ---


def test_no_rail_within_the_range() -> None:
    (fault,) = told(
        "power.rail-missing", probes(SOIL), figures("soil", supply_min_v=9, supply_max_v=12)
    )
    assert fault.message == "soil VDD needs 9 to 12 V, and the board has 5V 5 V, 3V3 3.3 V"
    assert told("power.rail-missing", probes(SOIL)) == []


def test_a_supply_behind_the_rail_of_the_pins() -> None:
    (fault,) = told("power.rail-missing", probes(SOIL), rail="3V3")
    assert fault.at.path == "supply.rail"
    assert fault.fix.startswith("Feed 5V;")


def test_a_rail_made_from_the_fed_one_is_alive() -> None:
    body = probes(SOIL.replace("}", ", wires: {VDD: 3V3}}"))
    assert told("power.rail-missing", body) == []
    (fault,) = told("power.rail-missing", body, rail("3V3", fed_by=None))
    assert fault.message == "the supply feeds 5V, and nothing feeds 3V3, which soil needs"


def test_rails_that_feed_each_other_are_still_dead() -> None:
    loop = (rail("5V", fed_by="3V3"), rail("3V3", fed_by="5V"))
    assert told("power.rail-missing", probes(SOIL), *loop) == []


# --- power.rail-overload ---


@pytest.mark.parametrize(("ma", "faults"), [(150, 0), (149, 1)])
def test_parts_and_board_within_the_supply(ma: float, faults: int) -> None:
    found = told("power.rail-overload", probes(SMOKE), ma=ma)
    assert [f.numbers["total_ma"] for f in found] == [100] * faults


def test_who_draws_what_the_greatest_first() -> None:
    (fault,) = told("power.rail-overload", probes(SMOKE) + displays(panel()), ma=100)
    assert fault.message == "rail 5V must give 160 mA and can give 50 mA: smoke 100, panel 60"
    assert fault.fix == "Use a supply of 210 mA or more, and set max_ma to what it gives."
    assert fault.at.path == "supply.max_ma"


def test_a_supply_too_small_for_the_board_alone() -> None:
    (fault,) = told("power.rail-overload", probes(SOIL), ma=40)
    assert fault.numbers["gives_ma"] == -10
    assert told("power.rail-overload", "", ma=40) == []


def test_a_larger_supply_does_not_widen_the_rail() -> None:
    edit = figures("smoke", supply_peak_ma=451)
    (fault,) = told("power.rail-overload", probes(SMOKE), edit, ma=2000)
    assert "a supply of its own" in fault.fix
    assert (
        told("power.rail-overload", probes(SMOKE), figures("smoke", supply_peak_ma=450), ma=2000)
        == []
    )


def test_a_rail_as_wide_as_the_draw_needs_only_a_supply() -> None:
    (fault,) = told(
        "power.rail-overload", probes(SMOKE), figures("smoke", supply_peak_ma=450), ma=400
    )
    assert fault.fix.startswith("Use a supply of 500 mA")


def test_the_hungriest_part_of_a_side_rail_is_named() -> None:
    body = probes(
        SOIL.replace("}", ", wires: {VDD: 3V3}}"), SHELF.replace("}", ", wires: {FEED: 3V3}}")
    )
    edits = (figures("soil", supply_peak_ma=50.1), rail("5V", gives_ma=450.0))
    (fault,) = told("power.rail-overload", body, *edits)
    assert fault.at.path == "probes.soil.wires.VDD"
    assert fault.numbers["gives_ma"] == 50
    assert told("power.rail-overload", body, figures("soil", supply_peak_ma=49.5)) == []


# --- pins, groups, chip ---


@pytest.mark.parametrize(("ohms", "faults"), [(150, 0), (149, 1)])
def test_a_pin_carries_its_limit(ohms: float, faults: int) -> None:
    body = alarms(lamp(more=f", own_figures: {{series_ohms: {ohms}}}"))
    found = told("power.pin-current", body)
    assert len(found) == faults
    assert all("at least 150 ohms" in f.fix for f in found)


def test_a_relay_may_ask_too_much_of_a_smaller_chip() -> None:
    (fault,) = told(
        "power.pin-current", MAINS + load(SSR), figures("fan", on_ma=15), board="atmega32u4-5v"
    )
    assert fault.numbers["ma"] == 15
    assert "transistor" in fault.fix


def test_two_on_a_pin_add_up() -> None:
    body = lamps(2, "6 6", 299)
    (fault,) = told("power.pin-current", body)
    assert fault.numbers["ma"] == pytest.approx(20.07, abs=0.01)


FIRST, SECOND = "5 6 7 8 9 10 11 12", "2 3 4 A0 A1 A2 A3"


@pytest.mark.parametrize(("count", "faults"), [(7, 0), (8, 1)])
def test_a_group_of_pins_adds_up(count: int, faults: int) -> None:
    assert len(told("power.group-current", lamps(count, FIRST, 156))) == faults


def test_a_group_at_its_limit_is_within() -> None:
    body = lamps(5, FIRST, 300)  # 10 mA each
    found = told("power.group-current", body)
    assert found == []
    limits = [(50.0, 0), (49.9, 1)]
    for most_ma, faults in limits:
        assert len(told("power.group-current", body, _group(most_ma))) == faults


def _group(most_ma: float) -> Edit:
    def edit(made: Build) -> Build:
        groups = tuple(replace(group, max_ma=most_ma) for group in made.board.groups)
        return replace(made, board=replace(made.board, groups=groups))

    return edit


def test_other_pins_do_not_count_into_a_group() -> None:
    half = alarms(
        *(
            lamp(f"a_{p}", f", own_figures: {{series_ohms: 156}}, wires: {{A: {p}}}")
            for p in "5678"
        ),
        *(
            lamp(f"b_{p}", f", own_figures: {{series_ohms: 156}}, wires: {{A: A{p}}}")
            for p in "0123"
        ),
    )
    assert told("power.group-current", half) == []


def test_what_a_pin_sinks_counts_as_sunk() -> None:
    body = MAINS + load(RELAY, more=", wires: {IN: 5}")
    found = told("power.group-current", body, figures("fan", on_ma=101))
    assert [f.numbers["most_ma"] for f in found] == [100]  # the sinking group, not the sourcing one


@pytest.mark.parametrize(("most_ma", "faults"), [(50, 0), (49.9, 1)])
def test_the_chip_bears_the_sum(most_ma: float, faults: int) -> None:
    found = told("power.chip-current", lamps(5, FIRST, 300), board(chip_ma=most_ma))
    assert [f.numbers["direction"] for f in found] == ["source"] * faults


def test_sourced_and_sunk_currents_are_two_sums() -> None:
    body = MAINS + load(RELAY) + lamps(5, FIRST, 300)
    edits = (figures("fan", on_ma=40), board(chip_ma=50))
    assert told("power.chip-current", body, *edits) == []
    (fault,) = told("power.chip-current", body, figures("fan", on_ma=51), board(chip_ma=50))
    assert fault.numbers["direction"] == "sink"


# --- supplies, cables, coils ---


@pytest.mark.parametrize(
    ("low", "high", "faults"),
    [(5.0, 5.5, 0), (5.01, 5.5, 1), (4.5, 5.0, 0), (4.0, 4.99, 1)],
)
def test_a_part_is_within_its_supply_range(low: float, high: float, faults: int) -> None:
    body = displays(panel(more=", wires: {VCC: 5V}"))
    edit = figures("panel", supply_min_v=low, supply_max_v=high)
    assert len(told("power.supply-range", body, edit)) == faults


def test_a_ground_wire_on_a_rail_is_no_supply() -> None:
    assert told("power.supply-range", displays(panel(more=", wires: {GND: 3V3}"))) == []
    assert told("power.rail-overload", alarms(lamp(more=", wires: {K: 5V}"))) == []


def cable(metres: float) -> str:
    return f"cables:\n  smoke: {{length_m: {metres}, size_mm2: 0.1}}\n"


@pytest.mark.parametrize(("metres", "faults"), [(14.50, 0), (14.51, 1)])
def test_enough_volts_arrive(metres: float, faults: int) -> None:
    # 2 * 0.1 A * 0.01724 / 0.1 mm2 is 34.48 mV a metre; 0.5 V are left to lose.
    assert len(told("power.cable-drop", probes(SMOKE) + cable(metres))) == faults


def test_a_cable_of_a_part_on_a_wrong_rail_is_told_elsewhere() -> None:
    smoke = SMOKE.replace("}", ", wires: {VCC: 3V3}}")
    assert told("power.cable-drop", probes(smoke) + cable(1)) == []
    assert told("power.cable-drop", probes(SMOKE)) == []


@pytest.mark.parametrize(("ma", "faults"), [(230, 0), (229, 1)])
def test_a_coil_takes_half_of_the_rail(ma: float, faults: int) -> None:
    found = told("power.coil-shares-logic-rail", MAINS + load(RELAY), ma=ma)
    assert [f.numbers["coils_ma"] for f in found] == [90] * faults


def test_a_solid_state_relay_has_no_coil() -> None:
    assert told("power.coil-shares-logic-rail", MAINS + load(SSR), ma=60) == []
    assert told("power.coil-shares-logic-rail", probes(SMOKE), ma=60) == []
    assert told("power.coil-shares-logic-rail", probes(SMOKE), ma=10) == []
