"""Pins for the terminals that a build leaves open.

Terminals are seated one after another, each on its cheapest pin with which
all the later ones still find a place (checked by bipartite matching, after
Kuhn, Naval Research Logistics Quarterly 2 (1955) 83).  So an early terminal
never loses its pin to a later one, and a free pin is never missed.
"""

from __future__ import annotations

from collections.abc import Sequence

from buildkit.circuit import Circuit, Seat, Spot, connect, open_terminals, wanted
from buildkit.model import Board, Build, Pin, Terminal, Use

# Scarcest ability first, and within one ability the order of the file.
_ORDER = ("i2c-sda", "i2c-scl", "uart-rx", "uart-tx", "adc", "interrupt", "pwm", "one-wire")
_NEVER = frozenset({"upload-serial", "flash-bus"})
_NEVER_FOR_LOADS = frozenset({"strap", "moves-at-reset"})
_WASTE = {"role": 40, "adc": 10, "interrupt": 8, "pwm": 6, "hazard": 500, "soft": 200}


def seat(build: Build) -> Circuit:
    """The circuit of a build with every open terminal seated as far as pins go."""
    wanted_seats = sorted(open_terminals(build), key=_rank)
    domains = {_spot(item): _domain(build, *item) for item in wanted_seats}
    seats: dict[Spot, Seat] = {}
    why_not: dict[Spot, str] = {}
    _seat_buses(build, wanted_seats, seats, why_not)
    rest = [item for item in wanted_seats if not _on_bus(item[1])]
    soft_left = 1 - _soft_in_build(build)
    for index, item in enumerate(rest):
        spot = _spot(item)
        taken = {seated.label for seated in seats.values()}
        free = [pin for _, pin in domains[spot] if pin.label not in taken]
        if item[1].needs == "uart-rx" and soft_left <= 0:
            free = [pin for pin in free if _hardware_rx(build.board, pin)]
        free = [pin for pin in free if _both_lines(build, *item, pin, seats)]
        later = [[pin.label for _, pin in domains[_spot(other)]] for other in rest[index + 1 :]]
        pin = _choose(free, later, taken)
        if pin is None:
            why_not[spot] = _why_not(build, item[1], domains[spot])
            continue
        if item[1].needs == "uart-rx" and not _hardware_rx(build.board, pin):
            soft_left -= 1
        seats[spot] = Seat(pin.label, _why(pin, item[1], build.board))
    return connect(build, seats, why_not)


def _spot(item: tuple[Use, Terminal]) -> Spot:
    return item[0].name, item[1].name


def _rank(item: tuple[Use, Terminal]) -> int:
    need = item[1].needs or ""
    return _ORDER.index(need) if need in _ORDER else len(_ORDER)


def _on_bus(terminal: Terminal) -> bool:
    return (terminal.needs or "").startswith("i2c")


def _seat_buses(
    build: Build,
    items: Sequence[tuple[Use, Terminal]],
    seats: dict[Spot, Seat],
    why_not: dict[Spot, str],
) -> None:
    for use, terminal in items:
        if not _on_bus(terminal):
            continue
        line = (terminal.needs or "")[4:]
        pin = build.board.role_pin(f"Wire.{line}")
        if pin is None:
            why_not[use.name, terminal.name] = "the board has no I2C bus"
        else:
            seats[use.name, terminal.name] = Seat(pin.label, f"the board's I2C {line.upper()}")


def _domain(build: Build, use: Use, terminal: Terminal) -> list[tuple[int, Pin]]:
    """Pins that a terminal may have, cheapest first, those of the build left out."""
    board = build.board
    taken = _pins_of_build(build)
    bus = {pin.label for pin in _bus_pins(build)}
    offers = [
        (_cost(board, use, terminal, pin), pin)
        for pin in board.pins.values()
        if pin.label not in taken | bus and _can(board, pin, terminal) and not _barred(use, pin)
    ]
    return sorted(offers, key=lambda offer: (offer[0], offer[1].number))


def _pins_of_build(build: Build) -> set[str]:
    pins = (build.board.pin(label) for use in build.uses() for label in use.wires.values())
    return {pin.label for pin in pins if pin is not None}


def _bus_pins(build: Build) -> list[Pin]:
    needs = {t.needs for use in build.uses() for t in wanted(use)}
    lines = [line for line in ("sda", "scl") if f"i2c-{line}" in needs]
    pins = (build.board.role_pin(f"Wire.{line}") for line in lines)
    return [pin for pin in pins if pin is not None]


def _barred(use: Use, pin: Pin) -> bool:
    kinds = {hazard.kind for hazard in pin.hazards}
    return bool(kinds & _NEVER) or (use.section == "loads" and bool(kinds & _NEVER_FOR_LOADS))


