"""Timers, interrupt lines and pin-change vectors behind several pins, and seating around them."""

from __future__ import annotations

import itertools

import pytest
from small import SMOKE, alarms, probes

from buildkit import buildfile, document, rules, seating
from buildkit.circuit import Circuit
from buildkit.model import Fault
from buildkit.tables import Tables
from tests.planting.beds import EXTRA

TABLES = Tables(EXTRA)
UNO, STM, PICO, SAMD = "atmega328p-5v", "stm32f103-stick", "rp2040-stick", "samd21-3v3"
DUST = SMOKE.replace("smoke", "dust")


def seated(board: str, body: str) -> Circuit:
    text = f"build: shared\nboard: {board}\nsupply: {{rail: 5V, max_ma: 900}}\n{body}"
    return seating.seat(buildfile.from_tree(document.parse(text.encode(), "shared.yaml"), TABLES))


def told(rule: str, board: str, body: str) -> list[Fault]:
    check = rules.catalogue()[rule].check
    assert check is not None
    return list(check(seated(board, body)))


def clock(board: str, body: str) -> list[Fault]:
    return told("pin.timer-clash", board, body)


def lines(board: str, body: str) -> list[Fault]:
    return told("pin.change-vector-clash", board, body)


def dimmer(name: str, pin: str = "", hz: float | None = None) -> str:
    more = f", wires: {{A: {pin}}}" if pin else ""
    more += f", own_figures: {{pwm_hz: {hz}}}" if hz else ""
    return f"  {name}: {{part: invented-dimmer, when: [no-reading]{more}}}\n"


def sounder(name: str, pin: str = "") -> str:
    more = f", wires: {{+: {pin}}}" if pin else ""
    return f"  {name}: {{part: sounder-piezo, when: [no-reading]{more}}}\n"


def meter(name: str, pin: str = "") -> str:
    more = f", wires: {{OUT: {pin}}}" if pin else ""
    return f"  {name}: {{part: pulse-flow, value: flow, every_s: 5{more}}}\n"


def knob(name: str, pin: str = "") -> str:
    more = f", wires: {{A: {pin}}}" if pin else ""
    return f"  {name}: {{part: invented-knob, value: turns, every_s: 1{more}}}\n"


# --- timers ---


@pytest.mark.parametrize(
    ("one", "other", "faults"),
    [
        (("9", 500), ("10", 500), 0),  # timer 1, one frequency
        (("9", 500), ("10", 501), 1),
        (("9", 500), ("3", 501), 0),  # timers 1 and 2
        (("3", 500), ("11", 600), 1),
    ],
)
def test_one_frequency_a_timer(one: tuple[str, int], other: tuple[str, int], faults: int) -> None:
    found = clock(UNO, alarms(dimmer("a", *one), dimmer("b", *other)))
    assert len(found) == faults
    for fault in found:
        assert fault.at.path == "alarms.b.wires.A"
        assert fault.numbers["taken_by"] == "a A"


def test_the_clock_of_the_sketch_keeps_the_frequency_of_its_timer() -> None:
    """millis() counts overflows of timer 0 at its own speed."""
    (fault,) = clock(UNO, alarms(dimmer("a", "5", 500)))
    assert fault.message == (
        "a A needs TIMER0 for PWM at 500 Hz, and the sketch itself keeps it for its clock, millis()"
    )
    assert fault.fix == "Wire a A to one of 3, 9, 10, 11, or leave it out."
    assert fault.numbers["free"] == ["3", "9", "10", "11"]


@pytest.mark.parametrize(("board", "pin", "faults"), [
    (UNO, "3", 1), (UNO, "11", 1), (UNO, "9", 0),
    ("atmega2560-5v", "9", 1), ("atmega2560-5v", "5", 0),
    ("atmega32u4-5v", "5", 1), ("atmega32u4-5v", "9", 0),
    (STM, "A6", 1), (STM, "A0", 0), (SAMD, "9", 0), (PICO, "GP3", 0),
])  # fmt: skip
def test_pwm_on_the_timer_of_tone(board: str, pin: str, faults: int) -> None:
    """Timer 2 on the ATmega328P and 2560, 3 on the 32U4, TIM3 on the STM32; none of their own elsewhere."""
    assert len(clock(board, alarms(sounder("bell"), dimmer("a", pin, 700)))) == faults


@pytest.mark.parametrize(("board", "faults"), [
    (UNO, 1), ("atmega32u4-5v", 1), (STM, 1), (SAMD, 1), ("ra4m1-5v", 1), ("esp32-c3-dev", 1),
    (PICO, 0), ("esp8266-12e-dev", 2),
])  # fmt: skip
def test_two_square_waves(board: str, faults: int) -> None:
    found = clock(board, alarms(sounder("bell"), sounder("horn")))
    assert len(found) == faults
    assert all("'part: buzzer'" in fault.fix for fault in found)


