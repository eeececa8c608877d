"""Serial: a port for each part that talks it, and the speeds that both sides can make."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import electrics
from buildkit.circuit import Circuit, SerialLink, Wire
from buildkit.model import Fault
from buildkit.rules import rule

BAUD_LIMIT = 0.02  # ATmega328P data sheet Table 19-2, eight data bits
SOFT_LATE_CYCLES = (
    100.0  # common practice, no source: the timer interrupt of the core at its longest
)


@rule("bus.no-uart-left", "error", source="AVR core 1.8.7, SoftwareSerial.h, listen: one at a time")
def no_uart_left(circuit: Circuit) -> Iterable[Fault]:
    """No serial port is left for a part that talks serial.

    Why: each such part needs a port of its own. Beyond the board's free ports
    software can listen on one pin, not on two.

    Wrong:
        kitchen: {part: pm-frame32}   # atmega328p-5v: the one software port
        hall: {part: pm-frame32}      # nothing left

    Right:
        the same two parts on atmega2560-5v, which has three free ports
    """
    uses = {use.name: use for use in circuit.build.uses()}
    for spot in circuit.unseated:
        use = uses[spot[0]]
        if use.part.terminals[spot[1]].needs != "uart-rx":
            continue
        free = sorted(p for p, kind in circuit.board.serial_ports.items() if kind == "free")
        yield Fault(
            use.at,
            f"no serial port is left for {spot[0]} {spot[1]}: {circuit.board.id} has "
            f"{len(free)} free{_by_software(circuit)}, and "
            f"{len(circuit.uses_talking('uart'))} parts want one",
            "Move the build to a board with more serial ports, or leave a serial part out.",
            {"free_ports": free, "serial_parts": len(circuit.uses_talking("uart"))},
        )


def _by_software(circuit: Circuit) -> str:
    able = any(pin.soft_rx for pin in circuit.board.pins.values())
    return " and one by software" if able else " and its core listens on none by software"


def _rx_wire(circuit: Circuit, link: SerialLink) -> Wire | None:
    mine = (w for w in circuit.signals() if w.use is link.use and w.terminal.needs == "uart-rx")
    return next(mine, None)


def _soft(circuit: Circuit) -> Iterable[tuple[SerialLink, Wire]]:
    """The serial parts that software listens to, with the wire that it listens on."""
    for link in circuit.serial_links:
        wire = _rx_wire(circuit, link)
        if link.port is None and wire is not None and wire.pin is not None and wire.pin.soft_rx:
            yield link, wire


@rule(
    "bus.two-soft-serials",
    "error",
    source="AVR core 1.8.7, SoftwareSerial.h, listen: one at a time",
)
def two_soft_serials(circuit: Circuit) -> Iterable[Fault]:
    """Two parts are wired to software serial, which can listen to one.

    Why: while it listens to one pin it is deaf on the other, and a part that
    sends on its own does not wait.

    Wrong:
        kitchen: {part: pm-frame32, wires: {TXD: 8}}
        hall: {part: pm-frame32, wires: {TXD: 9}}

    Right:
        the second on the receive pin of a free port, on a board that has one
    """
    first: SerialLink | None = None
    for link, wire in _soft(circuit):
        if first is not None:
            yield Fault(
                wire.at,
                f"software serial listens to {first.use.name} and cannot hear {link.use.name} "
                f"on pin {wire.label}",
                "Put one of them on a free serial port, or choose a board that has more.",
                {"pin": wire.label, "listens_to": first.use.name},
            )
        first = first or link


@rule(
    "bus.baud-error",
    "error",
    source="ATmega328P data sheet, Microchip DS40002061B, 19.11, Tables 19-2 and 19-4 (from memory); "
    "AVR core 1.8.7, HardwareSerial.cpp, begin",
)
def baud_error(circuit: Circuit) -> Iterable[Fault]:
    """The chip's clock cannot make the speed of a serial part closely enough.

    Why: the port divides the clock by a whole number. More than 2 % off, the
    last bits of a byte are read in the wrong place.

    Wrong:
        # 2.1 % at 16 MHz
        smoke: {part: pm-frame32, own_figures: {serial_baud: 115200}}

    Right:
        smoke: {part: pm-frame32}   # 9600 baud, 0.2 %
    """
    if circuit.board.core.family != "avr":
        return
    clock = circuit.board.figure("clock_hz")
    for link in circuit.serial_links:
        if link.port is None or "serial_baud" not in link.use.figures:
            continue
        baud = link.use.figure("serial_baud")
        divisor, error = electrics.avr_core_baud(clock, baud)
        if abs(error) > BAUD_LIMIT:
            wire = _rx_wire(circuit, link)
            yield Fault(
                wire.at if wire else link.use.at,
                f"{link.port} runs {error * 100:+.1f} % off the {baud:g} baud of "
                f"{link.use.name}{link.use.whose('serial_baud')}; {BAUD_LIMIT * 100:g} % is the limit",
                "Set the part to another speed if it can, such as 9600 or 38400 baud.",
                {"baud": baud, "error": error, "limit": BAUD_LIMIT, "ubrr": divisor},
            )


@rule(
    "bus.soft-serial-too-fast",
    "error",
    source="AVR core 1.8.7, SoftwareSerial.cpp, begin and recv; common practice, no source for 100 cycles",
)
def soft_serial_too_fast(circuit: Circuit) -> Iterable[Fault]:
    """Software serial cannot follow a part at this speed.

    Why: the start bit is noticed only after the timer interrupt is through,
    up to 100 clock cycles late. By then half a bit must not have passed.

    Wrong:
        smoke: {part: pm-frame32, wires: {TXD: 8}, own_figures: {serial_baud: 115200}}

    Right:
        smoke: {part: pm-frame32, wires: {TXD: 8}}   # 9600 baud
    """
    if circuit.board.core.family != "avr":
        return
    clock = circuit.board.figure("clock_hz")
    most = electrics.soft_serial_max_baud(clock, SOFT_LATE_CYCLES)
    for link, wire in _soft(circuit):
        baud = link.use.figure("serial_baud") if "serial_baud" in link.use.figures else 0.0
        if baud > most:
            yield Fault(
                wire.at,
                f"{link.use.name} sends at {baud:g} baud{link.use.whose('serial_baud')}, and software "
                f"serial at {clock / 1e6:g} MHz follows {most:g} at most",
                "Use a board with a free serial port, or set the part to a lower speed.",
                {"baud": baud, "most_baud": most, "clock_hz": clock},
            )
