"""What each open terminal asks of a pin, and what each pin would cost it.

A *want* is one open terminal with the pins that it may have.  Every such pin
carries a harm: 0 for a harmless pin, small numbers for a hazard that the
terminal can live with, ``FLAW`` where a rule would call it an error and yet no
pin of the board may be better.  A pin that would never do is no offer at all.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

from buildkit import claims, electrics
from buildkit.circuit import Circuit, Spot, Wire, connect, open_terminals, wanted
from buildkit.claims import Claim
from buildkit.model import Board, Build, Pin, Terminal, Use
from buildkit.records import dataclass, field

FLAW = 100  # an error finding; outweighs every hazard together
_HARM = {"on-board-circuit": 2, "moves-at-reset": 2, "strap": 3}
_ADC_LIMIT_HARM = 4
_CLAIMING = frozenset({"interrupt", "pin-change", "pwm"})  # needs that take more than a pin
_SHARED_STRAP_HARM = 50  # a load on a strap pin of no known level: only when nothing else is left
_NEVER = frozenset({"upload-serial", "flash-bus"})
_BAUD_LIMIT = 0.02  # ATmega328P data sheet Table 19-2, as in rule bus.baud-error
_SOFT_LATE_CYCLES = 100.0  # as in rule bus.soft-serial-too-fast


# What each ability is called in a sentence: "no pin can …".
CAN = {
    "adc": "measure a voltage",
    "interrupt": "raise an interrupt",
    "pin-change": "raise a pin-change interrupt",
    "pwm": "be dimmed by PWM",
    "one-wire": "carry a 1-Wire line",
    "pull-up": "pull up a contact",
    "digital-in": "be read",
    "digital-out": "be driven",
    "uart-rx": "receive serial data",
    "uart-tx": "send serial data",
}


@dataclass(frozen=True, slots=True)
class Want:
    """One open terminal: the harm of every pin that it may have, by label, and its current."""

    use: Use
    terminal: Terminal
    harm: Mapping[str, int]
    ma: float
    way: str  # source | sink: how the pin carries that current
    claims: Mapping[str, tuple[Claim, ...]] = field(default_factory=dict)  # by pin, where any

    @property
    def spot(self) -> Spot:
        """Name of the use and of the terminal."""
        return self.use.name, self.terminal.name

    @property
    def need(self) -> str:
        """The ability that the pin must have."""
        return self.terminal.needs or ""


@dataclass(frozen=True, slots=True)
class Ground:
    """What the build itself has fixed before anything is chosen."""

    build: Build
    circuit: Circuit  # the wires of the build alone
    taken: Mapping[str, str]  # label of a pin: what has it
    soft_taken: bool  # software serial is in use already
    claims: tuple[
        tuple[Spot | None, Claim], ...
    ] = ()  # what is held whatever is chosen, and by whom


def free_ports(board: Board) -> list[str]:
    """The serial ports that neither upload nor USB uses, sorted."""
    return sorted(port for port, use in board.serial_ports.items() if use == "free")


def port_of(board: Board, pin: Pin, line: str) -> str | None:
    """The free serial port whose ``line`` (rx or tx) the pin is."""
    return next((port for port in free_ports(board) if f"{port}.{line}" in pin.roles), None)


def ground_of(build: Build) -> Ground:
    """The pins, the bus and the serial ports that the build's own wires take."""
    circuit = connect(build, {})
    board = build.board
    taken: dict[str, str] = {}
    for wire in circuit.signals():
        assert wire.pin is not None
        taken.setdefault(wire.pin.label, wire.name)
    for line in ("sda", "scl"):
        on_bus = [u.name for u in build.uses() for t in wanted(u) if t.needs == f"i2c-{line}"]
        pin = board.role_pin(f"Wire.{line}")
        if on_bus and pin is not None:
            taken.setdefault(pin.label, f"the I2C bus of {', '.join(dict.fromkeys(on_bus))}")
    still_open = {use.name for use, _ in open_terminals(build)}
    settled = [link for link in circuit.serial_links if link.use.name not in still_open]
    for link in settled:
        for line in ("rx", "tx"):
            pin = board.role_pin(f"{link.port}.{line}") if link.port else None
            if pin is not None:
                taken.setdefault(pin.label, f"{link.port}, which {link.use.name} uses")
    soft = any(link.port is None and link.rx is not None for link in settled)
    return Ground(build, circuit, taken, soft, tuple(_claims(circuit)))


def _claims(circuit: Circuit) -> Iterable[tuple[Spot | None, Claim]]:
    """Claims of the sketch and of the build's own wires, and those of open terminals on any pin."""
    for held in claims.held(circuit):
        yield (held.wire.spot if held.wire is not None else None), held.claim
    for use, terminal in open_terminals(circuit.build):
        for claim in claims.of_terminal(circuit.board, terminal):
            yield (use.name, terminal.name), claim


def able(board: Board, pin: Pin, need: str) -> bool:
    """Whether a pin can do what a terminal needs, taken or not."""
    if need in _ABLE:
        return _ABLE[need](board, pin)
    return need in pin.can


_ABLE: dict[str, Callable[[Board, Pin], bool]] = {
    "uart-rx": lambda board, pin: pin.soft_rx or port_of(board, pin, "rx") is not None,
    "uart-tx": lambda board, pin: "digital-out" in pin.can,
    "adc": lambda board, pin: pin.adc is not None,
    "pwm": lambda board, pin: pin.pwm is not None and "digital-out" in pin.can,
    "interrupt": lambda board, pin: pin.interrupt is not None,
    "pin-change": lambda board, pin: pin.pin_change is not None,
    "one-wire": lambda board, pin: {"one-wire", "digital-out"} <= pin.can,
}


