"""Loads: each rule just before and just after its edge."""

from __future__ import annotations

import pytest
from small import (
    MAINS,
    RELAY,
    SSR,
    board,
    build,
    circuit,
    figures,
    hazard,
    load,
    pin,
    probes,
    switching,
    told,
)

from buildkit import rules


def fan(
    amps: float, kind: str = "lamp", volts: float = 230, part: str = RELAY, more: str = ""
) -> str:
    return load(part, f"volts: {volts}, amps: {amps}, kind: {kind}{more}")


KINDS = ["heater", "motor", "lamp", "transformer", "solenoid", "electronic"]


# --- load.over-rating ---


@pytest.mark.parametrize(("amps", "faults"), [(10, 0), (10.01, 1)])
def test_amps_within_the_printed_rating(amps: float, faults: int) -> None:
    found = told("load.over-rating", MAINS + fan(amps))
    assert [f.numbers["unit"] for f in found] == ["A"] * faults


@pytest.mark.parametrize(("volts", "faults"), [(250, 0), (251, 1)])
def test_volts_within_the_printed_rating(volts: float, faults: int) -> None:
    found = told("load.over-rating", MAINS + fan(1, volts=volts))
    assert [f.numbers["unit"] for f in found] == ["V"] * faults


@pytest.mark.parametrize(("volts", "faults"), [(30, 0), (36, 1)])
def test_direct_current_has_a_rating_of_its_own(volts: float, faults: int) -> None:
    found = told("load.over-rating", fan(1, volts=volts))
    assert all("36 V DC" in f.message for f in found)
    assert len(found) == faults
    assert told("load.over-rating", MAINS + fan(1, volts=volts)) == []


def test_the_builders_own_rating_is_shown_as_such() -> None:
    body = MAINS + load(RELAY, "volts: 230, amps: 6, kind: lamp", ", own_figures: {load_max_a: 5}")
    (fault,) = told("load.over-rating", body)
    assert fault.message.endswith("5 A at most (your own figure)")
    assert told("load.over-rating", MAINS + fan(99), figures("fan", load_max_a=None)) == []


# --- load.derated ---


@pytest.mark.parametrize(
    ("amps", "kind", "faults"),
    [
        (3, "motor", 0),
        (3.01, "motor", 1),
        (3.01, "solenoid", 1),
        (3.01, "transformer", 1),
        (10, "heater", 0),
        (10, "lamp", 0),
        (10, "electronic", 0),
        (10.01, "motor", 0),  # over the printed rating, told there
    ],
)
def test_coils_get_a_share_of_the_rating(amps: float, kind: str, faults: int) -> None:
    assert len(told("load.derated", "ambient_c: 40\n" + MAINS + fan(amps, kind))) == faults


@pytest.mark.parametrize(("ambient_c", "faults"), [(55, 0), (70, 0), (70.1, 1)])
def test_heat_takes_from_the_rating(ambient_c: float, faults: int) -> None:
    # 10 A up to 55 degC, nothing at 85 degC: 5 A at 70 degC
    body = f"ambient_c: {ambient_c}\n" + MAINS + fan(5)
    assert len(told("load.derated", body)) == faults


def test_the_message_says_what_is_left() -> None:
    (fault,) = told("load.derated", "ambient_c: 70\n" + MAINS + fan(2, "motor"))
    assert (
        fault.message
        == "fan draws 2 A, and of 10 A only 1.5 A are left for a motor (30 %) at 70 degC"
    )


def test_without_a_curve_the_rating_stands() -> None:
    body = "ambient_c: 80\n" + MAINS + fan(5)
    assert told("load.derated", body, figures("fan", derate_from_c=None)) == []
    assert told("load.derated", body, figures("fan", derate_to_c=None)) == []
    assert told("load.derated", body, figures("fan", derate_from_c=85)) == []
    assert told("load.derated", body, figures("fan", load_max_a=None)) == []
    no_share = figures("fan", motor_share_percent=None)
    assert told("load.derated", MAINS + fan(9, "motor"), no_share) == []


# --- load.heat-sink ---


@pytest.mark.parametrize(
    ("amps", "ambient_c", "faults"), [(3, 40, 0), (3.01, 40, 1), (1.5, 60, 0), (1.51, 60, 1)]
)
def test_a_bare_semiconductor_bears_little(amps: float, ambient_c: float, faults: int) -> None:
    body = f"ambient_c: {ambient_c}\n" + MAINS + fan(amps, part=SSR)
    found = told("load.heat-sink", body)
    assert [f.numbers["heat_w"] for f in found] == [pytest.approx(1.6 * amps)] * faults


