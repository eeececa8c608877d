"""Build and tables to one picture: wires, nets, serial links, rails.

Everything after this module (rules, sketch, wiring list) reads the circuit
and never the document.  Pins for terminals that the build leaves open come in
from ``seating``; ``open_terminals`` says which those are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cached_property

from buildkit import between, driver, electrics, nets
from buildkit.between import Passage
from buildkit.driver import Driver
from buildkit.model import Board, Build, Extra, Load, Pin, Place, Rail, Terminal, Use
from buildkit.nets import End, Net, contacts, is_low_side
from buildkit.records import dataclass, field

__all__ = [
    "MAINS_FROM_V", "Circuit", "Component", "Driver", "End", "Net", "Passage", "Seat", "SerialLink", "Spot",
    "Wire", "connect", "contacts", "is_low_side", "names", "open_terminals", "own_ohms", "wanted",
]  # fmt: skip

MAINS_FROM_V = 50.0  # IEC 61140, limit of extra-low voltage for AC, V rms
NO_PULL_UP_OHMS = 1e6  # common practice, no source: a bus does not notice it

Spot = tuple[str, str]  # name of a use, name of its terminal


@dataclass(frozen=True, slots=True)
class Wire:
    """One terminal of a part on one labelled connection of the board.

    Exactly one of ``pin``, ``rail`` and ``ground`` says what it is there.
    ``chosen`` is build (written in the file) or seated (chosen by us).
    """

    use: Use
    terminal: Terminal
    label: str
    chosen: str
    at: Place
    pin: Pin | None = None
    rail: Rail | None = None
    ground: bool = False
    why: str = ""

    @property
    def spot(self) -> Spot:
        """Name of the use and of the terminal."""
        return self.use.name, self.terminal.name

    @property
    def name(self) -> str:
        """Use and terminal, as sentences name them: ``hood CTRL+``."""
        return f"{self.use.name} {self.terminal.name}"


@dataclass(frozen=True, slots=True)
class Seat:
    """A pin chosen for an open terminal, and the reason in one phrase."""

    label: str
    why: str


@dataclass(frozen=True, slots=True)
class SerialLink:
    """How a serial part reaches the board: a hardware port, or software serial on a pin."""

    use: Use
    port: str | None  # None: software serial
    rx: Pin | None
    tx: Pin | None


@dataclass(frozen=True, slots=True)
class Component:
    """A small component that the circuit adds, with its reference on the wiring list."""

    ref: str
    use: Use
    extra: Extra


@dataclass(frozen=True)
class Circuit:
    """The whole appliance as connections.  Made by ``connect``."""

    build: Build
    wires: tuple[Wire, ...]
    unseated: tuple[Spot, ...] = ()  # open terminals for which no pin was found
    unfed: tuple[Spot, ...] = ()  # supply terminals for which the board has no rail
    why_unseated: Mapping[Spot, str] = field(default_factory=dict)

    @property
    def board(self) -> Board:
        """The board of the build."""
        return self.build.board

    @property
    def io_rail(self) -> Rail:
        """The rail that the board's pins drive to."""
        return self.board.rails[self.board.io_rail]

    @cached_property
    def _by_spot(self) -> dict[Spot, Wire]:
        return {wire.spot: wire for wire in self.wires}

    def wire(self, use: Use, terminal: str) -> Wire | None:
        """The wire of a terminal, or None when it is not wired."""
        return self._by_spot.get((use.name, terminal))

    @cached_property
    def passages(self) -> dict[Spot, Passage]:
        """The parts that sit in wires, by the terminal whose wire it is."""
        uses = {use.name: use for use in self.build.uses()}
        return {
            (item.of, item.terminal): between.settle(
                self.board, item, uses[item.of], self.feed(uses[item.of])
            )
            for item in self.build.between.values()
        }

    def passage(self, wire: Wire) -> Passage | None:
        """What sits in a wire, or None."""
        return self.passages.get(wire.spot)

    def driver(self, use: Use) -> Driver | None:
        """The transistor stage of a bare coil with its values settled; None for other parts."""
        return driver.settle(self.board, use, self.feed(use))

    def peak_ma(self, use: Use) -> float:
        """Milliamps that a part takes from its rail at its peak; a bare coil by its ohms."""
        stage = self.driver(use)
        return use.figure("supply_peak_ma") if stage is None else stage.coil_ma

    def signals(self) -> tuple[Wire, ...]:
        """The wires that go to a pin."""
        return tuple(wire for wire in self.wires if wire.pin is not None)

    def by_pin(self) -> dict[str, list[Wire]]:
        """Wires by the printed label of their pin, in the order of the build."""
        pins: dict[str, list[Wire]] = {}
        for wire in self.signals():
            assert wire.pin is not None
            pins.setdefault(wire.pin.label, []).append(wire)
        return pins

    def uses_talking(self, language: str) -> tuple[Use, ...]:
        """The parts that talk ``i2c``, ``uart``, ``one-wire``, ``analog`` or ``digital``."""
        return tuple(use for use in self.build.uses() if use.part.talks == language)

    def feed(self, use: Use) -> Rail | None:
        """The rail that a part is fed from, or None when it takes no supply."""
        mine = (w for w in self.wires if w.use is use and w.terminal.kind == "supply")
        return next((w.rail for w in mine if w.rail is not None), None)

    @cached_property
    def serial_links(self) -> tuple[SerialLink, ...]:
        """Every serial part with the port or pins that it ended up on."""
        return tuple(self._link(use) for use in self.uses_talking("uart"))

    def _link(self, use: Use) -> SerialLink:
        ends = {w.terminal.needs: w.pin for w in self.signals() if w.use is use}
        rx, tx = ends.get("uart-rx"), ends.get("uart-tx")
        ports = [{role.split(".")[0] for role in pin.roles} for pin in (rx, tx) if pin is not None]
        wanted = [("rx", rx), ("tx", tx)]
        for port in sorted(set.intersection(*ports)) if ports else []:
            fits = all(pin is None or f"{port}.{line}" in pin.roles for line, pin in wanted)
            if fits and self.board.serial_ports.get(port) == "free":
                return SerialLink(use, port, rx, tx)
        return SerialLink(use, None, rx, tx)

    def bus_pull_ups(
        self, line: str = "sda", behind: Use | None = None
    ) -> tuple[tuple[Use, Rail, float], ...]:
        """The I2C pull-ups that parts carry: whose, to which rail, ohms.

        Those on the board's side of the bus, or on the far side of the level
        shifter that ``behind`` has in its ``line``.  A shifter brings one to
        each side.  0 ohms, or a megohm and more, is how a builder says that
        none are fitted.
        """
        found: list[tuple[Use, Rail, float]] = []
        for use in self.uses_talking("i2c"):
            passage = self.bus_passage(use, line)
            crossed = passage is not None and passage.kind == "shifter"
            near, feed = use is behind if crossed else behind is None, self.feed(use)
            if near and feed is not None and "module_pull_up_ohms" in use.figures:
                found.append((use, feed, use.figure("module_pull_up_ohms")))
            if crossed and passage is not None and (near or behind is None):
                rail = passage.part_rail if near else passage.board_rail
                assert rail is not None
                found.append((passage.use, rail, passage.pull_up_ohms))
        return tuple(entry for entry in found if 0 < entry[2] < NO_PULL_UP_OHMS)

    def bus_passage(self, use: Use, line: str) -> Passage | None:
        """What sits in a part's wire to an I2C line."""
        terminals = (t for t in use.part.terminals.values() if t.needs == f"i2c-{line}")
        return next((self.passages.get((use.name, t.name)) for t in terminals), None)

    def in_max_v(self, use: Use) -> float | None:
        """The most volts that a part's signal terminals may see, or None when its table is silent."""
        if "in_max_v" in use.figures:
            return use.figure("in_max_v")
        feed = self.feed(use)
        if "in_over_supply_v" in use.figures and feed is not None:
            return feed.volts + use.figure("in_over_supply_v")
        return None

    def pin_ma(self, wire: Wire) -> float:
        """Milliamps that a pin drives or sinks for a terminal, the part at work."""
        use, passage = wire.use, self.passage(wire)
        if wire.terminal.needs != "digital-out":
            return 0.0
        if passage is not None and passage.kind == "divider":
            return self.io_rail.volts / (passage.upper_ohms + passage.lower_ohms) * 1000
        if use.part.switching is not None:
            if wire.terminal.name != use.part.switching.input_terminal:
                return 0.0
            stage = self.driver(use)
            return use.figure("on_ma") if stage is None else stage.pin_ma
        if use.part.shows == "lamp":
            return electrics.series_current_ma(
                self.io_rail.volts, use.figure("forward_v"), use.figure("series_ohms")
            )
        return use.figure("on_ma") if "on_ma" in use.figures else 0.0

    def rail_draw_ma(self, rail: Rail) -> dict[str, float]:
        """Peak milliamps that each part takes from a rail, what it drives through pins included."""
        draw: dict[str, float] = {}
        for use in self.build.uses():
            if self.feed(use) is rail:
                draw[use.name] = self.peak_ma(use)
        if rail is self.io_rail:
            for wire in self.signals():
                active_low = wire.use.part.switching and wire.use.part.switching.active == "low"
                through_pin = 0.0 if active_low else self.pin_ma(wire)
                if through_pin:
                    draw[wire.use.name] = draw.get(wire.use.name, 0.0) + through_pin
        for other in self.board.rails.values():
            if other.fed_by == rail.name:
                taken = sum(self.rail_draw_ma(other).values())
                if taken:
                    draw[f"rail {other.name}"] = taken
        return draw

    def supply_range_v(self) -> tuple[float, float]:
        """The least and the most volts that the supply of the board may have where it is wired."""
        inlet, rail = self.build.supply.inlet, self.board.rails[self.build.supply.rail]
        return (rail.min_v, rail.max_v) if inlet is None else (inlet.min_v, inlet.max_v)

    def rail_gives_ma(self, rail: Rail) -> float:
        """Milliamps that parts may take from a rail, the supply and the board's own draw counted."""
        supply = self.build.supply
        if supply.rail != rail.name:
            return rail.gives_ma
        return min(rail.gives_ma, supply.max_ma - self.board.figure("board_ma"))

    def on_mains(self, load: Load) -> bool:
        """Whether a load's circuit carries hazardous voltage."""
        return load.draws is not None and load.draws.volts >= MAINS_FROM_V

    @cached_property
    def components(self) -> tuple[Component, ...]:
        """The small parts that parts need beside them: R1, R2, …; D1, …; Q1, …"""
        passages = {passage.use.name: passage for passage in self.passages.values()}
        count: dict[str, int] = {}
        found: list[Component] = []
        for use in self.build.uses():
            passage, stage = passages.get(use.name), self.driver(use)
            for extra in use.part.extras:
                if not self._fitted(use, extra):
                    continue
                settled = own_ohms(use, extra)
                if passage is not None:
                    settled = passage.settled(extra)
                elif stage is not None and extra.ohms_from == "base_ohms":
                    settled = replace(extra, ohms=stage.base_ohms)
                letter = _LETTERS[extra.kind]
                count[letter] = count.get(letter, 0) + 1
                found.append(Component(f"{letter}{count[letter]}", use, settled))
        return tuple(found)

    def _fitted(self, use: Use, extra: Extra) -> bool:
        """Whether the kind of load asks for a small part."""
        load = self.build.loads.get(use.name)
        draws = load.draws if load is not None else None
        return not extra.kinds or (draws is not None and draws.kind in extra.kinds)

    @cached_property
    def nets(self) -> tuple[Net, ...]:
        """Every net once: ground, supplies, signals, then loads and mains."""
        return (*nets.low_nets(self), *nets.load_nets(self))


