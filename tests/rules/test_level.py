"""Levels: each rule just before and just after its edge."""

from __future__ import annotations

import pytest
from small import (
    AIR,
    MAINS,
    RELAY,
    SHELF,
    SMOKE,
    SOIL,
    SSR,
    board,
    displays,
    figures,
    load,
    panel,
    probes,
    rail,
    switching,
    terminal,
    three_volts,
    told,
)

AIR_AT_3V3 = AIR.replace("}", ", wires: {VDD: 3V3}}")
SOIL_AT_3V3 = SOIL.replace("}", ", wires: {VDD: 3V3}}")
RXD = SMOKE.replace("}", ", wires: {RXD: 5}}")
ALL = [
    "level.over-voltage",
    "level.pull-up-over-voltage",
    "level.high-not-seen",
    "level.low-not-seen",
    "level.adc-over-range",
    "level.adc-other-rail",
    "level.control-too-low",
    "level.rest-not-off",
]


@pytest.mark.parametrize("name", ALL)
@pytest.mark.parametrize("kind", ["atmega328p-5v", "atmega32u4-5v", "atmega2560-5v"])
def test_every_part_of_today_fits_a_five_volt_board(name: str, kind: str) -> None:
    body = MAINS + probes(SMOKE, SOIL, AIR, SHELF) + load(SSR) + displays(panel())
    assert told(name, body, board=kind) == []
    assert told(name, MAINS + probes(SOIL_AT_3V3) + load(RELAY), board=kind) == []


@pytest.mark.parametrize("name", ALL)
def test_parts_of_3_3_volts_fit_a_board_of_3_3_volts(name: str) -> None:
    body = MAINS + probes(SMOKE, SOIL, AIR, SHELF) + load(SSR)
    assert told(name, body, three_volts, figures("fan", on_ma=1)) == []


# --- level.over-voltage ---


@pytest.mark.parametrize(("volts", "faults"), [(5.5, 0), (5.51, 1)])
def test_what_an_output_may_put_on_a_pin(volts: float, faults: int) -> None:
    found = told("level.over-voltage", probes(SMOKE), figures("smoke", out_high_v=volts))
    assert len(found) == faults


def test_an_output_without_a_figure_reaches_its_supply() -> None:
    edits = (three_volts, figures("smoke", out_high_v=None))
    (fault,) = told("level.over-voltage", probes(SMOKE), *edits)
    assert fault.numbers == {"volts": 5.0, "most_v": 3.6, "pin": fault.numbers["pin"]}


def test_an_analog_output_above_the_pin() -> None:
    body = probes(SHELF.replace("}", ", wires: {FEED: 5V}}"))
    (fault,) = told("level.over-voltage", body, three_volts)
    assert fault.message.startswith("shelf OUT can reach 5 V, and pin A")
    assert told("level.adc-over-range", body, three_volts) == []


@pytest.mark.parametrize(("most_v", "faults"), [(5.0, 0), (4.99, 1)])
def test_what_a_pin_may_put_on_a_part(most_v: float, faults: int) -> None:
    found = told("level.over-voltage", probes(RXD), figures("smoke", in_max_v=most_v))
    assert len(found) == faults


def test_a_terminal_that_may_stay_open_had_better() -> None:
    (fault,) = told("level.over-voltage", probes(RXD))
    assert (
        fault.message == "smoke RXD bears 3.6 V at most, fed with 5 V, and pin 5 drives it to 5 V"
    )
    assert fault.fix == "Leave RXD unwired; smoke works without it."


def test_a_part_whose_table_is_silent_is_not_judged() -> None:
    assert told("level.over-voltage", probes(RXD), figures("smoke", in_max_v=None)) == []


@pytest.mark.parametrize(("most_v", "faults"), [(5.0, 0), (4.9, 1)])
def test_a_control_bears_so_much(most_v: float, faults: int) -> None:
    body = MAINS + load(SSR)
    assert len(told("level.over-voltage", body, figures("fan", on_max_v=most_v))) == faults
    assert told("level.over-voltage", MAINS + load(RELAY), figures("fan", in_max_v=None)) == []


