"""Pins: each rule just before and just after its edge."""

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
    alarms,
    circuit,
    displays,
    family,
    hazard,
    lamp,
    load,
    panel,
    pin,
    probes,
    terminal,
    told,
)

from buildkit import rules

LAMP_ON = ", wires: {{A: '{}'}}"


def lamp_on(label: str, name: str = "lamp") -> str:
    return lamp(name, LAMP_ON.format(label))


def fan_on(label: str, part: str = RELAY, name: str = "IN") -> str:
    return MAINS + load(part, more=f", wires: {{{name}: '{label}'}}")


# --- pin.taken-twice ---


def test_three_on_one_pin_are_two_faults() -> None:
    body = alarms(*(lamp_on("6", f"lamp_{n}") for n in "abc"))
    faults = told("pin.taken-twice", body)
    assert [f.message for f in faults] == ["pin 6 already carries lamp_a A"] * 2
    assert [f.at.line for f in faults] == [6, 7]


def test_bus_lines_share_their_pins() -> None:
    assert told("pin.taken-twice", probes(AIR) + displays(panel())) == []


def test_an_alias_is_the_same_pin() -> None:
    body = alarms(lamp_on("12", "a"), lamp_on("MISO", "b"))
    (fault,) = told("pin.taken-twice", body)
    assert fault.numbers == {"pin": "12", "taken_by": "a A"}


def test_two_strangers_on_a_bus_pin_are_told_of_each_other() -> None:
    body = displays(panel()) + alarms(lamp_on("A4", "a"), lamp_on("A4", "b"))
    assert len(told("pin.taken-twice", body)) == 1
    assert len(told("pin.bus-in-use", body)) == 2


def test_two_parts_off_the_bus_on_one_pin_are_wrong_but_share_it() -> None:
    wrong = "  {}: {{part: sht3x, address: {}, value: humidity, every_s: 5, wires: {{SDA: 7}}}}\n"
    body = probes(wrong.format("a", "0x44"), wrong.format("b", "0x45"))
    assert told("pin.taken-twice", body) == []
    assert len(told("bus.wrong-pins", body)) == 2


# --- pin.cannot ---


@pytest.mark.parametrize(
    ("wires", "deciding"),
    [
        ("VCC: GND", "panel VCC needs a supply rail, and GND is ground"),
        ("VCC: 7", "panel VCC needs a supply rail, and 7 is a signal pin"),
        ("GND: 5V", "panel GND needs ground, and 5V is a supply"),
        ("GND: 7", "panel GND needs ground, and 7 is a signal pin"),
        ("SDA: 5V", "panel SDA is a signal, and 5V is a supply"),
        ("SDA: GND", "panel SDA is a signal, and GND is ground"),
    ],
)
def test_supply_ground_and_signal_are_not_exchanged(wires: str, deciding: str) -> None:
    (fault,) = told("pin.cannot", displays(panel(more=f", wires: {{{wires}}}")))
    assert fault.message == deciding


def test_right_wires_are_no_fault() -> None:
    wires = ", wires: {VCC: 5V, GND: GND, SDA: A4, SCL: A5}"
    assert told("pin.cannot", displays(panel(more=wires))) == []


def test_a_contact_never_touches_the_board() -> None:
    (fault,) = told("pin.cannot", MAINS + load(SSR, more=", wires: {LINE: 5}"))
    assert fault.message == "fan LINE is a switched contact, and 5 is on the board"


@pytest.mark.parametrize(("label", "able"), [("A0", True), ("7", False)])
def test_an_analog_output_needs_a_converter(label: str, able: bool) -> None:
    body = probes(SHELF.replace("}", f", wires: {{OUT: {label}}}}}"))
    faults = told("pin.cannot", body)
    assert [f.numbers["needs"] for f in faults] == ["adc"] * (not able)


@pytest.mark.parametrize(
    ("need", "fact"), [("pwm", {"pwm": "TIMER2B"}), ("interrupt", {"interrupt": 1})]
)
def test_pwm_and_interrupt_are_looked_up(need: str, fact: dict[str, object]) -> None:
    needs = terminal("lamp", "A", needs=need)
    bare = pin("3", pwm=None, interrupt=None)
    assert len(told("pin.cannot", alarms(lamp_on("3")), needs, bare)) == 1
    assert told("pin.cannot", alarms(lamp_on("3")), needs, bare, pin("3", **fact)) == []


