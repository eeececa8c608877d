"""Power at its edges."""

from __future__ import annotations

import pytest
from small import MAINS, SMOKE, SOIL, alarms, figures, lamp, load, probes, told

from buildkit import buildfile, document, rules, seating
from buildkit.circuit import Circuit
from buildkit.model import Fault
from buildkit.tables import Tables

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


# --- regulators ---


def at_vin(volts: float, ma: float = 900, more: str = "", board: str = "atmega328p-5v") -> Circuit:
    text = (
        f"build: hot\nboard: {board}\nsupply: {{rail: VIN, volts: {volts}, max_ma: {ma}}}\n{more}"
        + probes(SMOKE)
    )
    return seating.seat(buildfile.from_tree(document.parse(text.encode(), "hot.yaml"), Tables()))


def heat(circuit: Circuit) -> list[Fault]:
    check = rules.catalogue()["power.regulator-heat"].check
    assert check is not None
    return list(check(circuit))


@pytest.mark.parametrize(("volts", "faults"), [(10.66, 0), (10.67, 1)])
def test_the_volts_that_a_linear_regulator_sheds(volts: float, faults: int) -> None:
    """The sensor's 100 mA and the board's 50 mA: 85 K at 100 K/W are 0.85 W, and 0.85 W / 150 mA 5.667 V."""
    found = heat(at_vin(volts))
    assert len(found) == faults
    for fault in found:
        assert fault.at.path == "supply.volts"
        assert fault.numbers["junction_c"] == pytest.approx(40 + 5.67 * 0.15 * 100)
        assert "Use a supply of 7 to 10.6 V" in fault.fix


def test_the_air_in_the_box_counts() -> None:
    """At 60 degC 65 K are left: 0.65 W at 150 mA are 4.33 V above 5."""
    assert heat(at_vin(9.33, more="ambient_c: 60\n")) == []
    (fault,) = heat(at_vin(9.34, more="ambient_c: 60\n"))
    assert fault.numbers["ambient_c"] == 60


def test_a_regulator_that_switches_stays_cool() -> None:
    assert heat(at_vin(24, board="ra4m1-5v")) == []
    assert heat(at_vin(12, board="samd21-3v3")) == []


def test_where_the_inlet_would_need_too_few_volts_the_rail_is_fed() -> None:
    """At 85 degC 40 K are left: 0.4 W at 150 mA are 2.67 V above 5; with eight lamps more, under 7 V."""
    (fault,) = heat(at_vin(12, more="ambient_c: 85\n"))
    assert "Use a supply of 7 to 7.6 V, or feed 5V itself" in fault.fix
    more = "alarms:\n" + "".join(f"  l{n}: {{part: led-indicator, when: [no-reading], own_figures: {{series_ohms: 200}}}}\n" for n in range(8))  # fmt: skip
    (fault,) = heat(at_vin(12, more=f"ambient_c: 85\n{more}"))
    assert fault.fix == "Feed 5V itself with a supply of 5 V."


@pytest.mark.parametrize(("ambient", "faults"), [(64.4, 0), (64.7, 1)])
def test_the_regulator_of_the_lower_rail_has_the_chip_too(ambient: float, faults: int) -> None:
    """STM32 stick: 70 mA of the board and 72 of the pins at 1.7 V and 250 K/W are 60.35 K."""
    lamps = alarms(*(lamp(f"l{n}", ", own_figures: {series_ohms: 108.333}") for n in range(6)))
    text = f"ambient_c: {ambient}\n{lamps}"
    found = told("power.regulator-heat", text, board="stm32f103-stick", ma=900)
    assert len(found) == faults
    for fault in found:
        assert fault.numbers["ma"] == pytest.approx(142, abs=0.01)
        # 60.3 K at 250 K/W are 0.2412 W, and at 1.7 V 141.9 mA.
        assert fault.fix.startswith("Take no more than 141 mA from 3V3:")


def test_the_volts_of_the_supply_count_where_they_are_told() -> None:
    """142 mA at 250 K/W: 1.7 V are 60.4 K, and 1.95 V from a supply of 5.25 V 69.2 K."""
    lamps = alarms(*(lamp(f"l{n}", ", own_figures: {series_ohms: 108.333}") for n in range(6)))
    for volts, faults in (("", 0), ("volts: 5.0, ", 0), ("volts: 5.25, ", 1)):
        text = f"build: x\nboard: stm32f103-stick\nsupply: {{rail: 5V, {volts}max_ma: 900}}\nambient_c: 60\n{lamps}"
        tree = document.parse(text.encode(), "x.yaml")
        found = heat(seating.seat(buildfile.from_tree(tree, Tables())))
        assert len(found) == faults
        assert [f.numbers["watts"] for f in found] == [pytest.approx(0.2769, rel=1e-4)] * faults


