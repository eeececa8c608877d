"""Boards and parts as their tables have them, frozen; ``model`` hands them on."""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction

from buildkit.records import dataclass, field


@dataclass(frozen=True, slots=True)
class Figure:
    """A number of a table, with the document and section that it was read in."""

    value: float
    source: str
    own: bool = False  # the builder's own, through own_figures


@dataclass(frozen=True, slots=True)
class Hazard:
    """What can go wrong on a pin although it is free.

    ``kind`` is one of upload-serial, strap, moves-at-reset, flash-bus,
    on-board-circuit; ``needs`` is the level a strap pin must see at reset.
    """

    kind: str
    why: str
    needs: str | None = None


@dataclass(frozen=True, slots=True)
class Pin:
    """A labelled connection of a board, as printed on it."""

    label: str
    port: str
    number: int
    code: str  # how the sketch writes it
    can: frozenset[str]  # digital-in, digital-out, pull-up, one-wire
    aliases: tuple[str, ...] = ()
    roles: tuple[str, ...] = ()  # Serial.rx, Wire.sda, SPI.mosi, ...
    adc: int | None = None
    pwm: str | None = None  # the timer channel behind it
    interrupt: int | None = None
    pin_change: int | None = None
    soft_rx: bool = False  # the core's software serial can receive here
    max_v: float | None = None  # where it differs from the board's pin_max_v
    at_reset: str | None = None  # what holds it during reset: up | down | None for floating
    adc_limit: str | None = None  # when its analog channel cannot be used, in a sentence
    hazards: tuple[Hazard, ...] = ()

    @property
    def timer(self) -> str | None:
        """The timer behind its PWM: TIMER2 of TIMER2B, TIM4 of TIM4_CH1, PWM1 of PWM1 A."""
        found = re.match(r"TIMER\d+|[^ _]+", self.pwm or "")
        return found[0] if found is not None else None

    @property
    def change_group(self) -> int | None:
        """The pin-change vector that its input shares with seven others (AVR data sheets)."""
        return None if self.pin_change is None else self.pin_change // 8

    def hazard(self, kind: str) -> Hazard | None:
        """The hazard of that kind, or None."""
        return next((hazard for hazard in self.hazards if hazard.kind == kind), None)


@dataclass(frozen=True, slots=True)
class Regulator:
    """A linear regulator: kelvins for each watt of its heat, and the hottest that its chip may be."""

    k_per_w: float
    junction_max_c: float
    source: str


@dataclass(frozen=True, slots=True)
class Inlet:
    """A connection of the board for a supply whose volts a regulator brings down to a rail.

    ``regulator`` is None for one that switches, whose heat is small.
    """

    name: str
    feeds: str
    min_v: float
    max_v: float
    source: str
    regulator: Regulator | None = None


@dataclass(frozen=True, slots=True)
class Rail:
    """A supply of the board: what it is, and what it can give to parts."""

    name: str
    volts: float
    min_v: float
    max_v: float
    gives_ma: float
    labels: tuple[str, ...]  # header labels on this rail
    source: str
    fed_by: str | None = None  # the rail whose current this one also draws on
    regulator: Regulator | None = None  # what makes it from that rail, where it is a linear one
    usb: str | None = None  # joined | diode: how the USB socket's 5 V come to this rail


@dataclass(frozen=True, slots=True)
class PinGroup:
    """Pins whose currents the chip adds up against one limit."""

    name: str
    pins: tuple[str, ...]  # port names
    max_ma: float
    direction: str  # source | sink | both
    source: str


@dataclass(frozen=True, slots=True)
class Taking:
    """What a service of the core (its clock, tone(), software serial) takes of the chip.

    ``at_once`` is how many of it can run together, 0 for as many as there are
    pins; ``frequencies``, of PWM, is how many there can be on any pins.
    """

    timers: tuple[str, ...]
    source: str
    at_once: int = 0
    frequencies: int = 0
    pin_change: bool = False  # all pin-change vectors
    bears_pwm: bool = False  # PWM at the core's own frequency goes on beside it


@dataclass(frozen=True, slots=True)
class Core:
    """What the toolchain must be told about a board."""

    family: str  # which core template the sketch is written with
    identifier: str
    unused_tx: str | None  # a pin code that software serial may be given as its unused sender
    mcu: str = ""
    variant: str = ""
    defines: tuple[str, ...] = ()
    package: str = ""
    takes: Mapping[str, Taking] = field(default_factory=dict)  # by service


@dataclass(frozen=True, slots=True)
class Bootloader:
    """What runs before the sketch, and whether a watchdog reset gets past it."""

    name: str
    survives_watchdog: bool
    source: str