def test_contacts_need_no_heat_sink() -> None:
    assert told("load.heat-sink", MAINS + fan(9), figures("fan", bare_max_a=1)) == []
    assert told("load.heat-sink", MAINS + fan(9, part=SSR), figures("fan", bare_max_a=None)) == []


# --- load.inrush ---


@pytest.mark.parametrize(("inrush", "faults"), [(20, 0), (20.1, 1)])
def test_a_given_inrush_is_taken(inrush: float, faults: int) -> None:
    found = told("load.inrush", MAINS + fan(3, "motor", more=f", inrush_amps: {inrush}"))
    assert [f.numbers["given"] for f in found] == [True] * faults


@pytest.mark.parametrize(
    ("kind", "amps"),
    [
        ("motor", 20 / 6),
        ("lamp", 2),
        ("transformer", 20 / 15),
        ("solenoid", 4),
        ("electronic", 2),
    ],
)
def test_an_inrush_not_given_is_estimated(kind: str, amps: float) -> None:
    assert told("load.inrush", MAINS + fan(amps - 0.01, kind)) == []
    (fault,) = told("load.inrush", MAINS + fan(amps + 0.01, kind))
    assert "estimated from its kind" in fault.message
    assert told("load.inrush", MAINS + fan(amps + 1, kind), figures("fan", surge_a=None)) == []


def test_above_the_rating_an_inrush_is_not_estimated() -> None:
    assert len(told("load.inrush", MAINS + fan(10, "motor"))) == 1
    assert told("load.inrush", MAINS + fan(10.1, "motor")) == []
    assert len(told("load.inrush", MAINS + fan(10.1, "motor", more=", inrush_amps: 30"))) == 1
    assert (
        len(told("load.inrush", MAINS + fan(10.1, "motor"), figures("fan", load_max_a=None))) == 1
    )
    assert told("load.inrush", MAINS + fan(10, "heater")) == []


# --- load.leakage, load.under-minimum ---


@pytest.mark.parametrize(
    ("amps", "kind", "part", "faults"),
    [
        (0.5, "lamp", SSR, 0),
        (0.49, "lamp", SSR, 1),
        (0.49, "heater", SSR, 0),
        (0.01, "lamp", RELAY, 0),
        (0.49, "electronic", SSR, 0),  # of the wrong kind, told there
    ],
)
def test_what_leaks_through_at_rest(amps: float, kind: str, part: str, faults: int) -> None:
    assert len(told("load.leakage", MAINS + fan(amps, kind, part=part))) == faults


def test_an_electronic_load_stirs_too() -> None:
    kinds = switching("fan", kinds=frozenset(KINDS))
    (fault,) = told("load.leakage", MAINS + fan(0.25, "electronic", part=SSR), kinds)
    assert fault.numbers["share_percent"] == pytest.approx(2)


@pytest.mark.parametrize(
    ("volts", "amps", "units"),
    [(230, 0.1, []), (230, 0.099, ["A"]), (24, 1, []), (23, 1, ["V"]), (12, 0.05, ["V", "A"])],
)
def test_the_least_that_is_switched_surely(volts: float, amps: float, units: list[str]) -> None:
    found = told("load.under-minimum", MAINS + fan(amps, "heater", volts, SSR))
    assert [f.numbers["unit"] for f in found] == units
    assert told("load.under-minimum", fan(0.001, "heater", 5)) == []


# --- load.wrong-kind ---


@pytest.mark.parametrize("kind", KINDS)
def test_kinds_that_a_solid_state_relay_switches(kind: str) -> None:
    found = told("load.wrong-kind", MAINS + fan(1, kind, part=SSR))
    assert len(found) == (kind == "electronic")


@pytest.mark.parametrize(
    ("head", "volts", "switches", "faults"),
    [
        ("", 24, "ac", 1),
        ("", 49.9, "ac", 1),
        ("", 50, "ac", 0),
        (MAINS, 24, "ac", 0),
        (MAINS, 230, "ac", 0),
        ("", 24, "dc", 0),
        (MAINS, 230, "dc", 1),
        ("", 230, "dc", 1),
        (MAINS, 24, "dc", 0),
        ("", 24, "both", 0),
        (MAINS, 230, "both", 0),
    ],
)
def test_the_kind_of_current(head: str, volts: float, switches: str, faults: int) -> None:
    edit = switching("fan", switches=switches)
    assert len(told("load.wrong-kind", head + fan(1, "heater", volts), edit)) == faults


# --- load.rest-undefined, load.rests-on ---


def test_the_parts_of_today_rest_by_themselves() -> None:
    for part in (RELAY, SSR):
        assert told("load.rest-undefined", MAINS + fan(1, part=part)) == []


