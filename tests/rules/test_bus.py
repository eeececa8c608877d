"""Buses: each rule just before and just after its edge."""

from __future__ import annotations

import pytest
from small import AIR, SMOKE, SOIL, board, displays, family, figures, panel, probes, told

from buildkit import electrics

TWO_SMOKES = probes(SMOKE, SMOKE.replace("smoke", "other"))


def smoke_on(label: str, baud: float = 9600) -> str:
    own = f", wires: {{TXD: {label}}}, own_figures: {{serial_baud: {baud}}}}}"
    return probes(SMOKE.replace("}", own))


# --- addresses ---


def test_two_addresses_do_not_clash() -> None:
    both = displays(panel("a", ", address: 0x26"), panel("b", ", address: 0x27"))
    assert told("bus.address-clash", both) == []


def test_three_of_one_address_are_two_faults_with_the_free_ones() -> None:
    faults = told("bus.address-clash", displays(panel("a"), panel("b"), panel("c")))
    assert [f.numbers["taken_by"] for f in faults] == ["a", "a"]
    assert "0x27" not in faults[0].numbers["free"]
    assert "0x26" in faults[0].fix


def test_a_part_with_one_address_has_no_other() -> None:
    air = AIR.replace("}", ", address: 0x44}")
    pair = probes(
        air,
        air.replace("air", "cold"),
        AIR.replace("air", "third").replace("}", ", address: 0x45}"),
    )
    (fault,) = told("bus.address-clash", pair)
    assert "choose another part" in fault.fix


def test_a_probe_and_a_display_clash_too() -> None:
    body = probes(AIR) + displays(panel(more=", address: 0x44"))
    assert len(told("bus.address-clash", body)) == 1


@pytest.mark.parametrize(
    ("address", "reserved"),
    [(0x00, 1), (0x07, 1), (0x08, 0), (0x77, 0), (0x78, 1), (0x7F, 1), (0x27, 0)],
)
def test_reserved_addresses(address: int, reserved: int) -> None:
    body = displays(panel(more=f", address: {address}"))
    assert len(told("bus.address-reserved", body)) == reserved


@pytest.mark.parametrize(
    ("address", "faults"), [(0x27, 0), (0x3F, 0), (0x28, 1), (0x40, 1), (0x07, 0), (0x78, 0)]
)
def test_addresses_on_offer(address: int, faults: int) -> None:
    body = displays(panel(more=f", address: {address}"))
    assert len(told("bus.address-not-offered", body)) == faults


def test_a_part_off_the_bus_has_no_address() -> None:
    (fault,) = told("bus.address-not-offered", probes(SOIL.replace("}", ", address: 0x27}")))
    assert fault.fix == "Take the address out: ds18b20 is no I2C part."
    assert told("bus.address-not-offered", probes(SOIL)) == []


# --- pins ---


@pytest.mark.parametrize(
    ("wires", "faults"),
    [("SDA: A4, SCL: A5", 0), ("SDA: SDA", 0), ("SDA: A5, SCL: A4", 2), ("SCL: 9", 1)],
)
def test_the_bus_has_two_fixed_pins(wires: str, faults: int) -> None:
    body = displays(panel(more=f", wires: {{{wires}}}"))
    assert len(told("bus.wrong-pins", body)) == faults


def test_a_display_beside_a_probe_is_told() -> None:
    assert len(told("bus.display-shares-probe", probes(AIR) + displays(panel()))) == 1
    assert told("bus.display-shares-probe", probes(SOIL) + displays(panel())) == []
    assert told("bus.display-shares-probe", probes(AIR)) == []


# --- pull-ups ---


def ohms(name: str, value: float | None) -> object:
    return figures(name, module_pull_up_ohms=value)


@pytest.mark.parametrize(
    ("value", "missing"), [(0, 1), (None, 1), (1e6, 1), (999_999, 0), (4700, 0), (1, 0)]
)
def test_a_bus_needs_a_pull_up(value: float | None, missing: int) -> None:
    edit = figures("panel", module_pull_up_ohms=value)
    assert len(told("bus.pull-up-missing", displays(panel()), edit)) == missing


def test_no_bus_needs_none_and_one_of_two_is_enough() -> None:
    assert told("bus.pull-up-missing", probes(SOIL)) == []
    both = probes(AIR) + displays(panel())
    assert told("bus.pull-up-missing", both, figures("panel", module_pull_up_ohms=0)) == []


def test_a_part_without_its_supply_is_told_elsewhere() -> None:
    body = displays(panel(more=", wires: {VCC: 9}"))
    assert told("bus.pull-up-missing", body) == []