@dataclass(frozen=True, slots=True)
class Header:
    """One row of connections along the board, in its true order."""

    name: str
    labels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Board:
    """A microcontroller board, one file in boards/."""

    id: str
    title: str
    chip: str
    core: Core
    bootloader: Bootloader
    figures: Mapping[str, Figure]
    rails: Mapping[str, Rail]
    io_rail: str
    ground_labels: tuple[str, ...]
    other_labels: Mapping[str, str]  # header labels that are neither pin, rail nor ground
    log_port: str
    serial_ports: Mapping[str, str]  # port name: upload | usb | free
    groups: tuple[PinGroup, ...]
    pins: Mapping[str, Pin]
    headers: tuple[Header, ...]
    sources: Mapping[str, str]
    inlets: Mapping[str, Inlet] = field(default_factory=dict)

    def figure(self, name: str) -> float:
        """The number called ``name``; KeyError when the table has none."""
        return self.figures[name].value

    def pin(self, label: str) -> Pin | None:
        """The pin printed ``label`` or known by that other name."""
        found = self.pins.get(label)
        if found is None:
            found = next((pin for pin in self.pins.values() if label in pin.aliases), None)
        return found

    def pin_max_v(self, pin: Pin | None) -> float:
        """The most volts that a pin may see: its own limit, or that of all pins."""
        own = pin.max_v if pin is not None else None
        return self.figure("pin_max_v") if own is None else own

    def role_pin(self, role: str) -> Pin | None:
        """The pin that serves ``role``, such as ``Wire.sda``."""
        return next((pin for pin in self.pins.values() if role in pin.roles), None)

    def rail_at(self, label: str) -> Rail | None:
        """The rail that a header label belongs to."""
        return next((rail for rail in self.rails.values() if label in rail.labels), None)


@dataclass(frozen=True, slots=True)
class Quantity:
    """What a probe can measure, in whole steps of ``resolution``."""

    name: str
    about: str
    unit: str
    low: Fraction
    high: Fraction
    resolution: Fraction
    noise: Fraction
    decimals: int  # digits after the point when shown
    source: str


@dataclass(frozen=True, slots=True)
class Terminal:
    """A labelled connection of a part.

    ``kind`` is supply, ground, signal, contact, through or inner.  ``needs`` is
    the ability the board's pin must have; ``flow`` is seen from the part: in,
    out, both.  A part that sits in a wire has two ``through`` terminals, and
    supply terminals that belong to one of their sides.  An ``inner`` terminal
    goes to the part's own extras only, and a ``joint`` is no connection of the
    part at all but a place where its extras meet.
    """

    name: str
    kind: str
    about: str
    needs: str | None = None
    flow: str | None = None
    leave_open: bool = False  # not wired unless the build wires it
    contact: str | None = None  # feed | load
    side: str | None = None  # of a part in a wire: in | out of a divider, high | low of a shifter
    joint: bool = False  # nothing of the part itself: its extras stand there
    wave: str | None = None  # tone | servo: what the core must generate on its pin


@dataclass(frozen=True, slots=True)
class Extra:
    """A small component that a part needs beside it, with the value it must have."""

    name: str
    between: tuple[str, str]  # terminals of the part
    ohms: float | None
    why: str
    series: bool = False  # sits in the wire of the first terminal, not across two
    ohms_from: str = ""  # the figure that holds its ohms
    kind: str = "resistor"  # resistor | diode | transistor
    leads: Mapping[str, str] = field(default_factory=dict)  # lead: terminal, where leads differ
    kinds: frozenset[str] = frozenset()  # only for loads of these kinds; empty for all


@dataclass(frozen=True, slots=True)
class Switching:
    """How a part switches a load, and what holds it at rest without the board."""

    switches: str  # ac | dc | both
    contact: str  # semiconductor | metal
    active: str  # high | low: the level that runs the load
    input_terminal: str
    rest_by: str | None  # resistor | property | None when nothing does
    rest_why: str
    kinds: frozenset[str]  # the kinds of load that it may switch
    low_side: bool = False  # sits between the load and the minus of the load's supply


@dataclass(frozen=True, slots=True)
class Part:
    """Anything wired to the board, one folder in templates/parts/."""

    id: str
    title: str
    about: str
    roles: frozenset[str]  # sections of the build file that it may stand in
    talks: str  # uart | i2c | one-wire | analog | digital
    terminals: Mapping[str, Terminal]
    figures: Mapping[str, Figure]
    quantities: Mapping[str, Quantity]
    addresses: tuple[int, ...]
    default_address: int | None
    switching: Switching | None
    extras: tuple[Extra, ...]
    shows: str  # text | lamp | ""
    between: str  # divider | shifter | "": what it is when it sits in a wire
    hand: str  # button | selector | "": how a person commands a load with it
    font: Mapping[str, int]  # characters beyond plain ASCII, and the display's code for each
    font_missing: frozenset[str]  # ASCII characters that the display lacks
    cautions: tuple[str, ...]
    sources: Mapping[str, str]
    folder: str
    cannot_go_silent: str = ""  # what a broken wire looks like, when it looks like a reading
    silence_figure: str = ""  # the figure that, above zero, tells the two apart

    def signals(self) -> tuple[Terminal, ...]:
        """The terminals that go to a pin of the board."""
        return tuple(t for t in self.terminals.values() if t.kind == "signal")
