"""The bus at its edges."""

from __future__ import annotations

import pytest
from small import AIR, SMOKE, SOIL, probes, told

CABLE = "cables: {air: {length_m: %s, awg: 24}}\n"


@pytest.mark.parametrize(("metres", "faults"), [(0.97, 0), (0.99, 1)])
def test_a_cable_just_short_enough(metres: float, faults: int) -> None:
    """10 kilohms lift 118.02 pF in 1000 ns: two pins of 10 pF and 0.98 m of 100 pF."""
    found = told("bus.pull-up-too-weak", probes(AIR) + CABLE % metres)
    assert len(found) == faults


def test_the_resistor_that_mends_a_long_cable() -> None:
    """8 m are 820 pF and bear 1439 ohms; beside 10 kilohms 1681 at most, in E24 1600."""
    (found,) = told("bus.pull-up-too-weak", probes(AIR) + CABLE % 8)
    assert found.numbers["most_ohms"] == pytest.approx(1439.3, abs=0.1)
    assert found.numbers["beside_ohms"] == 1600
    assert "fit 1600 ohms" in found.fix


def test_serial_parts_are_counted_past_others_without_a_pin() -> None:
    """A terminal that is no serial one, unseated before, does not hide them."""
    many = [f"  t{n}: {{part: ntc-divider, value: temperature, every_s: 5}}\n" for n in range(8)]
    others = [SMOKE, SMOKE.replace("smoke", "dust")]
    assert len(told("bus.no-uart-left", probes(*many, *others, SOIL))) == 1


def test_a_part_on_software_does_not_hide_one_on_a_port() -> None:
    fast = "  %s: {part: pm-frame32, value: pm2_5, every_s: 1, wires: {TXD: %s}, own_figures: {serial_baud: 115200}}\n"
    body = probes(fast % ("soft", 10), fast % ("hard", 19))
    (found,) = told("bus.baud-error", body, board="atmega2560-5v")
    assert "hard" in found.message


def test_the_addresses_that_a_part_can_have_are_told() -> None:
    air = "  air: {part: sht3x, address: 0x46, value: humidity, every_s: 5}\n"
    (found,) = told("bus.address-not-offered", probes(air))
    assert "0x44, 0x45" in found.fix


def test_an_own_pull_up_is_said_to_be() -> None:
    air = "  air: {part: sht3x, value: humidity, every_s: 5, own_figures: {module_pull_up_ohms: 1000}}\n"
    (found,) = told("bus.pull-up-too-strong", probes(air))
    assert "(your own figure)" in found.message


def test_two_values_of_one_sensor_are_told_what_they_are() -> None:
    """Two probes of one part at one address may be one sensor, of which one value is read."""
    one = "  air: {part: scd4x, value: co2, every_s: 5}\n"
    (fault,) = told(
        "bus.address-clash", probes(one, one.replace("air", "wet").replace("co2", "humidity"))
    )
    assert fault.fix.startswith("Of one sensor a build reads one value.")
    assert "leave out wet (humidity) or air (co2)" in fault.fix
    (fault,) = told("bus.address-clash", probes(one, one.replace("air", "hall")))
    assert fault.fix == "hall has no other free address; choose another part."
    (fault,) = told("bus.address-clash", probes(AIR, AIR.replace("air", "out")))
    assert fault.fix.startswith("Set out to another address, in the file and by its jumpers: 0x45")