def runs_load(use: Use, terminal: Terminal) -> bool:
    """Whether the terminal switches a load."""
    switching = use.part.switching
    return switching is not None and switching.input_terminal == terminal.name


def never(use: Use, terminal: Terminal, pin: Pin) -> str:
    """Why a pin must not have this terminal, in a phrase; empty when it may."""
    for kind in _NEVER:
        if pin.hazard(kind) is not None:
            return "kept for uploading" if kind == "upload-serial" else "the program memory's"
    load = use.section == "loads" or runs_load(use, terminal)
    strap = pin.hazard("strap")
    held = None if load else held_level(use, terminal)
    if strap is not None and strap.needs is not None and held != strap.needs:
        return f"must be {strap.needs} while the board starts"
    if load and pin.hazard("moves-at-reset") is not None:
        return "moves while the board starts"
    return ""


def held_level(use: Use, terminal: Terminal) -> str | None:
    """The level at which a part holds a pin that nobody drives; None when unknown."""
    if use.part.talks == "i2c" or terminal.needs == "one-wire":
        return "high"
    if use.part.shows == "lamp":
        return "low"
    return None


def wants_of(ground: Ground) -> list[Want]:
    """Every open terminal but those of the I2C bus, with its offers, in the file's order."""
    return [
        _want(ground, use, terminal)
        for use, terminal in open_terminals(ground.build)
        if not (terminal.needs or "").startswith("i2c-")
    ]


def _want(ground: Ground, use: Use, terminal: Terminal) -> Want:
    board, need = ground.build.board, terminal.needs or ""
    switching = use.part.switching
    volts = _arriving_v(ground.circuit, use, terminal)
    harm = {
        pin.label: _harm(ground, use, terminal, pin, volts)
        for pin in board.pins.values()
        if pin.label not in ground.taken
        and able(board, pin, need)
        and not never(use, terminal, pin)
    }
    claimed = {
        label: found
        for label in harm
        if need in _CLAIMING
        and (found := tuple(claims.of_pin(board, use, terminal, board.pins[label])))
    }
    for label, found in claimed.items():
        spot = (use.name, terminal.name)
        if any(
            not c.bears(other) for c in found for whose, other in ground.claims if whose != spot
        ):
            harm[label] += FLAW
    ma = ground.circuit.pin_ma(Wire(use, terminal, "", "seated", use.at))
    way = "sink" if switching is not None and switching.active == "low" else "source"
    return Want(use, terminal, harm, ma, way, claimed)


def _harm(ground: Ground, use: Use, terminal: Terminal, pin: Pin, volts: float | None) -> int:
    board = ground.build.board
    harm = sum(_HARM.get(hazard.kind, 0) for hazard in pin.hazards)
    load = use.section == "loads" or runs_load(use, terminal)
    if load and pin.hazard("strap") is not None:
        harm += _SHARED_STRAP_HARM
    if terminal.needs == "adc" and pin.adc_limit:
        harm += _ADC_LIMIT_HARM
    if volts is not None and volts > board.pin_max_v(pin):
        harm += FLAW
    if load and _rests_running(ground, use, pin):
        harm += FLAW
    return harm


def _rests_running(ground: Ground, use: Use, pin: Pin) -> bool:
    """Whether the chip itself holds the pin at the level that runs the load (load.rests-on)."""
    switching = use.part.switching
    if switching is None or pin.at_reset is None:
        return False
    held = "high" if pin.at_reset == "up" else "low"
    through_ua = ground.circuit.io_rail.volts / ground.build.board.figure("pull_up_min_ohms") * 1e6
    harmless = "off_ua" in use.figures and through_ua < use.figure("off_ua")
    return held == switching.active and not harmless


def _arriving_v(circuit: Circuit, use: Use, terminal: Terminal) -> float | None:
    """The most volts that a part puts on its pin; None when it only listens."""
    feed = circuit.feed(use)
    pulled = terminal.needs == "one-wire"
    if terminal.flow == "in" or (terminal.flow == "both" and not pulled):
        return None
    volts = feed.volts if feed is not None else None
    if "out_high_v" in use.figures and not pulled:
        volts = use.figure("out_high_v")
    passage = circuit.passages.get((use.name, terminal.name))
    return passage.high_v(volts, "board") if passage is not None and volts is not None else volts


def port_harm(board: Board, use: Use) -> int:
    """FLAW when the clock cannot make the part's speed on a port closely enough."""
    if board.core.family != "avr" or "serial_baud" not in use.figures:
        return 0
    _, error = electrics.avr_core_baud(board.figure("clock_hz"), use.figure("serial_baud"))
    return FLAW if abs(error) > _BAUD_LIMIT else 0


def soft_harm(board: Board, use: Use) -> int:
    """FLAW when software serial cannot follow the part."""
    if board.core.family != "avr" or "serial_baud" not in use.figures:
        return 0
    most = electrics.soft_serial_max_baud(board.figure("clock_hz"), _SOFT_LATE_CYCLES)
    return FLAW if use.figure("serial_baud") > most else 0


def by_part(wants: Iterable[Want]) -> dict[str, list[Want]]:
    """Wants by the name of their part, in order."""
    parts: dict[str, list[Want]] = {}
    for want in wants:
        parts.setdefault(want.use.name, []).append(want)
    return parts