_LETTERS = {"resistor": "R", "diode": "D", "transistor": "Q"}


def own_ohms(use: Use, extra: Extra) -> Extra:
    """The extra with the builder's own resistance laid over its table's."""
    if not extra.ohms_from:
        return extra
    return replace(extra, ohms=use.figure(extra.ohms_from))


def wanted(use: Use) -> tuple[Terminal, ...]:
    """The terminals of a part that this build wires."""
    return tuple(
        t
        for t in use.part.terminals.values()
        if t.kind not in ("contact", "through", "inner")
        and (not t.leave_open or t.name in use.wires)
    )


def open_terminals(build: Build) -> tuple[tuple[Use, Terminal], ...]:
    """Signal terminals that the build gives no pin."""
    return tuple(
        (use, terminal)
        for use in build.uses()
        for terminal in wanted(use)
        if terminal.kind == "signal" and terminal.name not in use.wires
    )


def connect(
    build: Build, seats: Mapping[Spot, Seat], why_unseated: Mapping[Spot, str] | None = None
) -> Circuit:
    """The circuit of a build, with ``seats`` for its open terminals."""
    wires: list[Wire] = []
    unseated: list[Spot] = []
    unfed: list[Spot] = []
    for use in build.uses():
        if use.section == "between":
            continue
        for terminal in wanted(use):
            wire = _wire(build.board, use, terminal, seats)
            if wire is not None:
                wires.append(wire)
            else:
                missing = unfed if terminal.kind == "supply" else unseated
                missing.append((use.name, terminal.name))
    if build.between:
        passages = Circuit(build, tuple(wires)).passages
        wires += [w for passage in passages.values() for w in _in_wire(build.board, passage)]
    return Circuit(build, tuple(wires), tuple(unseated), tuple(unfed), why_unseated or {})


