"""The words of the design as frozen data.

Nothing here reads a file or decides anything.  Numbers carry their unit in
their name; exact quantities (thresholds, resolutions) are ``Fraction``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from fractions import Fraction
from typing import Any, Literal

from buildkit.records import dataclass, field

Severity = Literal["error", "warning", "note"]
Section = Literal["probes", "loads", "displays", "alarms", "hands", "between"]


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands: lines and columns count from 1."""

    file: str
    line: int = 1
    column: int = 1
    path: str = ""

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}"


@dataclass(frozen=True, slots=True)
class Fault:
    """Something found, before its rule's severity and source are added.

    ``numbers`` are the figures that decided it; ``fix`` says what to do.
    """

    at: Place
    message: str
    fix: str
    numbers: Mapping[str, Any] = field(default_factory=dict)
    rule: str = ""


@dataclass(frozen=True, slots=True)
class Finding:
    """One result of a rule, ready to be shown."""

    rule: str
    severity: Severity
    message: str
    fix: str
    at: Place
    numbers: Mapping[str, Any]
    source: str


class Refused(Exception):
    """A file that cannot be taken as it stands, with every reason found."""

    def __init__(self, faults: list[Fault]) -> None:
        super().__init__("; ".join(f"{fault.at}: {fault.message}" for fault in faults))
        self.faults = faults


# --- tables ------------------------------------------------------------------


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


# --- the build ---------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Draws:
    """What a load takes: volts, amps running, amps in the first moments."""

    volts: float
    amps: float
    kind: str
    inrush_amps: float | None
    at: Place


@dataclass(frozen=True, slots=True)
class Use:
    """A part as used in a build: its name there, and how it is wired."""

    name: str
    section: Section
    part: Part
    at: Place
    wires: Mapping[str, str]  # terminal: label, as the build gives them
    wire_at: Mapping[str, Place]
    figures: Mapping[str, Figure]  # the part's, with the builder's own laid over
    address: int | None = None
    places: Mapping[str, Place] = field(default_factory=dict)  # of its keys

    def figure(self, name: str) -> float:
        """The number called ``name``; KeyError when the part has none."""
        return self.figures[name].value

    def whose(self, name: str) -> str:
        """Words to put behind a figure that is the builder's own."""
        return " (your own figure)" if self.figures[name].own else ""

    def place(self, key: str) -> Place:
        """Where ``key`` stands under this use, or the use itself."""
        return self.places.get(key, self.at)


@dataclass(frozen=True, slots=True)
class Probe:
    """A part that measures, as used in a build."""

    use: Use
    quantity: Quantity
    unit: str
    every_s: float
    average: int

    @property
    def can_go_silent(self) -> bool:
        """Whether a broken wire of it shows, and does not look like a reading."""
        part = self.use.part
        told_apart = part.silence_figure and self.use.figure(part.silence_figure) > 0
        return not part.cannot_go_silent or bool(told_apart)


@dataclass(frozen=True, slots=True)
class Load:
    """What is switched, and the part that switches it."""

    use: Use
    draws: Draws | None
    cutout: str | None  # in the builder's words, or the title of the part
    cutout_part: Part | None = None
    switches: str = "live"  # live | neutral: the conductor that its switch sits in


@dataclass(frozen=True, slots=True)
class Display:
    """A part that shows: rows of text, or a lamp that follows a load."""

    use: Use
    rows: tuple[str, ...]
    row_at: tuple[Place, ...]
    follows: str | None


@dataclass(frozen=True, slots=True)
class Alarm:
    """A lamp or sounder for silence or a forced rest."""

    use: Use
    when: tuple[str, ...]  # no-reading | forced-rest


@dataclass(frozen=True, slots=True)
class Hand:
    """A button or a hand-off-auto switch by which a person commands a load.

    ``does`` is what a press does: rest, toggle or run-for; empty for a switch.
    """

    use: Use
    commands: str
    does: str
    for_s: float | None

    @property
    def selector(self) -> bool:
        """Whether it stands in a position, and is not pressed."""
        return self.use.part.hand == "selector"

    @property
    def runs(self) -> bool:
        """Whether it can run its load, and not only rest it."""
        return self.does != "rest"


@dataclass(frozen=True, slots=True)
class Between:
    """A part that sits in the wire of another part's terminal, as used in a build."""

    use: Use
    of: str  # name of the use whose wire it sits in
    terminal: str


@dataclass(frozen=True, slots=True)
class Control:
    """One rule of operation: which load, from which probe, when."""

    drive: str
    by: str
    start_at: Fraction
    stop_at: Fraction
    min_on_s: float
    min_off_s: float
    max_on_s: float | None
    run_on_s: float
    if_no_reading: str  # off | on
    no_reading_after_s: float
    stuck_after_s: float | None
    at: Place
    places: Mapping[str, Place]

    @property
    def rising(self) -> bool:
        """True when the load runs while the reading is high."""
        return self.start_at >= self.stop_at

    def place(self, key: str) -> Place:
        """Where ``key`` stands in this entry, or the entry itself."""
        return self.places.get(key, self.at)


@dataclass(frozen=True, slots=True)
class Mains:
    """The mains of the place: volts, hertz, and whose wiring rules apply."""

    volts: float
    hz: float
    region: str
    at: Place


@dataclass(frozen=True, slots=True)
class Supply:
    """What feeds the board, and what it can give.

    ``rail`` is the one that is fed in the end, through ``inlet`` where the
    supply comes in there; ``volts`` are those of the supply, where told.
    """

    rail: str
    max_ma: float
    at: Place
    places: Mapping[str, Place]
    volts: float | None = None
    inlet: Inlet | None = None

    @property
    def label(self) -> str:
        """Where it is wired: the inlet, or the rail."""
        return self.rail if self.inlet is None else self.inlet.name

    def place(self, key: str) -> Place:
        """Where ``key`` stands under the supply, or the supply itself."""
        return self.places.get(key, self.at)


@dataclass(frozen=True, slots=True)
class Cable:
    """The cable between the board and a part."""

    to: str
    length_m: float
    area_mm2: float
    said_as: str
    at: Place


@dataclass(frozen=True, slots=True)
class Build:
    """One appliance, as its YAML file describes it."""

    name: str
    about: str
    board: Board
    supply: Supply
    mains: Mains | None
    ambient_c: float
    probes: Mapping[str, Probe]
    loads: Mapping[str, Load]
    displays: Mapping[str, Display]
    alarms: Mapping[str, Alarm]
    control: tuple[Control, ...]
    cables: Mapping[str, Cable]
    at: Place
    places: Mapping[str, Place]
    between: Mapping[str, Between] = field(default_factory=dict)  # by USE.TERMINAL
    hands: Mapping[str, Hand] = field(default_factory=dict)

    def uses(self) -> tuple[Use, ...]:
        """Every part of the build, in the order of the file."""
        groups: tuple[Mapping[str, Probe | Load | Display | Alarm | Hand | Between], ...] = (
            self.probes,
            self.loads,
            self.displays,
            self.alarms,
            self.hands,
            self.between,
        )
        return tuple(item.use for group in groups for item in group.values())

    def unheard(self) -> tuple[str, ...]:
        """The probes that no control listens to; they are silent after five lost readings."""
        used = {entry.by for entry in self.control}
        return tuple(name for name in self.probes if name not in used)

    def hands_on(self, load: str) -> tuple[Hand, ...]:
        """The hand controls that command a load."""
        return tuple(hand for hand in self.hands.values() if hand.commands == load)

    def place(self, key: str) -> Place:
        """Where a top-level key stands, or the head of the file."""
        return self.places.get(key, self.at)