def test_what_is_told_of_the_heat() -> None:
    (fault,) = heat(at_vin(12))
    assert fault.numbers["watts"] == pytest.approx(1.05)
    assert (
        "1.05 W bring it to 145 degC in air of 40 degC, and 125 degC is its limit" in fault.message
    )


# --- volts of the supply ---


@pytest.mark.parametrize(("volts", "faults"), [(6.99, 1), (7, 0), (12, 0), (12.01, 1)])
def test_the_volts_at_an_inlet(volts: float, faults: int) -> None:
    check = rules.catalogue()["power.supply-range"].check
    assert check is not None
    assert len(list(check(at_vin(volts)))) == faults


def test_a_supply_of_more_volts_on_a_rail_is_sent_to_the_inlet() -> None:
    text = "build: hot\nboard: atmega328p-5v\nsupply: {rail: 5V, volts: 9, max_ma: 900}\n" + probes(
        SOIL
    )
    circuit = seating.seat(buildfile.from_tree(document.parse(text.encode(), "hot.yaml"), Tables()))
    check = rules.catalogue()["power.supply-range"].check
    assert check is not None
    (fault,) = check(circuit)
    assert fault.message == "the supply gives 9 V, and 5V takes 4.75 to 5.25 V"
    assert "'rail: VIN'" in fault.fix


# --- current that comes in backwards ---


@pytest.mark.parametrize(("board", "rail", "faults"), [
    ("atmega328p-5v", "5V", 1), ("atmega328p-5v-stick", "5V", 0), ("ra4m1-5v", "5V", 0),
    ("stm32f103-stick", "5V", 1), ("esp32-c3-dev", "5V", 0), ("esp32-c3-dev", "3V3", 1),
    ("rp2040-stick", "5V", 1), ("atmega328p-3v3-stick", "5V", 1),
])  # fmt: skip
def test_a_supply_that_usb_meets(board: str, rail: str, faults: int) -> None:
    """A diode lets nothing back into the socket, and does not help behind the regulator."""
    found = told("power.back-feed", probes(SOIL), board=board, rail=rail)
    assert len(found) == faults
    assert all(fault.at.path == "supply.rail" for fault in found)


def test_a_supply_at_the_inlet_meets_no_usb() -> None:
    check = rules.catalogue()["power.back-feed"].check
    assert check is not None
    assert list(check(at_vin(7.5))) == []


@pytest.mark.parametrize(
    ("ohms", "high_v", "faults"), [(100, 2.25, 1), (100, 0.6, 0), (100, 0.61, 1)]
)
def test_a_loop_that_feeds_a_dead_chip(ohms: float, high_v: float, faults: int) -> None:
    """2.25 V less 0.5 V over 100 ohms are 17.5 mA; 1 mA is borne, at 0.6 V."""
    loop = "  far: {part: loop-4-20ma, value: current, every_s: 5}\n"
    edit = figures("far", shunt_ohms=ohms, out_high_v=high_v)
    found = told("power.back-feed", probes(loop), edit, board="atmega328p-5v-stick")
    assert len(found) == faults
    assert [round(f.numbers["ma"], 2) for f in found] == ([17.5] if high_v > 2 else [1.1])[:faults]


def test_a_divider_in_the_wire_of_a_loop_is_in_the_way_too() -> None:
    """100 ohms of the shunt and 100 of the divider: 1.75 V drive 8.75 mA."""
    loop = "  far: {part: loop-4-20ma, value: current, every_s: 5}\n"
    between = "between: {far.LOOP: {part: divider, own_figures: {upper_ohms: 100, lower_ohms: 1000000}}}\n"
    (fault,) = told("power.back-feed", probes(loop) + between, board="atmega328p-5v-stick")
    assert fault.numbers["ma"] == pytest.approx(8.75, rel=1e-3)


def test_an_inlet_is_named_where_there_is_one() -> None:
    (fault,) = told("power.back-feed", probes(SOIL))
    assert fault.fix.endswith("a USB cable whose 5 V wire is cut, or feed VIN with 7 to 12 V.")
    (fault,) = told("power.back-feed", probes(SOIL), board="stm32f103-stick")
    assert fault.fix.endswith("a USB cable whose 5 V wire is cut.")


def test_the_lower_rail_is_made_from_the_middle_one_whatever_the_inlet_has() -> None:
    """50 mA from 5 V at 220 K/W are 18.7 K; from 7.5 V they would be 46.2 K and too much at 85 degC."""
    text = (
        "build: hot\nboard: atmega328p-5v\nsupply: {rail: VIN, volts: 7.5, max_ma: 900}\n"
        "ambient_c: 85\nprobes:\n  air: {part: sht3x, value: humidity, every_s: 5, "
        "wires: {VDD: 3V3}, own_figures: {supply_peak_ma: 50}}\n"
    )
    tree = document.parse(text.encode(), "hot.yaml")
    assert heat(seating.seat(buildfile.from_tree(tree, Tables()))) == []