def test_a_pin_that_cannot_be_read_takes_no_serial() -> None:
    body = probes(SMOKE.replace("}", ", wires: {TXD: 8}}"))
    assert told("pin.cannot", body) == []
    assert len(told("pin.cannot", body, pin("8", can=frozenset({"digital-out"})))) == 1


def test_no_pin_of_the_board_can() -> None:
    needs = terminal("lamp", "A", needs="interrupt")
    bare = [pin(label, interrupt=None) for label in ("2", "3")]
    (fault,) = told("pin.cannot", alarms(lamp_on("3")), needs, *bare)
    assert fault.numbers["able"] == []
    assert "choose another board" in fault.fix


# --- pin.input-only, pin.no-pull-up ---


@pytest.mark.parametrize(
    ("can", "faults"), [({"digital-in"}, 1), ({"digital-in", "digital-out"}, 0)]
)
def test_what_must_be_driven_needs_an_output(can: set[str], faults: int) -> None:
    edit = pin("6", can=frozenset(can))
    assert len(told("pin.input-only", alarms(lamp_on("6")), edit)) == faults
    assert told("pin.cannot", alarms(lamp_on("6")), edit) == []


def test_an_input_may_listen_only() -> None:
    body = probes(SMOKE.replace("}", ", wires: {TXD: 8}}"))
    assert told("pin.input-only", body, pin("8", can=frozenset({"digital-in"}))) == []


@pytest.mark.parametrize(("can", "faults"), [({"digital-in"}, 1), ({"pull-up"}, 0)])
def test_a_contact_needs_a_pull_up(can: set[str], faults: int) -> None:
    edits = (terminal("lamp", "A", needs="pull-up"), pin("6", can=frozenset(can)))
    assert len(told("pin.no-pull-up", alarms(lamp_on("6")), *edits)) == faults


def test_only_contacts_need_a_pull_up() -> None:
    assert told("pin.no-pull-up", alarms(lamp_on("6")), pin("6", can=frozenset())) == []


# --- hazards ---


@pytest.mark.parametrize(("label", "faults"), [("0", 1), ("1", 1), ("2", 0)])
def test_upload_pins_stay_free(label: str, faults: int) -> None:
    assert len(told("pin.upload-serial", alarms(lamp_on(label)))) == faults


def test_a_ground_terminal_on_a_pin_is_told_once() -> None:
    body = displays(panel(more=", wires: {GND: 1}"))
    assert told("pin.upload-serial", body) == []
    assert len(told("pin.cannot", body)) == 1


def test_flash_pins_stay_free() -> None:
    assert len(told("pin.flash-bus", alarms(lamp_on("6")), hazard("6", "flash-bus"))) == 1
    assert told("pin.flash-bus", alarms(lamp_on("6")), hazard("6", "strap", "low")) == []


@pytest.mark.parametrize(("needs", "faults"), [("low", 0), ("high", 1)])
def test_a_lamp_holds_its_strap_pin_low(needs: str, faults: int) -> None:
    assert len(told("pin.strap", alarms(lamp_on("6")), hazard("6", "strap", needs))) == faults


@pytest.mark.parametrize(("needs", "faults"), [("high", 0), ("low", 1)])
def test_a_one_wire_sensor_holds_its_strap_pin_high(needs: str, faults: int) -> None:
    body = probes(SOIL.replace("}", ", wires: {DQ: 6}}"))
    assert len(told("pin.strap", body, hazard("6", "strap", needs))) == faults


@pytest.mark.parametrize("needs", ["high", "low"])
@pytest.mark.parametrize(("part", "name"), [(RELAY, "IN"), (SSR, "CTRL+")])
def test_a_load_never_sits_on_a_strap_pin(part: str, name: str, needs: str) -> None:
    (fault,) = told("pin.strap", fan_on("6", part, name), hazard("6", "strap", needs))
    assert fault.numbers["held"] == ("high" if part == RELAY else "low")


def test_a_serial_sensor_may_hold_a_strap_pin_at_either_level() -> None:
    body = probes(SMOKE.replace("}", ", wires: {TXD: 8}}"))
    (fault,) = told("pin.strap", body, hazard("8", "strap", "high"))
    assert "may hold it at either level" in fault.message


def test_a_strap_without_a_level_is_no_fault() -> None:
    assert told("pin.strap", alarms(lamp_on("6")), hazard("6", "strap")) == []