def _wire(board: Board, use: Use, terminal: Terminal, seats: Mapping[Spot, Seat]) -> Wire | None:
    given = use.wires.get(terminal.name)
    at = use.wire_at.get(terminal.name, use.at)
    chosen, why = "build", ""
    if given is None:
        chosen = "seated"
        if terminal.kind == "ground":
            given, why = board.ground_labels[0], "ground"
        elif terminal.kind == "supply":
            rail = _rail_for(board, use)
            given = rail.labels[0] if rail else None
            why = "the rail nearest to the level of the pins within its supply range"
        else:
            seat = seats.get((use.name, terminal.name))
            given, why = (seat.label, seat.why) if seat else (None, "")
    if given is None:
        return None
    return Wire(
        use,
        terminal,
        given,
        chosen,
        at,
        pin=board.pin(given),
        rail=board.rail_at(given) if board.pin(given) is None else None,
        ground=given in board.ground_labels,
        why=why,
    )


def _in_wire(board: Board, passage: Passage) -> Iterable[Wire]:
    """Supply and ground of a part that sits in a wire."""
    use = passage.use
    for terminal in wanted(use):
        if terminal.kind == "ground":
            label, rail, why = board.ground_labels[0], None, "ground"
        else:
            rail = passage.rail_at(terminal)
            if rail is None or not rail.labels:
                continue
            label, why = rail.labels[0], f"the rail of the {terminal.side}er level"
        yield Wire(use, terminal, label, "seated", use.at, rail=rail, ground=rail is None, why=why)


def _rail_for(board: Board, use: Use) -> Rail | None:
    """The rail within the part's supply range that is nearest to the pins' level."""
    low, high = use.figure("supply_min_v"), use.figure("supply_max_v")
    io_v = board.rails[board.io_rail].volts
    fitting = [rail for rail in board.rails.values() if low <= rail.volts <= high and rail.labels]
    return min(fitting, key=lambda rail: (abs(rail.volts - io_v), rail.name), default=None)


def names(spots: Iterable[Spot]) -> str:
    """Spots as readable text: ``smoke TXD, hood CTRL+``."""
    return ", ".join(f"{use} {terminal}" for use, terminal in spots)