def _can(board: Board, pin: Pin, terminal: Terminal) -> bool:
    need = terminal.needs or ""
    if need == "uart-rx":
        return _hardware_rx(board, pin) or pin.soft_rx
    if need == "uart-tx":
        return "digital-out" in pin.can
    if need == "adc":
        return pin.adc is not None
    if need == "pwm":
        return pin.pwm is not None
    if need == "interrupt":
        return pin.interrupt is not None
    return need in pin.can


def _hardware_rx(board: Board, pin: Pin) -> bool:
    ports = [port for port, use in board.serial_ports.items() if use == "free"]
    return any(f"{port}.rx" in pin.roles for port in ports)


def _both_lines(
    build: Build, use: Use, terminal: Terminal, pin: Pin, seats: Mapping[Spot, Seat]
) -> bool:
    """Whether a pin leaves receiver and sender of a part on one port, or both to software."""
    needs = {"uart-rx": "uart-tx", "uart-tx": "uart-rx"}
    other = next((t for t in wanted(use) if t.needs == needs.get(terminal.needs or "")), None)
    if other is None:
        return True
    seat_there = seats.get((use.name, other.name))
    label = seat_there.label if seat_there else use.wires.get(other.name, "")
    there = build.board.pin(label)
    if there is None:
        taken = _pins_of_build(build) | {seat.label for seat in seats.values()}
        free = [p for p in build.board.pins.values() if p.label not in taken]
    else:
        free = [there]
    mine = _free_ports(build.board, pin, terminal)
    return (not mine and there is None) or any(
        mine == _free_ports(build.board, p, other) for p in free
    )


def _free_ports(board: Board, pin: Pin, terminal: Terminal) -> set[str]:
    """The free hardware ports that a pin serves as what a terminal needs."""
    line = (terminal.needs or "")[5:]
    return {
        port
        for port, use in board.serial_ports.items()
        if use == "free" and f"{port}.{line}" in pin.roles
    }


def _cost(board: Board, use: Use, terminal: Terminal, pin: Pin) -> int:
    """What choosing a pin gives up: hazards first, then abilities that others may want."""
    need = terminal.needs
    cost = _WASTE["hazard"] * len(pin.hazards)
    if need == "uart-rx" and not _hardware_rx(board, pin):
        cost += _WASTE["soft"]
    cost += _WASTE["role"] * (0 if need == "uart-rx" else len(pin.roles))
    for ability in ("adc", "interrupt", "pwm"):
        if getattr(pin, ability) is not None and need != ability:
            cost += _WASTE[ability]
    return cost


def _choose(free: Sequence[Pin], later: Sequence[Sequence[str]], taken: set[str]) -> Pin | None:
    """The first of ``free`` that leaves the later terminals as many seats as any other would."""
    reach = {pin.label: _matched(later, taken | {pin.label}) for pin in free}
    best = max(reach.values(), default=0)
    return next((pin for pin in free if reach[pin.label] == best), None)


def _matched(domains: Sequence[Sequence[str]], taken: set[str]) -> int:
    """How many of the domains can each have a label of their own (augmenting paths)."""
    owner: dict[str, int] = {}

    def place(index: int, seen: set[str]) -> bool:
        for label in domains[index]:
            if label in taken or label in seen:
                continue
            seen.add(label)
            if label not in owner or place(owner[label], seen):
                owner[label] = index
                return True
        return False

    return sum(place(index, set()) for index in range(len(domains)))


def _soft_in_build(build: Build) -> int:
    """Software serial receivers that the build's own wires already ask for."""
    count = 0
    for use in build.uses():
        for terminal in wanted(use):
            pin = build.board.pin(use.wires.get(terminal.name, ""))
            if terminal.needs == "uart-rx" and pin and not _hardware_rx(build.board, pin):
                count += 1
    return count


def _why(pin: Pin, terminal: Terminal, board: Board) -> str:
    if terminal.needs == "uart-rx" and _hardware_rx(board, pin):
        return "a hardware serial port that nothing else uses"
    if terminal.needs == "uart-rx":
        return "the cheapest pin on which software serial can receive"
    waste = [name for name in ("adc", "interrupt", "pwm") if getattr(pin, name) is not None]
    spare = [name for name in waste if name != terminal.needs]
    if not spare and not pin.hazards:
        return "free, able, and wanted by nothing else"
    return "the cheapest free pin that is able"


def _why_not(build: Build, terminal: Terminal, domain: Sequence[tuple[int, Pin]]) -> str:
    need = terminal.needs or ""
    able = [pin for pin in build.board.pins.values() if _can(build.board, pin, terminal)]
    if not able:
        return f"no pin of this board can be {need}"
    if need == "uart-rx":
        return "every serial port is taken, and the core listens on one software serial at a time"
    return f"all {len(able)} pins that can be {need} are taken or unsafe"
