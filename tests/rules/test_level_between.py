"""Levels behind parts that sit in a wire: each rule on both sides of its edge."""

from __future__ import annotations

import pytest
from small import AIR, MAINS, RELAY, SSR, displays, figures, load, panel, probes, told

PICO = {"board": "rp2040-stick", "ma": 800}
SMOKE5 = "  smoke: {part: pm-frame32, value: pm2_5, every_s: 1, own_figures: {out_high_v: 5}}\n"
SDA = "  panel.SDA: {part: level-shifter-mosfet}\n"
SCL = "  panel.SCL: {part: level-shifter-mosfet}\n"


def between(*lines: str) -> str:
    return "between:\n" + "".join(lines)


def divider(key: str, own: str = "") -> str:
    more = f", own_figures: {{{own}}}" if own else ""
    return f"  {key}: {{part: divider{more}}}\n"


def test_a_divider_takes_5_volts_down_to_what_a_pin_bears() -> None:
    body = probes(SMOKE5)
    assert told("level.over-voltage", body, **PICO)
    assert told("level.over-voltage", body + between(divider("smoke.TXD")), **PICO) == []
    assert told("level.high-not-seen", body + between(divider("smoke.TXD")), **PICO) == []


@pytest.mark.parametrize(
    ("lower", "over", "unseen"),
    # Of 5 V with 10 k above: 3.66 V, 3.59 V; 2.04 V and 1.96 V. The pin bears 3.63 and needs 2.0.
    [(27_400, 1, 0), (25_500, 0, 0), (6_900, 0, 0), (6_400, 0, 1)],
)
def test_a_divider_of_one_s_own_is_judged_by_its_ratio(
    lower: float, over: int, unseen: int
) -> None:
    body = probes(SMOKE5) + between(divider("smoke.TXD", f"upper_ohms: 10000, lower_ohms: {lower}"))
    assert len(told("level.over-voltage", body, **PICO)) == over
    found = told("level.high-not-seen", body, **PICO)
    assert len(found) == unseen
    for fault in found:
        assert "behind its divider" in fault.message


def test_two_shifters_let_a_5_volt_display_onto_a_3_volt_bus() -> None:
    body = probes(AIR) + displays(panel())
    assert told("level.pull-up-over-voltage", body, **PICO)
    for rule in ("level.pull-up-over-voltage", "level.over-voltage", "level.high-not-seen",
                 "level.low-not-seen", "bus.pull-up-too-strong", "bus.pull-up-too-weak"):  # fmt: skip
        assert told(rule, body + between(SDA, SCL), **PICO) == [], rule


@pytest.mark.parametrize("line", [SDA, SCL])
def test_a_shifter_in_one_of_two_lines_is_not_enough(line: str) -> None:
    found = told("level.pull-up-over-voltage", displays(panel()) + between(line), **PICO)
    assert [f.numbers["pin"] for f in found] == ["GP5" if line is SDA else "GP4"]


def test_pull_ups_on_both_sides_of_a_shifter_add_up_for_who_pulls_low() -> None:
    body = displays(panel()) + between(SDA, SCL)
    # 10 k on the board's side, 10 k and the module's own behind: 1.5 k in all is the least at 5 V.
    assert (
        told("bus.pull-up-too-strong", body, figures("panel", module_pull_up_ohms=2300), **PICO)
        == []
    )
    (fault,) = told(
        "bus.pull-up-too-strong", body, figures("panel", module_pull_up_ohms=2100), **PICO
    )
    assert "shifter panel.SDA 10000 ohms" in fault.message
    assert fault.numbers["e24_ohms"] == 1600
    assert "1600 ohms (E24)" in fault.fix


def test_each_piece_of_the_bus_has_its_own_length() -> None:
    body = displays(panel()) + between(SDA, SCL)
    long = "cables: {panel: {length_m: 4, awg: 24}}\n"
    # Behind the shifter: 3.2 k against 1 us / (0.8473 * 420 pF) = 2.8 k.
    (fault,) = told("bus.pull-up-too-weak", body + long, **PICO)
    assert fault.numbers["ohms"] == pytest.approx(3197, abs=1)
    assert fault.numbers["most_ohms"] == pytest.approx(2810, abs=1)
    beside = fault.numbers["beside_ohms"]
    assert beside == 22_000  # 1 / (1/2810 - 1/3197) = 23.2 k, and 22 k below it
    assert 1 / (1 / 3197 + 1 / beside) <= 2810