def cable(metres: float) -> str:
    return f"cables:\n  air: {{length_m: {metres}, awg: 24}}\n"


def test_how_long_a_cable_ten_kilohms_can_lift() -> None:
    # UM10204 7.1: 1000 ns / (0.8473 * 10 kilohms) is 118.02 pF; two pins take 20 of it.
    assert electrics.pull_up_max_ohms(1000e-9, 118.02e-12) == pytest.approx(10000, rel=1e-4)
    assert told("bus.pull-up-too-weak", probes(AIR) + cable(0.98)) == []
    (fault,) = told("bus.pull-up-too-weak", probes(AIR) + cable(0.981))
    assert fault.at.path == "cables.air"


def test_a_part_without_a_cable_counts_with_a_short_lead() -> None:
    # 38 pF a part and the board's 10 pF: 48 pF may have 24.6 kilohms.
    assert (
        told("bus.pull-up-too-weak", probes(AIR), figures("air", module_pull_up_ohms=29_500)) == []
    )
    (fault,) = told("bus.pull-up-too-weak", probes(AIR), figures("air", module_pull_up_ohms=29_510))
    assert fault.numbers["farads"] == pytest.approx(40e-12)
    assert fault.at.path == "probes.air"


def test_nothing_to_be_weak_without_a_pull_up() -> None:
    assert told("bus.pull-up-too-weak", probes(AIR), figures("air", module_pull_up_ohms=0)) == []


@pytest.mark.parametrize(("value", "faults"), [(1532, 1), (1534, 0)])
def test_a_part_sinks_three_milliamps(value: float, faults: int) -> None:
    edit = figures("panel", module_pull_up_ohms=value)
    assert len(told("bus.pull-up-too-strong", displays(panel()), edit)) == faults


def test_the_least_pull_up_itself_is_allowed() -> None:
    least = electrics.pull_up_min_ohms(5, 0.4, 3)
    edit = figures("panel", module_pull_up_ohms=least)
    assert told("bus.pull-up-too-strong", displays(panel()), edit) == []


def test_pull_ups_of_all_modules_add_up_and_the_strongest_is_named() -> None:
    both = probes(AIR) + displays(panel())
    edits = (figures("air", module_pull_up_ohms=2200), figures("panel", module_pull_up_ohms=4700))
    (fault,) = told("bus.pull-up-too-strong", both, *edits)
    assert fault.numbers["ohms"] == pytest.approx(1499, abs=1)
    assert fault.at.path == "probes.air"
    assert told("bus.pull-up-too-strong", probes(SOIL)) == []


@pytest.mark.parametrize(("hz", "faults"), [(100_000, 0), (99_999, 1), (None, 0)])
def test_the_sketch_runs_the_bus_at_100_khz(hz: float | None, faults: int) -> None:
    assert len(told("bus.too-fast", displays(panel()), figures("panel", bus_hz=hz))) == faults


# --- serial ---


def test_one_serial_part_more_than_there_is_room() -> None:
    assert told("bus.no-uart-left", probes(SMOKE)) == []
    (fault,) = told("bus.no-uart-left", TWO_SMOKES)
    assert fault.numbers == {"free_ports": [], "serial_parts": 2}
    assert told("bus.no-uart-left", TWO_SMOKES, board="atmega32u4-5v") == []


def test_an_analog_part_without_a_pin_is_no_serial_matter() -> None:
    each = [f"  t{n}: {{part: ntc-divider, value: temperature, every_s: 5}}\n" for n in range(7)]
    assert told("bus.no-uart-left", probes(*each)) == []


def wired(label: str, name: str = "smoke") -> str:
    return SMOKE.replace("smoke", name).replace("}", f", wires: {{TXD: {label}}}}}")


def test_software_listens_to_one() -> None:
    assert told("bus.two-soft-serials", probes(wired("8"))) == []
    (fault,) = told("bus.two-soft-serials", probes(wired("8"), wired("9", "other")))
    assert fault.numbers == {"pin": "9", "listens_to": "smoke"}
    three = probes(wired("8"), wired("9", "other"), wired("10", "third"))
    assert [f.numbers["listens_to"] for f in told("bus.two-soft-serials", three)] == ["smoke"] * 2


def test_a_port_and_software_are_two() -> None:
    both = probes(wired("0"), wired("8", "other"))
    assert told("bus.two-soft-serials", both, board="atmega32u4-5v") == []