def test_only_loads_are_kept_from_pins_that_move() -> None:
    assert len(told("pin.moves-at-reset", fan_on("13"))) == 1
    assert told("pin.moves-at-reset", fan_on("12")) == []
    assert told("pin.moves-at-reset", alarms(lamp_on("13"))) == []


def test_a_shared_pin_is_a_warning_told_once() -> None:
    assert rules.catalogue()["pin.on-board-circuit"].severity == "warning"
    assert len(told("pin.on-board-circuit", alarms(lamp_on("13")))) == 1
    assert told("pin.on-board-circuit", fan_on("13")) == []
    assert len(told("pin.on-board-circuit", fan_on("20"), board="atmega2560-5v")) == 1
    assert told("pin.on-board-circuit", probes(AIR), board="atmega2560-5v") == []


# --- buses ---


@pytest.mark.parametrize(("label", "line"), [("A4", "SDA"), ("A5", "SCL")])
def test_both_bus_pins_belong_to_the_bus(label: str, line: str) -> None:
    (fault,) = told("pin.bus-in-use", displays(panel()) + alarms(lamp_on(label)))
    assert (
        fault.message
        == f"pin {label} is {line} of the I2C bus, which panel uses; lamp A cannot share it"
    )


def test_swapped_lines_are_wrong_pins_and_no_strangers() -> None:
    body = displays(panel(more=", wires: {SDA: A5, SCL: A4}"))
    assert told("pin.bus-in-use", body) == []
    assert len(told("bus.wrong-pins", body)) == 2


def test_bus_pins_without_a_bus_are_free() -> None:
    assert told("pin.bus-in-use", probes(SOIL) + alarms(lamp_on("A4"))) == []


def test_a_port_in_use_takes_its_other_pin_too() -> None:
    smoke = probes(SMOKE.replace("}", ", wires: {TXD: 0}}"))
    (fault,) = told("pin.bus-in-use", smoke + alarms(lamp_on("1")), board="atmega32u4-5v")
    assert fault.numbers == {"pin": "1", "bus": "tx of Serial1", "used_by": "smoke"}
    assert told("pin.bus-in-use", smoke, board="atmega32u4-5v") == []
    assert told("pin.bus-in-use", smoke + alarms(lamp_on("5")), board="atmega32u4-5v") == []


def test_software_serial_takes_one_pin_only() -> None:
    smoke = probes(SMOKE.replace("}", ", wires: {TXD: 8}}"))
    assert told("pin.bus-in-use", smoke + alarms(lamp_on("9"))) == []


@pytest.mark.parametrize(
    ("label", "faults"),
    [("19", 0), ("17", 0), ("15", 0), ("10", 0), ("A8", 0), ("5", 1), ("18", 1), ("0", 0)],
)
def test_where_the_board_hears_serial(label: str, faults: int) -> None:
    body = probes(SMOKE.replace("}", f", wires: {{TXD: {label}}}}}"))
    found = told("pin.soft-serial-rx", body, board="atmega2560-5v")
    assert len(found) == faults


def test_both_wires_must_be_on_one_port() -> None:
    body = probes(SMOKE.replace("}", ", wires: {TXD: 19, RXD: 'other'}}"))
    assert told("pin.soft-serial-rx", body.replace("other", "18"), board="atmega2560-5v") == []
    (fault,) = told("pin.soft-serial-rx", body.replace("other", "14"), board="atmega2560-5v")
    assert "15" in fault.numbers["able"]
    assert not {"0", "5", "13"} & set(fault.numbers["able"])
    assert "10" in fault.numbers["able"]


def test_nothing_is_told_of_a_sensor_without_a_seat() -> None:
    no_soft = [pin(label, soft_rx=False) for label in circuit("").board.pins]
    assert told("pin.soft-serial-rx", probes(SMOKE), *no_soft, family("avr")) == []


# --- pin.none-left ---


def test_six_analog_probes_fit_and_a_seventh_does_not() -> None:
    each = [SHELF.replace("shelf", f"shelf_{n}") for n in range(7)]
    assert told("pin.none-left", probes(*each[:6])) == []
    (fault,) = told("pin.none-left", probes(*each))
    assert fault.message.startswith("no pin is left for shelf_6 OUT: all 6 pins")


def test_a_serial_part_without_a_port_is_told_elsewhere() -> None:
    body = probes(SMOKE, SMOKE.replace("smoke", "other"))
    assert told("pin.none-left", body) == []
    assert len(told("bus.no-uart-left", body)) == 1