def test_two_pins_of_one_channel_have_one_duty() -> None:
    """RP2040 slices repeat after 16 pins: GP2 and GP18 are both channel A of slice 1."""
    (fault,) = clock(PICO, alarms(dimmer("a", "GP2"), dimmer("b", "GP18")))
    assert fault.numbers["shared"] == "channel PWM1 A"
    assert clock(PICO, alarms(dimmer("a", "GP2"), dimmer("b", "GP19"))) == []
    assert len(clock(STM, alarms(dimmer("a", "A8"), dimmer("b", "B13")))) == 1  # CH1 and CH1N


def test_so_many_frequencies_as_there_are_timers() -> None:
    """The ESP32-C3 has four timers for PWM, whatever the pins."""
    body = "".join(dimmer(f"d{n}", hz=500 + 100 * n) for n in range(4))
    assert clock("esp32-c3-dev", alarms(body, dimmer("again", hz=600))) == []
    (fault,) = clock("esp32-c3-dev", alarms(body, sounder("bell")))  # its square wave is one too
    assert fault.at.path == "alarms.d3"
    (fault,) = clock("esp32-c3-dev", alarms(body, dimmer("more", hz=5000)))
    assert fault.numbers["most"] == 4
    assert fault.at.path == "alarms.more"


@pytest.mark.parametrize(("hz", "faults"), [((500, 500), 2), ((500, 600), 3)])
def test_pwm_of_the_esp8266_takes_the_timer_of_the_watchdog(
    hz: tuple[int, int], faults: int
) -> None:
    """One timer for all pins, at one frequency, and the sketch has it."""
    found = clock("esp8266-12e-dev", alarms(dimmer("a", "D5", hz[0]), dimmer("b", "D6", hz[1])))
    assert len(found) == faults
    assert [fault.numbers.get("shared") for fault in found[:2]] == ["TIMER1", "TIMER1"]
    assert all("the sketch itself keeps it for its watchdog" in f.message for f in found[:2])


def test_each_pair_is_told_once() -> None:
    """Timer 3 of the ATmega2560 is behind 2, 3 and 5; A8 and B13 share a timer and its channel."""
    body = alarms(dimmer("a", "2", 400), dimmer("b", "3", 500), dimmer("c", "5", 600))
    pairs = [(f.numbers["taken_by"], f.numbers["terminal"]) for f in clock("atmega2560-5v", body)]
    assert pairs == [("a A", "b A"), ("a A", "c A"), ("b A", "c A")]
    (fault,) = clock(STM, alarms(dimmer("a", "A8", 500), dimmer("b", "B13", 600)))
    assert fault.numbers["pin"] == "B13"


def test_software_serial_takes_a_timer_of_the_stm32() -> None:
    """TIM4, which has B6 to B9; a second sensor is listened to by software."""
    both = probes(SMOKE, DUST)
    (fault,) = clock(STM, both + alarms(dimmer("a", "B8")))
    assert "TIMER" not in fault.message
    assert fault.numbers["shared"] == "TIM4"
    assert clock(STM, probes(SMOKE) + alarms(dimmer("a", "B8"))) == []
    assert clock(STM, both + alarms(dimmer("a"))) == []


# --- lines and vectors ---


@pytest.mark.parametrize(("board", "pins", "faults"), [
    (STM, ("A8", "B8"), 1), (STM, ("A8", "B9"), 0), (STM, ("A0", "B0"), 1),
    ("ra4m1-5v", ("3", "A4"), 1), ("ra4m1-5v", ("3", "2"), 0), (UNO, ("2", "3"), 0),
    (PICO, ("GP2", "GP18"), 0),
])  # fmt: skip
def test_pins_that_share_an_interrupt_line(board: str, pins: tuple[str, str], faults: int) -> None:
    """STM32: EXTI lines go by the number of the pin in its port; RA4M1: IRQ numbers of its pin table."""
    found = lines(board, probes(meter("cold", pins[0]), meter("warm", pins[1])))
    assert len(found) == faults
    for fault in found:
        assert fault.at.path == "probes.warm.wires.OUT"
        assert fault.numbers["taken_by"] == "cold OUT"
        assert pins[1] not in fault.fix.split()


@pytest.mark.parametrize(("pins", "faults"), [
    (("8", "9"), 1), (("A0", "A1"), 1), (("2", "7"), 1), (("8", "A0"), 0), (("A0", "2"), 0),
])  # fmt: skip
def test_a_pin_change_vector_serves_one(pins: tuple[str, str], faults: int) -> None:
    """ATmega328P: PCINT0 to 7 are port B, 8 to 14 port C, 16 to 23 port D."""
    assert len(lines(UNO, probes(knob("a", pins[0]), knob("b", pins[1])))) == faults


