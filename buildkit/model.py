"""The words of the design as frozen data.

Nothing here reads a file or decides anything.  Numbers carry their unit in
their name; exact quantities (thresholds, resolutions) are ``Fraction``.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Any, Literal

from buildkit.hardware import (
    Board,
    Bootloader,
    Core,
    Extra,
    Figure,
    Hazard,
    Header,
    Inlet,
    Part,
    Pin,
    PinGroup,
    Quantity,
    Rail,
    Regulator,
    Switching,
    Taking,
    Terminal,
)
from buildkit.records import dataclass, field

__all__ = [
    "Alarm",
    "Between",
    "Board",
    "Bootloader",
    "Build",
    "Cable",
    "Control",
    "Core",
    "Display",
    "Draws",
    "Extra",
    "Fault",
    "Figure",
    "Finding",
    "Hand",
    "Hazard",
    "Header",
    "Inlet",
    "Load",
    "Mains",
    "Part",
    "Pin",
    "PinGroup",
    "Place",
    "Probe",
    "Quantity",
    "Rail",
    "Refused",
    "Regulator",
    "Section",
    "Severity",
    "Supply",
    "Switching",
    "Taking",
    "Terminal",
    "Use",
]

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
