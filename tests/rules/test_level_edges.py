"""Levels at their edges: what sits in a wire, and what the chip must sink."""

from __future__ import annotations

import pytest
from small import AIR, RELAY, SHELF, SOIL, board, figures, load, pin, probes, told

PICO = {"board": "rp2040-stick", "ma": 800}


@pytest.mark.parametrize(("low_v", "faults"), [(0.0451, 0), (0.0449, 1)])
def test_the_chip_s_low_while_it_sinks_a_pull_up(low_v: float, faults: int) -> None:
    """0.9 V at 20 mA are 45 ohms; 5 V over 5 kilohms are 1 mA: 45 mV."""
    edit = figures("soil", in_low_v=low_v, pull_up_ohms=5000)
    assert len(told("level.low-not-seen", probes(SOIL), edit)) == faults


@pytest.mark.parametrize(("percent", "faults"), [(1.01, 0), (0.99, 1)])
def test_the_chip_s_low_while_it_sinks_the_bus(percent: float, faults: int) -> None:
    """Two pull-ups of 10 kilohms on 5 V: 1 mA through 50 ohms is 1 % of it."""
    edit = figures("air", in_low_ratio_percent=percent)
    other = "  out: {part: sht3x, address: 0x45, value: humidity, every_s: 5}\n"
    found = told("level.low-not-seen", probes(AIR, other), edit, board(vol_max_v=1.0))
    assert len(found) == faults


@pytest.mark.parametrize(("most_v", "faults"), [(1.31, 0), (1.29, 1)])
def test_a_control_behind_a_shifter_is_pulled_low_through_it(most_v: float, faults: int) -> None:
    """1 V at 4 mA are 250 ohms of the pin, and the shifter has 10: 5 mA make 1.3 V."""
    body = probes(SOIL) + load(RELAY, "volts: 12, amps: 1, kind: lamp")
    body += "between: {fan.IN: {part: level-shifter-mosfet}}\n"
    scale = board(vol_max_v=1.0, voh_at_ma=4, pin_ma=100)
    edit = figures("fan", on_ma=5, on_max_v=most_v)
    found = told("level.control-too-low", body, scale, edit, **PICO)
    assert len(found) == faults


@pytest.mark.parametrize("ohms", [1000, 10_000])
def test_what_a_divider_takes_off_a_probe(ohms: float) -> None:
    body = probes(SHELF) + (
        "between: {shelf.OUT: {part: divider, own_figures: {upper_ohms: 10000, lower_ohms: 20000}}}\n"
    )
    (found,) = told("level.divider-loads-probe", body, figures("shelf", series_ohms=ohms))
    assert found.numbers["lost_percent"] == pytest.approx(100 * ohms / (ohms + 30_000))


@pytest.mark.parametrize(("label", "faults"), [("B8", 0), ("B5", 1)])
def test_a_pin_that_bears_5_volts_and_one_that_does_not(label: str, faults: int) -> None:
    """STM32F103: PB8 is marked FT in the data sheet's pin table, PB5 is not."""
    body = probes(SOIL.replace("}", f", wires: {{DQ: {label}, VDD: 5V}}}}"))
    assert len(told("level.pull-up-over-voltage", body, board="stm32f103-stick")) == faults
    dust = f"  dust: {{part: pm-frame32, value: pm2_5, every_s: 1, wires: {{TXD: {label}}}}}\n"
    found = told(
        "level.over-voltage", probes(dust), figures("dust", out_high_v=5), board="stm32f103-stick"
    )
    assert len(found) == faults
    assert all(fault.numbers["most_v"] == 3.6 for fault in found)


def test_a_pin_that_measures_bears_no_more_than_the_others() -> None:
    """The switch to the converter is not made for 5 V, whatever the pin's own limit."""
    edit = pin("A0", max_v=5.5)
    body = probes(SHELF.replace("}", ", wires: {FEED: 5V, OUT: A0}}"))
    (fault,) = told("level.over-voltage", body, edit, board="stm32f103-stick")
    assert fault.numbers["most_v"] == 3.6


def test_a_pin_that_cannot_give_so_much_gives_nothing() -> None:
    """0.3 V at 2 mA are 150 ohms: at 30 mA more than the rail would be lost, and 0 V are left."""
    relay = load("ssr-zero-cross-dc-control")
    edit = figures("fan", on_ma=30)
    (fault,) = told("level.control-too-low", relay, edit, board="samd21-3v3")
    assert fault.numbers["volts"] == 0
    assert "0.00 V" in fault.message