@pytest.mark.parametrize(
    ("baud", "faults"),
    # ATmega328P data sheet, table for 16 MHz; at 57600 the core leaves double speed
    [(9600, 0), (38400, 0), (57600, 1), (57601, 0), (76800, 0), (115200, 1), (250000, 0), (300, 0)],
)
def test_what_the_clock_can_make(baud: int, faults: int) -> None:
    found = told("bus.baud-error", smoke_on("19", baud), board="atmega2560-5v")
    assert len(found) == faults


def test_a_slow_port_leaves_double_speed() -> None:
    (fault,) = told("bus.baud-error", smoke_on("19", 57600), board="atmega2560-5v")
    assert fault.numbers["ubrr"] == 16
    # 16 MHz / 8 / 4097 is the slowest of double speed: UBRR 4096 does not fit.
    slow = board(clock_hz=16e6 * 1.03)
    (fault,) = told(
        "bus.baud-error",
        smoke_on("19", 9600),
        figures("smoke", serial_baud=2e6),
        slow,
        board="atmega2560-5v",
    )
    assert fault.numbers["ubrr"] == 0


def test_two_percent_is_still_allowed() -> None:
    near, off = board(clock_hz=16e6 * 1.0199 * 207 / 207), board(clock_hz=16e6)
    one_megabaud = figures("smoke", serial_baud=1e6)
    body = smoke_on("19")
    assert told("bus.baud-error", body, one_megabaud, near, board="atmega2560-5v") == []
    assert told("bus.baud-error", body, one_megabaud, off, board="atmega2560-5v") == []
    over = board(clock_hz=16e6 * 1.0201)
    assert len(told("bus.baud-error", body, one_megabaud, over, board="atmega2560-5v")) == 1
    under = board(clock_hz=16e6 * 0.9799)
    assert len(told("bus.baud-error", body, one_megabaud, under, board="atmega2560-5v")) == 1


def test_other_cores_and_unwired_or_software_ports_have_no_divisor() -> None:
    mega = {"board": "atmega2560-5v"}
    assert told("bus.baud-error", smoke_on("19", 115200), family("other"), **mega) == []
    assert told("bus.baud-error", smoke_on("10", 115200), **mega) == []
    assert told("bus.baud-error", smoke_on("19"), figures("smoke", serial_baud=None), **mega) == []


@pytest.mark.parametrize(
    ("clock_hz", "baud", "faults"),
    [(16e6, 57600, 0), (16e6, 80_000, 0), (16e6, 80_001, 1), (8e6, 38400, 0), (8e6, 57600, 1)],
)
def test_how_fast_software_follows(clock_hz: float, baud: float, faults: int) -> None:
    found = told("bus.soft-serial-too-fast", smoke_on("8", baud), board(clock_hz=clock_hz))
    assert len(found) == faults


def test_only_software_on_the_avr_core_is_slow() -> None:
    fast = smoke_on("8", 115200)
    assert told("bus.soft-serial-too-fast", fast, family("other")) == []
    assert told("bus.soft-serial-too-fast", smoke_on("19", 115200), board="atmega2560-5v") == []
    assert told("bus.soft-serial-too-fast", fast, figures("smoke", serial_baud=None)) == []


# --- what the messages say ---


def test_the_weakest_pull_up_itself_is_allowed() -> None:
    most = electrics.pull_up_max_ohms(1000e-9, 10e-12 * 2 + 100e-12 * 0.2)
    assert told("bus.pull-up-too-weak", probes(AIR), figures("air", module_pull_up_ohms=most)) == []


def test_messages_carry_their_figures_in_readable_units() -> None:
    (missing,) = told("bus.pull-up-missing", probes(AIR), figures("air", module_pull_up_ohms=0))
    assert missing.message.endswith("but the chip's own 20 kilohms")
    (weak,) = told("bus.pull-up-too-weak", probes(AIR) + cable(8))
    assert weak.message == (
        "I2C pull-ups of 10000 ohms in all are too weak for 8 m of wire, about 820 pF: "
        "1439 ohms at most"
    )
    (slow,) = told("bus.too-fast", displays(panel()), figures("panel", bus_hz=50_000))
    assert slow.message == "panel follows the bus up to 50 kHz, and the sketch runs it at 100 kHz"
    (baud,) = told("bus.baud-error", smoke_on("19", 115200), board="atmega2560-5v")
    assert baud.message == (
        "Serial1 runs +2.1 % off the 115200 baud of smoke (your own figure); 2 % is the limit"
    )
    (soft,) = told("bus.soft-serial-too-fast", smoke_on("8", 115200))
    assert soft.message.endswith("and software serial at 16 MHz follows 80000 at most")