@pytest.mark.parametrize(("active", "floats"), [("high", True), ("low", True)])
def test_nothing_holds_it(active: str, floats: bool) -> None:
    edit = switching("fan", rest_by=None, active=active)
    (fault,) = told("load.rest-undefined", MAINS + fan(1, part=SSR), edit)
    assert ("floats" in fault.message) == floats
    bare = switching("fan", rest_by=None)
    assert len(told("load.rest-undefined", "loads:\n  fan: {part: " + SSR + "}\n", bare)) == 1


@pytest.mark.parametrize(("off_ua", "faults"), [(1.01, 0), (1, 1), (0.5, 1), (None, 0)])
def test_a_floating_pin_leaks(off_ua: float | None, faults: int) -> None:
    found = told("load.rest-undefined", MAINS + fan(1, part=SSR), figures("fan", off_ua=off_ua))
    assert len(found) == faults


def test_a_leakier_chip_and_a_resistor() -> None:
    body = MAINS + fan(1, part=SSR)
    assert len(told("load.rest-undefined", body, board(leakage_ua=100))) == 1
    held = switching("fan", rest_by="resistor")
    assert told("load.rest-undefined", body, board(leakage_ua=100), held) == []


@pytest.mark.parametrize(
    ("part", "name", "held", "faults"),
    [
        (SSR, "CTRL+", "high", 1),
        (SSR, "CTRL+", "low", 0),
        (RELAY, "IN", "low", 1),
        (RELAY, "IN", "high", 0),
    ],
)
def test_a_board_that_holds_the_pin_runs_the_load(
    part: str, name: str, held: str, faults: int
) -> None:
    body = MAINS + load(part, more=f", wires: {{{name}: 5}}")
    found = told("load.rests-on", body, hazard("5", "on-board-circuit", held))
    assert len(found) == faults
    assert told("load.rests-on", body, hazard("6", "on-board-circuit", held)) == []
    assert told("load.rests-on", body, hazard("5", "on-board-circuit")) == []


@pytest.mark.parametrize(
    ("part", "name", "at_reset", "faults"),
    [
        (SSR, "CTRL+", "up", 1),
        (SSR, "CTRL+", "down", 0),
        (RELAY, "IN", "down", 1),
        (RELAY, "IN", "up", 0),
    ],
)
def test_a_chip_that_pulls_its_pin_at_reset(
    part: str, name: str, at_reset: str, faults: int
) -> None:
    body = MAINS + load(part, more=f", wires: {{{name}: 5}}")
    assert len(told("load.rests-on", body, pin("5", at_reset=at_reset))) == faults
    assert told("load.rests-on", body, pin("6", at_reset=at_reset)) == []


@pytest.mark.parametrize(("off_ua", "faults"), [(251, 0), (250, 1), (None, 1)])
def test_a_weak_pull_is_harmless(off_ua: float | None, faults: int) -> None:
    # 5 V through 20 kilohms
    body = MAINS + load(SSR, more=", wires: {CTRL+: 5}")
    edits = (pin("5", at_reset="up"), figures("fan", off_ua=off_ua))
    assert len(told("load.rests-on", body, *edits)) == faults


# --- load.undescribed ---


def test_a_load_says_what_it_draws() -> None:
    bare = "loads:\n  fan: {part: " + RELAY + "}\n"
    assert len(told("load.undescribed", bare)) == 1
    assert told("load.undescribed", MAINS + fan(1)) == []
    silent = [name for name in rules.catalogue() if name.startswith("load.")]
    for name in silent:
        if name != "load.undescribed":
            assert told(name, bare) == []


# --- mains, fuse, conductor ---


@pytest.mark.parametrize(("volts", "notes"), [(49.9, 0), (50, 1), (230, 1)])
def test_from_fifty_volts_up_it_can_kill(volts: float, notes: int) -> None:
    for name in ("load.mains", "load.fuse", "load.conductor"):
        assert rules.catalogue()[name].severity == "note"
        assert len(told(name, fan(1, volts=volts))) == notes


def test_the_missing_mains_section_is_asked_for() -> None:
    (without,) = told("load.mains", fan(1))
    (given,) = told("load.mains", MAINS + fan(1))
    assert without.fix.startswith("Add the 'mains' section")
    assert given.fix.startswith("Unplug and prove dead")
    assert (without.at.path, given.at.path) == ("loads.fan.draws", "mains")


def test_one_note_for_all_loads() -> None:
    second = "  pump: {part: " + RELAY + ", draws: {volts: 120, amps: 1, kind: motor}}\n"
    third = "  bell: {part: " + RELAY + ", draws: {volts: 12, amps: 1, kind: motor}}\n"
    (fault,) = told("load.mains", MAINS + fan(1) + second + third)
    assert fault.numbers == {"volts": 230, "loads": ["fan", "pump"]}


