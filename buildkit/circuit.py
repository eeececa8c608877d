"""Build and tables to one picture: wires, nets, serial links, rails.

Everything after this module (rules, sketch, wiring list) reads the circuit
and never the document.  Pins for terminals that the build leaves open come in
from ``seating``; ``open_terminals`` says which those are.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from buildkit import electrics
from buildkit.model import Board, Build, Extra, Load, Pin, Place, Rail, Terminal, Use

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


@dataclass(frozen=True, slots=True)
class End:
    """One end in a net: whose connection, and its label."""

    owner: str  # "board", a use, a component reference, or a mains item
    label: str


@dataclass(frozen=True, slots=True)
class Net:
    """Everything joined by one wire or splice.

    ``kind`` is ground, supply, signal, load (extra-low voltage, switched) or
    mains; ``volts`` is what a meter may find against its return.
    """

    name: str
    kind: str
    volts: float
    ends: tuple[End, ...]


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

    def bus_pull_ups(self) -> tuple[tuple[Use, Rail, float], ...]:
        """The I2C pull-ups that parts carry: whose, to which rail, ohms.

        0 ohms, or a megohm and more, is how a builder says that none are fitted.
        """
        return tuple(
            (use, feed, use.figure("module_pull_up_ohms"))
            for use in self.uses_talking("i2c")
            if (feed := self.feed(use)) is not None
            and "module_pull_up_ohms" in use.figures
            and 0 < use.figure("module_pull_up_ohms") < NO_PULL_UP_OHMS
        )

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
        use = wire.use
        if wire.terminal.needs != "digital-out":
            return 0.0
        if use.part.switching is not None:
            is_input = wire.terminal.name == use.part.switching.input_terminal
            return use.figure("on_ma") if is_input else 0.0
        if use.part.shows == "lamp":
            return electrics.series_current_ma(
                self.io_rail.volts, use.figure("forward_v"), use.figure("series_ohms")
            )
        return 0.0

    def rail_draw_ma(self, rail: Rail) -> dict[str, float]:
        """Peak milliamps that each part takes from a rail, what it drives through pins included."""
        draw: dict[str, float] = {}
        for use in self.build.uses():
            if self.feed(use) is rail:
                draw[use.name] = use.figures["supply_peak_ma"].value
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
        """The resistors that parts need beside them, numbered R1, R2, …"""
        found: list[Component] = []
        for use in self.build.uses():
            for extra in use.part.extras:
                found.append(Component(f"R{len(found) + 1}", use, own_ohms(use, extra)))
        return tuple(found)

    @cached_property
    def nets(self) -> tuple[Net, ...]:
        """Every net once: ground, supplies, signals, then loads and mains."""
        return (*_low_nets(self), *_load_nets(self))


def own_ohms(use: Use, extra: Extra) -> Extra:
    """The extra with the builder's own resistance laid over its table's."""
    for name, figure in use.part.figures.items():
        own = use.figures[name]
        if own.own and name.endswith("_ohms") and extra.ohms == figure.value:
            return Extra(extra.name, extra.between, own.value, extra.why, extra.series)
    return extra


def wanted(use: Use) -> tuple[Terminal, ...]:
    """The terminals of a part that this build wires."""
    return tuple(
        t
        for t in use.part.terminals.values()
        if t.kind != "contact" and (not t.leave_open or t.name in use.wires)
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
        for terminal in wanted(use):
            wire = _wire(build.board, use, terminal, seats)
            if wire is not None:
                wires.append(wire)
            else:
                missing = unfed if terminal.kind == "supply" else unseated
                missing.append((use.name, terminal.name))
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


def _rail_for(board: Board, use: Use) -> Rail | None:
    """The rail within the part's supply range that is nearest to the pins' level."""
    low, high = use.figure("supply_min_v"), use.figure("supply_max_v")
    io_v = board.rails[board.io_rail].volts
    fitting = [rail for rail in board.rails.values() if low <= rail.volts <= high and rail.labels]
    return min(fitting, key=lambda rail: (abs(rail.volts - io_v), rail.name), default=None)


def _low_nets(circuit: Circuit) -> list[Net]:
    ends: dict[tuple[int, str], list[End]] = {}
    net_of: dict[Spot, tuple[int, str]] = {}
    for wire in circuit.wires:
        key = _net_key(wire)
        board_end = End("board", wire.label)
        if board_end not in ends.setdefault(key, []):
            ends[key].append(board_end)
        ends[key].append(End(*wire.spot))
        net_of[wire.spot] = key
    for component in circuit.components:
        _add_component(component, ends, net_of)
    return [
        Net(name, _LOW_KINDS[rank], _net_volts(circuit, name, rank), tuple(ends[rank, name]))
        for rank, name in sorted(ends, key=lambda key: key[0])
    ]


_LOW_KINDS = {0: "ground", 1: "supply", 2: "signal"}


def _net_key(wire: Wire) -> tuple[int, str]:
    if wire.ground:
        return 0, "GND"
    if wire.rail is not None:
        return 1, wire.rail.name
    assert wire.pin is not None
    if wire.terminal.needs in ("i2c-sda", "i2c-scl"):
        return 2, wire.terminal.needs[4:].upper()
    return 2, f"pin {wire.pin.label}"


def _net_volts(circuit: Circuit, name: str, rank: int) -> float:
    if rank == 0:
        return 0.0
    if rank == 1:
        return circuit.board.rails[name].volts
    return circuit.io_rail.volts


def _add_component(
    component: Component,
    ends: dict[tuple[int, str], list[End]],
    net_of: dict[Spot, tuple[int, str]],
) -> None:
    name = component.use.name
    first, second = component.extra.between
    if (name, first) not in net_of:
        return
    near = net_of[name, first]
    if component.extra.series:
        # The wire is cut: board to resistor on one net, resistor to part on the next.
        ends[near].remove(End(name, first))
        ends[near].append(End(component.ref, "1"))
        ends[near[0], f"{component.ref} to {name} {first}"] = [
            End(component.ref, "2"),
            End(name, first),
        ]
    elif (name, second) in net_of:
        ends[near].append(End(component.ref, "1"))
        ends[net_of[name, second]].append(End(component.ref, "2"))


def _load_nets(circuit: Circuit) -> list[Net]:
    """The switched side: one feed, one return and one switched wire a load.

    Mains loads share live, neutral and earth; a load on extra-low voltage has
    a supply of its own.
    """
    nets: list[Net] = []
    live, neutral, earth = [End("supply", "L"), End("fuse", "1")], [End("supply", "N")], []
    fused: list[End] = [End("fuse", "2")]
    on_mains = False
    for load in circuit.build.loads.values():
        feed, out = contacts(load.use)
        if load.draws is None or feed is None or out is None:
            continue
        name, volts = load.use.name, load.draws.volts
        body = f"{name} load"
        run = [End(name, out)]
        if load.cutout:
            # The cut-out sits in the switched wire, so that it works whatever the relay does.
            nets_through = [End(f"{name} cut-out", "1")]
            tail = [End(f"{name} cut-out", "2"), End(body, "L" if circuit.on_mains(load) else "+")]
        else:
            nets_through, tail = [End(body, "L" if circuit.on_mains(load) else "+")], []
        kind = "mains" if circuit.on_mains(load) else "load"
        nets.append(Net(f"{name} switched", kind, volts, (*run, *nets_through)))
        if tail:
            nets.append(Net(f"{name} behind cut-out", kind, volts, tuple(tail)))
        if circuit.on_mains(load):
            on_mains = True
            fused.append(End(name, feed))
            neutral.append(End(body, "N"))
            earth.append(End(body, "PE"))
        else:
            source = f"{name} supply"
            nets.append(
                Net(f"{name} fused", kind, volts, (End(f"{name} fuse", "2"), End(name, feed)))
            )
            nets.append(
                Net(f"{name} feed", kind, volts, (End(source, "+"), End(f"{name} fuse", "1")))
            )
            nets.append(Net(f"{name} return", kind, volts, (End(source, "-"), End(body, "-"))))
    if on_mains:
        volts = _mains_volts(circuit.build)
        nets.append(Net("live", "mains", volts, tuple(live)))
        nets.append(Net("fused live", "mains", volts, tuple(fused)))
        nets.append(Net("neutral", "mains", volts, tuple(neutral)))
        nets.append(
            Net("earth", "mains", 0.0, (End("supply", "PE"), End("metal parts", "PE"), *earth))
        )
    return nets


def _mains_volts(build: Build) -> float:
    if build.mains is not None:
        return build.mains.volts
    return max(load.draws.volts for load in build.loads.values() if load.draws is not None)


def contacts(use: Use) -> tuple[str | None, str | None]:
    """The feed and load contacts of a switching part, by terminal name."""
    by_kind = {t.contact: t.name for t in use.part.terminals.values() if t.contact}
    return by_kind.get("feed"), by_kind.get("load")


def names(spots: Iterable[Spot]) -> str:
    """Spots as readable text: ``smoke TXD, hood CTRL+``."""
    return ", ".join(f"{use} {terminal}" for use, terminal in spots)