def test_software_serial_takes_every_vector() -> None:
    for pin in ("8", "A0", "2"):
        (fault,) = lines(UNO, probes(SMOKE.replace("}", ", wires: {TXD: 10}}"), knob("a", pin)))
        assert "for software serial on pin 10" in fault.message
    assert lines("atmega2560-5v", probes(SMOKE, knob("a", "10"))) == []  # a hardware port
    assert (
        len(
            lines(
                "atmega2560-5v", probes(SMOKE.replace("}", ", wires: {TXD: 10}}"), knob("a", "11"))
            )
        )
        == 1
    )


# --- seating ---


@pytest.mark.parametrize(("board", "most"), [("ra4m1-5v", 9), (STM, 16), (SAMD, 15), (UNO, 2)])
def test_as_many_meters_are_seated_as_there_are_lines(board: str, most: int) -> None:
    """IRQ 0 to 7 and 9; EXTI 0 to 15; EXTINT 0 to 15 but 13, which no header pin has; INT0 and INT1."""
    for more in (0, 1, 5):
        body = probes(*(meter(f"m{n}") for n in range(most + more)))
        circuit = seated(board, body)
        assert lines(board, body) == []
        assert len(circuit.unseated) == more


def test_what_is_told_of_meters_without_a_line() -> None:
    found = told("pin.none-left", "ra4m1-5v", probes(*(meter(f"m{n}") for n in range(11))))
    assert [fault.numbers["terminal"] for fault in found] == ["m9 OUT", "m10 OUT"]
    assert all("raise an interrupt" in fault.message for fault in found)
    assert all("fewer interrupt lines or timers than that" in fault.message for fault in found)


def test_dimmers_are_seated_where_their_frequencies_do_not_meet() -> None:
    """Three frequencies beside a sounder: timers 1 and 0 are left, and 0 keeps the clock's."""
    body = alarms(sounder("bell"), dimmer("a", hz=500), dimmer("b", hz=500))
    circuit = seated(UNO, body)
    assert clock(UNO, body) == []
    assert {w.label for w in circuit.signals() if w.use.name in ("a", "b")} == {"9", "10"}
    five = alarms(*(dimmer(f"d{n}", hz=400 + n) for n in range(5)))
    assert clock("atmega2560-5v", five) == []
    assert seated("atmega2560-5v", five).unseated == ()


def test_a_serial_part_takes_the_port_where_software_would_take_a_vector() -> None:
    body = probes(knob("a"), SMOKE)
    assert lines("atmega32u4-5v", body) == []
    assert [link.port for link in seated("atmega32u4-5v", body).serial_links] == ["Serial1"]


def test_a_sounder_takes_little_from_its_pin() -> None:
    circuit = seated(UNO, alarms(sounder("bell", "9")))
    (wire,) = circuit.signals()
    assert circuit.pin_ma(wire) == 1.9
    assert [c.extra.ohms for c in circuit.components] == [2700]


MIXES = list(itertools.product((0, 1, 3, 4), ((0, 0), (2, 0), (1, 1), (2, 1), (3, 0), (2, 2), (3, 2)), (0, 1), (0, 1)))  # fmt: skip


@pytest.mark.parametrize(("knobs", "dims", "bells", "dusts"), MIXES)
def test_what_fits_is_seated_without_a_clash(
    knobs: int, dims: tuple[int, int], bells: int, dusts: int
) -> None:
    """ATmega328P, counted by hand: three vectors, unless software serial has them; timer 1 with two
    pins, timer 2 with two unless a square wave has it, and timer 0 keeps the clock's frequency."""
    timers = 1 if bells else 2
    fits = knobs <= (0 if dusts else 3) and sum(-(-n // 2) for n in dims) <= timers
    body = probes(*(knob(f"k{n}") for n in range(knobs)), *[SMOKE] * dusts)
    body = "" if body == "probes:\n" else body
    lamps = [
        dimmer(f"d{hz}_{n}", hz=hz)
        for hz, count in zip((400, 900), dims, strict=True)
        for n in range(count)
    ]
    lamps += [sounder("bell")] * bells
    circuit = seated(UNO, body + (alarms(*lamps) if lamps else ""))
    checks = [
        rules.catalogue()[f"pin.{name}"].check for name in ("timer-clash", "change-vector-clash")
    ]
    clashes = [fault for check in checks if check is not None for fault in check(circuit)]
    assert (not clashes and not circuit.unseated) == fits