@pytest.mark.parametrize(
    ("volts", "faults"),
    [(230, 0), (240, 0), (207, 0), (206, 1), (253, 0), (254, 1), (120, 1), (12, 0)],
)
def test_a_load_for_this_mains(volts: float, faults: int) -> None:
    assert len(told("load.other-mains", MAINS + fan(1, volts=volts))) == faults
    assert told("load.other-mains", fan(1, volts=volts)) == []


def mains(region: str, volts: float = 230) -> str:
    return f"mains: {{volts: {volts}, hz: 50, region: {region}}}\n"


@pytest.mark.parametrize(
    ("region", "amps", "fuse_a", "copper"),
    [
        ("eu", 0.8, 1, "1.5 mm2"),
        ("eu", 0.81, 2, "1.5 mm2"),
        ("iec", 8, 10, "1.5 mm2"),
        ("iec", 8.1, 16, "2.5 mm2"),
        ("eu", 16, 20, "2.5 mm2"),
        ("eu", 20, 25, "4 mm2"),
        ("eu", 25, 32, "6 mm2"),
        ("uk", 2.4, 3, "1.5 mm2"),
        ("uk", 2.5, 5, "1.5 mm2"),
        ("uk", 10.4, 13, "2.5 mm2"),
        ("us", 12, 15, "AWG 14"),
        ("us", 12.1, 20, "AWG 12"),
        ("us", 20, 25, "AWG 10"),
        ("us", 24, 30, "AWG 10"),
    ],
)
def test_usual_fuse_and_copper(region: str, amps: float, fuse_a: float, copper: str) -> None:
    (fuse,) = told("load.fuse", mains(region) + fan(amps))
    (wire,) = told("load.conductor", mains(region) + fan(amps))
    assert (fuse.numbers["fuse_a"], wire.numbers["copper"]) == (fuse_a, copper)


def test_beyond_appliance_fuses() -> None:
    (fuse,) = told("load.fuse", mains("eu") + fan(26))
    assert "no usual appliance fuse is enough" in fuse.message
    assert told("load.conductor", mains("eu") + fan(26)) == []


@pytest.mark.parametrize(
    ("volts", "region"), [(120, "us"), (179, "us"), (180, "iec"), (230, "iec")]
)
def test_without_a_mains_section_the_volts_tell_the_region(volts: float, region: str) -> None:
    (fuse,) = told("load.fuse", fan(1, volts=volts))
    assert fuse.numbers["region"] == region


@pytest.mark.parametrize(
    ("kind", "region", "slow"),
    [("motor", "eu", True), ("heater", "eu", False), ("motor", "uk", False)],
)
def test_motors_start_behind_slow_fuses(kind: str, region: str, slow: bool) -> None:
    (fuse,) = told("load.fuse", mains(region) + fan(1, kind))
    assert ("slow fuse" in fuse.message) == slow


# --- load.no-cutout, load.no-suppression ---


@pytest.mark.parametrize("kind", KINDS)
def test_only_a_heater_must_have_a_cutout(kind: str) -> None:
    assert len(told("load.no-cutout", MAINS + fan(1, kind))) == (kind == "heater")
    assert rules.catalogue()["load.no-cutout"].severity == "error"


def test_a_heater_with_a_cutout_and_one_on_low_voltage() -> None:
    named = load(RELAY, "volts: 230, amps: 1, kind: heater", ", cutout: bimetal at 60 degC")
    assert told("load.no-cutout", MAINS + named) == []
    (fault,) = told("load.no-cutout", fan(2, "heater", 12))
    assert fault.numbers["watts"] == 24
    assert "weld shut" in fault.message
    (solid,) = told("load.no-cutout", MAINS + fan(2, "heater", part=SSR))
    assert "fail shorted" in solid.message


@pytest.mark.parametrize("kind", KINDS)
def test_coils_on_bare_contacts_want_a_snubber(kind: str) -> None:
    coil = kind in ("motor", "solenoid", "transformer")
    found = told("load.no-suppression", MAINS + fan(1, kind))
    assert ["RC snubber" in f.fix for f in found] == [True] * coil
    assert told("load.no-suppression", MAINS + fan(1, kind, part=SSR)) == []
    assert ["a diode" in f.fix for f in told("load.no-suppression", fan(1, kind, 12))] == [
        True
    ] * coil


def test_a_build_without_loads_is_silent() -> None:
    body = probes("  soil: {part: ds18b20, value: temperature, every_s: 2}\n")
    assert build(body).loads == {}
    found = rules.run(circuit(body))
    assert [f for f in found if f.rule.startswith("load.")] == []
