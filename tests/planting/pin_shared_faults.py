"""Faults of what lies behind several pins: timers, interrupt lines, pin-change vectors."""

from __future__ import annotations

import random
from itertools import combinations

from buildkit.model import Pin
from tests.planting import entries as e
from tests.planting.beds import EXTRA, Bed, add, name_like
from tests.planting.garden import Plant, at, plants

# Cores whose tone() sounds one pin at a time, by their sources; RP2040 has a state machine for each.
ONE_TONE = frozenset(e.BOARDS - {"rp2040-stick", "esp8266-12e-dev"})
# Pins of one timer, after the chips' pin tables; the first pair of each is the timer of millis().
TIMERS = {
    "atmega328p-5v": (("5", "6"), ("9", "10"), ("3", "11")),
    "atmega328p-5v-stick": (("D5", "D6"), ("D9", "D10"), ("D3", "D11")),
    "atmega328p-3v3-stick": (("5", "6"), ("9", "10"), ("3", "11")),
    "atmega32u4-5v": (("3", "11"), ("9", "10")),
    "atmega32u4-5v-stick": (("3", "11"), ("9", "10")),
    "atmega2560-5v": (("4", "13"), ("11", "12"), ("9", "10"), ("2", "3"), ("6", "7"), ("44", "45")),
    "stm32f103-stick": ((), ("B6", "B8"), ("A0", "A3"), ("A8", "A10")),
    "rp2040-stick": ((), ("GP2", "GP19"), ("GP6", "GP7"), ("GP10", "GP27")),
}
TONE_PINS = {"atmega328p-5v": ("3", "11"), "atmega328p-3v3-stick": ("3", "11"),
             "atmega2560-5v": ("9", "10"), "atmega32u4-5v": ("5",)}  # fmt: skip


def _sounder(bed: Bed, dice: random.Random, pins: list[Pin]) -> dict[str, object]:
    entry: dict[str, object] = {"part": "sounder-piezo", "when": ["no-reading"]}
    if bed.form == "pinned":
        entry["wires"] = {"+": pins.pop(dice.randrange(len(pins))).label}
    return entry


def _dimmer(label: str, hz: float) -> dict[str, object]:
    return {"part": "invented-dimmer", "when": ["no-reading"], "wires": {"A": label},
            "own_figures": {"pwm_hz": hz}}  # fmt: skip


def _drives(pin: Pin) -> bool:
    return "digital-out" in pin.can


def _free(bed: Bed, labels: tuple[str, ...]) -> list[str]:
    """Those of the labels, by the board's own, that are there and free."""
    found = [bed.board.pin(label) for label in labels]
    return [pin.label for pin in found if pin is not None and pin.label not in bed.taken()]


@plants("pin.timer-clash")
def two_sounders_at_once(bed: Bed, dice: random.Random) -> Plant | None:
    pins = bed.free(_drives)
    if bed.board.id not in ONE_TONE or len(pins) < 2:
        return None
    tree = bed.copy()
    add(tree, "alarms", "ring", _sounder(bed, dice, pins))
    path = add(tree, "alarms", "ding", _sounder(bed, dice, pins))
    return at(tree, f"{path}.wires.+" if bed.form == "pinned" else path)


@plants("pin.timer-clash")
def a_sounder_on_the_timer_of_the_watchdog(bed: Bed, dice: random.Random) -> Plant | None:
    """The ESP8266 makes square waves by its timer 1, which the sketch's watchdog has."""
    pins = [p for p in bed.board.pins.values() if not p.hazards and p.label not in bed.taken()]
    if bed.board.id != "esp8266-12e-dev" or not pins:
        return None
    tree = bed.copy()
    path = add(tree, "alarms", "ring", _sounder(bed, dice, pins))
    return at(tree, f"{path}.wires.+" if bed.form == "pinned" else path)