def test_the_real_case_a_3_3_volt_sensor_beside_a_5_volt_display() -> None:
    (fault,) = told("level.over-voltage", probes(AIR_AT_3V3) + displays(panel()))
    # 4.7 kilohms to 5 V and 10 kilohms to 3.3 V
    assert fault.numbers["volts"] == pytest.approx(4.456, abs=1e-3)
    assert fault.at.path == "probes.air.wires.VDD"
    assert "5V" in fault.fix


def test_a_sensor_alone_on_its_bus_is_well_at_3_3_volts() -> None:
    assert told("level.over-voltage", probes(AIR_AT_3V3)) == []
    assert told("level.high-not-seen", probes(AIR_AT_3V3)) == []


def test_a_bus_without_pull_ups_idles_at_the_pins_level() -> None:
    bare = figures("air", module_pull_up_ohms=0)
    (fault,) = told("level.over-voltage", probes(AIR_AT_3V3), bare)
    assert fault.numbers["volts"] == 5.0


def test_a_wire_pulled_up_to_the_parts_own_supply_is_well() -> None:
    assert told("level.over-voltage", probes(SOIL_AT_3V3)) == []


# --- level.pull-up-over-voltage ---


def test_a_5_volt_pull_up_on_a_3_3_volt_pin() -> None:
    (fault,) = told("level.pull-up-over-voltage", displays(panel()), three_volts)
    assert fault.numbers["volts"] == 5.0
    assert "level shifter" in fault.fix
    assert told("level.over-voltage", displays(panel()), three_volts) == []


@pytest.mark.parametrize(("most_v", "faults"), [(5.0, 0), (4.99, 1)])
def test_the_pin_may_bear_the_pull_up(most_v: float, faults: int) -> None:
    edits = (three_volts, board(pin_max_v=most_v))
    assert len(told("level.pull-up-over-voltage", displays(panel()), *edits)) == faults


def test_the_part_that_pulls_is_named_and_no_other() -> None:
    body = probes(AIR_AT_3V3) + displays(panel())
    faults = told("level.pull-up-over-voltage", body, three_volts)
    assert [f.at.path for f in faults] == ["displays.panel"]
    without = figures("panel", module_pull_up_ohms=0)
    assert told("level.pull-up-over-voltage", body, three_volts, without) == []


def test_one_wire_to_another_rail() -> None:
    body = probes(SOIL.replace("}", ", wires: {VDD: 5V}}"))
    (fault,) = told("level.pull-up-over-voltage", body, three_volts)
    assert fault.at.path == "probes.soil.wires.VDD"
    assert "3V3, the rail of the pins" in fault.fix


# --- level.high-not-seen, level.low-not-seen ---


@pytest.mark.parametrize(("volts", "faults"), [(3.0, 0), (2.99, 1), (3.3, 0)])
def test_the_board_sees_a_high(volts: float, faults: int) -> None:
    found = told("level.high-not-seen", probes(SMOKE), figures("smoke", out_high_v=volts))
    assert len(found) == faults


@pytest.mark.parametrize(("volts", "faults"), [(1.5, 0), (1.51, 1), (None, 0)])
def test_the_board_sees_a_low(volts: float | None, faults: int) -> None:
    found = told("level.low-not-seen", probes(SMOKE), figures("smoke", out_low_v=volts))
    assert len(found) == faults


@pytest.mark.parametrize(("volts", "faults"), [(4.75, 0), (4.76, 1), (None, 0)])
def test_a_part_sees_the_boards_high_from_its_worst_rail(volts: float | None, faults: int) -> None:
    edit = figures("smoke", in_high_v=volts)
    found = told("level.high-not-seen", probes(RXD), edit)
    assert [f.numbers["volts"] for f in found] == [4.75] * faults