def test_a_shifter_brings_an_active_low_module_to_rest_on_3_volts() -> None:
    body = MAINS + load(RELAY)
    shifted = body + between("  fan.IN: {part: level-shifter-mosfet}\n")
    assert told("level.rest-not-off", body, **PICO)
    for rule in ("level.rest-not-off", "level.control-too-low", "load.rests-on"):
        assert told(rule, shifted, **PICO) == [], rule


def test_a_shifter_neither_runs_nor_rests_an_active_high_relay() -> None:
    body = MAINS + load(SSR) + between("  fan.CTRL+: {part: level-shifter-mosfet}\n")
    (low,) = told("level.control-too-low", body, **PICO)
    assert low.numbers["volts"] == 0
    (on,) = told("load.rests-on", body, **PICO)
    assert on.numbers["through_ua"] == pytest.approx(330)
    assert "fan.CTRL+" in on.fix
    assert told("load.rests-on", body, figures("fan", off_ua=331), **PICO) == []


def test_a_divider_starves_a_relay_s_control() -> None:
    own = "upper_ohms: 100, lower_ohms: 10000"
    weak = MAINS + load(SSR) + between(divider("fan.CTRL+", own))
    # 4.75 V of 10 / 10.1 kilohms, less 10 mA through 99 ohms.
    (fault,) = told("level.control-too-low", weak, figures("fan", on_min_v=4))
    assert fault.numbers["volts"] == pytest.approx(4.703 - 0.99, abs=0.001)
    assert told("level.control-too-low", weak, figures("fan", on_min_v=3.7)) == []


@pytest.mark.parametrize(("key", "faults"), [("panel.SDA", 1), ("smoke.TXD", 0)])
def test_a_divider_passes_one_way(key: str, faults: int) -> None:
    body = probes(SMOKE5) + displays(panel()) + between(divider(key))
    assert len(told("level.divider-both-ways", body, **PICO)) == faults


def test_what_has_nothing_to_do() -> None:
    same = probes(SMOKE5) + between("  smoke.TXD: {part: level-shifter-mosfet}\n")
    assert told("level.between-needless", same)  # 5 V on both sides
    assert told("level.between-needless", same, **PICO) == []
    assert told("level.between-needless", probes(SMOKE5) + between(divider("smoke.TXD")))
    assert (
        told("level.between-needless", probes(SMOKE5) + between(divider("smoke.TXD")), **PICO) == []
    )
    bus = displays(panel()) + between(divider("panel.SDA"))
    assert told("level.between-needless", bus, **PICO) == []  # level.divider-both-ways says it


@pytest.mark.parametrize(("own", "faults"), [("shunt_ohms: 100", 0), ("shunt_ohms: 150", 1)])
def test_a_divider_beside_a_shunt(own: str, faults: int) -> None:
    loop = f"  loop: {{part: loop-4-20ma, value: current, every_s: 1, own_figures: {{{own}}}}}\n"
    body = probes(loop) + between(divider("loop.LOOP", "upper_ohms: 5000, lower_ohms: 5000"))
    found = told("level.divider-loads-probe", body)
    assert [fault.numbers["divider_ohms"] for fault in found] == [10_000] * faults


def test_a_divider_beside_a_thermistor() -> None:
    shelf = "  shelf: {part: ntc-divider, value: temperature, every_s: 5}\n"
    assert told("level.divider-loads-probe", probes(shelf) + between(divider("shelf.OUT")))
    smoke = probes(SMOKE5) + between(divider("smoke.TXD"))
    assert told("level.divider-loads-probe", smoke, **PICO) == []


@pytest.mark.parametrize(
    ("key", "faults"), [("shelf.OUT", 1), ("smoke.TXD", 0)], ids=["measured", "digital"]
)
def test_a_shifter_passes_low_and_high_only(key: str, faults: int) -> None:
    shelf = "  shelf: {part: ntc-divider, value: temperature, every_s: 5}\n"
    body = probes(shelf, SMOKE5) + between(f"  {key}: {{part: level-shifter-mosfet}}\n")
    found = told("level.shifter-on-analog", body, **PICO)
    assert [fault.numbers["part"] for fault in found] == ["shelf"] * faults


@pytest.mark.parametrize("part", ["divider", "level-shifter-mosfet"])
def test_a_divider_in_an_analog_wire_is_no_shifter(part: str) -> None:
    shelf = "  shelf: {part: ntc-divider, value: temperature, every_s: 5}\n"
    body = probes(shelf) + between(f"  shelf.OUT: {{part: {part}}}\n")
    assert bool(told("level.shifter-on-analog", body)) == (part != "divider")