@plants("pin.timer-clash")
def two_frequencies_on_one_timer(bed: Bed, dice: random.Random) -> Plant | None:
    pairs = [_free(bed, pair) for pair in TIMERS.get(bed.board.id, ())[1:]]
    pairs = [pair for pair in pairs if len(pair) == 2]
    if not pairs:
        return None
    first, second = dice.sample(dice.choice(pairs), 2)
    tree, hz = bed.copy(), dice.sample((100, 490, 1000, 2500), 2)
    add(tree, "alarms", "dim", _dimmer(first, hz[0]))
    path = add(tree, "alarms", "dim", _dimmer(second, hz[1]))
    return at(tree, f"{path}.wires.A", extra=EXTRA)


@plants("pin.timer-clash")
def a_frequency_of_its_own_on_the_clock_s_timer(bed: Bed, dice: random.Random) -> Plant | None:
    labels = _free(bed, (TIMERS.get(bed.board.id, ()) or ((),))[0])
    if not labels:
        return None
    tree = bed.copy()
    path = add(tree, "alarms", "dim", _dimmer(dice.choice(labels), dice.choice((100, 2000))))
    return at(tree, f"{path}.wires.A", extra=EXTRA)


@plants("pin.timer-clash")
def a_dimmer_on_the_sounder_s_timer(bed: Bed, dice: random.Random) -> Plant | None:
    labels, pins = _free(bed, TONE_PINS.get(bed.board.id, ())), bed.free(_drives)
    pins = [pin for pin in pins if pin.label not in labels]
    if not labels or not pins or name_like(bed.tree, "ring") != "ring":
        return None
    tree = bed.copy()
    add(tree, "alarms", "ring", {**_sounder(bed, dice, pins)})
    path = add(tree, "alarms", "dim", _dimmer(dice.choice(labels), 500))
    return at(tree, f"{path}.wires.A", extra=EXTRA)


def _meter(label: str) -> dict[str, object]:
    return {"part": "pulse-flow", "value": "flow", "every_s": 5, "wires": {"OUT": label}}


def _knob(label: str) -> dict[str, object]:
    return {"part": "invented-knob", "value": "turns", "every_s": 1, "wires": {"A": label}}


@plants("pin.change-vector-clash")
def two_meters_on_one_line(bed: Bed, dice: random.Random) -> Plant | None:
    pins = bed.free(lambda pin: pin.interrupt is not None)
    pairs = [pair for pair in combinations(pins, 2) if pair[0].interrupt == pair[1].interrupt]
    if not pairs:
        return None
    first, second = dice.sample(dice.choice(pairs), 2)
    tree = bed.copy()
    add(tree, "probes", "inlet", _meter(first.label))
    return at(tree, f"{add(tree, 'probes', 'outlet', _meter(second.label))}.wires.OUT")


@plants("pin.change-vector-clash")
def two_knobs_on_one_port(bed: Bed, dice: random.Random) -> Plant | None:
    """ATmega328P: each port has one vector."""
    pins = bed.free(lambda pin: pin.pin_change is not None)
    pairs = [pair for pair in combinations(pins, 2) if pair[0].port[:2] == pair[1].port[:2]]
    soft = [link for link in bed.circuit.serial_links if link.port is None]
    if not pairs or soft or not bed.board.id.startswith("atmega328p"):
        return None
    first, second = dice.sample(dice.choice(pairs), 2)
    tree = bed.copy()
    add(tree, "probes", "knob", _knob(first.label))
    return at(tree, f"{add(tree, 'probes', 'knob', _knob(second.label))}.wires.A", extra=EXTRA)


@plants("pin.change-vector-clash")
def a_knob_beside_software_serial(bed: Bed, dice: random.Random) -> Plant | None:
    """The core's class has the vectors of all ports."""
    soft = [link for link in bed.circuit.serial_links if link.port is None]
    pins = bed.free(lambda pin: pin.pin_change is not None)
    if not soft or not pins:
        return None
    tree = bed.copy()
    path = add(tree, "probes", "knob", _knob(dice.choice(pins).label))
    return at(tree, f"{path}.wires.A", extra=EXTRA)