def test_a_5_volt_part_does_not_see_3_3_volts() -> None:
    ratio = figures("smoke", in_high_v=None, in_high_ratio_percent=70)
    (fault,) = told("level.high-not-seen", probes(RXD), three_volts, ratio)
    assert fault.numbers["limit_v"] == pytest.approx(3.5)


def test_a_display_does_not_see_a_bus_pulled_up_to_3_3_volts() -> None:
    body = probes(AIR_AT_3V3) + displays(panel())
    without = figures("panel", module_pull_up_ohms=0)
    faults = told("level.high-not-seen", body, without)
    assert [f.message for f in faults] == [
        "the wire is 3.3 V, and panel SDA takes at least 3.5 V for a high"
    ]
    assert told("level.high-not-seen", body) == []  # its own 4.7 kilohms lift it to 4.46 V


@pytest.mark.parametrize(("least_v", "faults"), [(3.3, 0), (3.31, 1)])
def test_one_wire_is_pulled_up_to_the_parts_supply(least_v: float, faults: int) -> None:
    found = told("level.high-not-seen", probes(SOIL_AT_3V3), board(vih_min_v=least_v))
    assert len(found) == faults


def test_a_sensor_on_one_wire_sees_its_own_pull_up() -> None:
    assert told("level.high-not-seen", probes(SOIL_AT_3V3), figures("soil", in_high_v=3.3)) == []
    assert (
        len(told("level.high-not-seen", probes(SOIL_AT_3V3), figures("soil", in_high_v=3.31))) == 1
    )


def test_the_boards_low_rises_with_what_it_sinks() -> None:
    # 0.9 V at 20 mA are 45 ohms; 5 V over 470 ohms are 10.6 mA, which make 0.479 V.
    edit = figures("soil", pull_up_ohms=470, in_low_v=0.479)
    assert told("level.low-not-seen", probes(SOIL), edit) == []
    edit = figures("soil", pull_up_ohms=470, in_low_v=0.478)
    (fault,) = told("level.low-not-seen", probes(SOIL), edit)
    assert fault.message.endswith("and soil DQ takes at most 0.478 V for a low")


def test_a_bus_part_sees_the_boards_low() -> None:
    # 5 V over 1 kilohm and the sensor's 10 kilohms: 5.5 mA, 0.2475 V.
    body = probes(AIR) + displays(panel())
    strong = figures("panel", module_pull_up_ohms=1000)
    ratio = figures("air", in_low_ratio_percent=4.96)
    assert told("level.low-not-seen", body, strong, ratio) == []
    assert (
        len(told("level.low-not-seen", body, strong, figures("air", in_low_ratio_percent=4.94)))
        == 1
    )


@pytest.mark.parametrize(("most_v", "faults"), [(0.4, 0), (0.39, 1)])
def test_a_bus_part_pulls_down_to_what_the_bus_promises(most_v: float, faults: int) -> None:
    found = told("level.low-not-seen", probes(AIR), board(vil_max_v=most_v))
    assert len(found) == faults


# --- analog ---


@pytest.mark.parametrize(("reference_v", "faults"), [(5.0, 0), (4.9, 1)])
def test_the_converter_reaches_so_high(reference_v: float, faults: int) -> None:
    found = told("level.adc-over-range", probes(SHELF), board(adc_reference_v=reference_v))
    assert len(found) == faults


def test_above_the_pins_limit_it_is_an_over_voltage() -> None:
    at_limit = (board(adc_reference_v=1.0), figures("shelf", out_high_v=5.5))
    assert len(told("level.adc-over-range", probes(SHELF), *at_limit)) == 1
    above = (board(adc_reference_v=1.0), figures("shelf", out_high_v=5.6))
    assert told("level.adc-over-range", probes(SHELF), *above) == []
    assert len(told("level.over-voltage", probes(SHELF), *above)) == 1


def test_a_divider_is_fed_from_the_reference() -> None:
    other = probes(SHELF.replace("}", ", wires: {FEED: 3V3}}"))
    (fault,) = told("level.adc-other-rail", other)
    assert fault.at.path == "probes.shelf.wires.FEED"
    assert told("level.adc-other-rail", probes(SHELF)) == []
    assert told("level.adc-other-rail", other, figures("shelf", series_ohms=None)) == []


# --- controls ---


@pytest.mark.parametrize(("volts", "faults"), [(4.15, 0), (4.16, 1)])
def test_a_control_gets_what_is_left_under_load(volts: float, faults: int) -> None:
    found = told(
        "level.control-too-low", MAINS + load(SSR), figures("fan", on_ma=15, on_min_v=volts - 1e-9)
    )
    assert len(found) == faults


@pytest.mark.parametrize(("volts", "faults"), [(0.225, 0), (0.224, 1)])
def test_an_active_low_control_is_pulled_low_enough(volts: float, faults: int) -> None:
    found = told(
        "level.control-too-low", MAINS + load(RELAY), figures("fan", on_ma=5, on_max_v=volts)
    )
    assert len(found) == faults


def test_a_3_3_volt_pin_under_load() -> None:
    # 3.2 V less 0.7 V / 20 mA * 15 mA
    (fault,) = told(
        "level.control-too-low",
        MAINS + load(SSR),
        three_volts,
        figures("fan", on_ma=15, on_min_v=2.7),
    )
    assert fault.numbers["volts"] == pytest.approx(2.675)


@pytest.mark.parametrize(("volts", "faults"), [(5.0, 0), (5.01, 1), (None, 0)])
def test_an_active_low_module_rests_at_the_pins_level(volts: float | None, faults: int) -> None:
    found = told("level.rest-not-off", MAINS + load(RELAY), figures("fan", off_min_v=volts))
    assert len(found) == faults


def test_a_5_volt_module_never_rests_at_3_3_volts() -> None:
    (fault,) = told("level.rest-not-off", MAINS + load(RELAY), three_volts)
    assert "rests above 4 V" in fault.message
    assert "ends at 3.3 V" in fault.message
    high = switching("fan", active="high")
    assert told("level.rest-not-off", MAINS + load(RELAY), three_volts, high) == []


def test_a_lamp_and_a_control_are_no_logic_inputs() -> None:
    body = MAINS + load(SSR)
    assert told("level.high-not-seen", body, figures("fan", in_high_v=9)) == []
    assert told("level.low-not-seen", body, figures("fan", in_low_v=-1)) == []


def test_both_lines_of_a_bus_are_told_once() -> None:
    low = rail("5V", volts=5.0)
    assert len(told("level.low-not-seen", probes(AIR), low, board(vil_max_v=0.1))) == 1


def test_an_output_only_wire_is_not_driven_by_the_board() -> None:
    assert told("level.over-voltage", probes(SMOKE), figures("smoke", in_max_v=1)) == []
    both = terminal("smoke", "TXD", flow="both")
    assert len(told("level.over-voltage", probes(SMOKE), figures("smoke", in_max_v=1), both)) == 1


@pytest.mark.parametrize(
    ("low", "high", "same_rail"), [(5.0, 5.0, True), (2.4, 4.99, False), (5.01, 5.5, False)]
)
def test_the_fix_names_the_rail_that_the_part_could_take(
    low: float, high: float, same_rail: bool
) -> None:
    edit = figures("air", supply_min_v=low, supply_max_v=high)
    (fault,) = told("level.over-voltage", probes(AIR_AT_3V3) + displays(panel()), edit)
    assert fault.fix.startswith("Feed air from 5V") == same_rail


def test_a_low_that_is_just_low_enough_is_seen() -> None:
    exact = 5.0 / 470 * 1000 * (0.9 / 20)
    for ohms, in_low_v, faults in ((470, exact * 1.0001, 0), (None, 0.0, 0), (470, 0.1, 1)):
        edit = figures("soil", pull_up_ohms=ohms, in_low_v=in_low_v)
        assert len(told("level.low-not-seen", probes(SOIL), edit)) == faults
