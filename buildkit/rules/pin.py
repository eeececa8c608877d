"""Pins: who sits where, and what a board's pin cannot do."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit, Wire
from buildkit.model import Fault, Pin
from buildkit.rules import rule

# What each ability is called in a sentence: "pin 7 cannot …".
_WORDS = {
    "adc": "measure a voltage",
    "interrupt": "raise an interrupt",
    "pin-change": "raise a pin-change interrupt",
    "pwm": "be dimmed by PWM",
    "one-wire": "carry a 1-Wire line",
    "digital-in": "be read",
    "uart-rx": "be read",
}
_DRIVEN = frozenset({"digital-out", "uart-tx", "one-wire", "pwm"})


def on_pins(circuit: Circuit) -> Iterable[tuple[Wire, Pin]]:
    """Signal terminals that sit on a pin, with the pin."""
    for wire in circuit.signals():
        if wire.terminal.kind == "signal" and wire.pin is not None:
            yield wire, wire.pin


def elsewhere(wire: Wire) -> str:
    """The fix for a terminal that stands on the wrong pin."""
    return f"Give {wire.name} another pin, or leave it out and one is chosen."


@rule("pin.taken-twice", "error", source="common practice, no source: one signal, one pin")
def taken_twice(circuit: Circuit) -> Iterable[Fault]:
    """Two terminals sit on one pin, and they are no bus.

    Why: a pin carries one signal. Two parts on it drive against each other,
    or the sketch switches both when it means one. A stranger on the pins of
    the I2C bus is pin.bus-in-use.

    Wrong:
        smoke: {wires: {TXD: 8}}
        hood: {wires: {CTRL+: 8}}

    Right:
        smoke: {wires: {TXD: 8}}
        hood: {wires: {CTRL+: 7}}
    """
    for label, wires in circuit.by_pin().items():
        strangers = [wire for wire in wires if not bus_line(wire)]
        for first, wire in zip(strangers[:1] * len(strangers), strangers[1:], strict=False):
            if wire.use.part.talks == "i2c" and wire.terminal.needs == first.terminal.needs:
                continue
            yield Fault(
                wire.at,
                f"pin {label} already carries {first.name}",
                elsewhere(wire),
                {"pin": label, "taken_by": first.name},
            )


def bus_line(wire: Wire) -> bool:
    """Whether a wire is an I2C line on its own pin of the bus."""
    need = wire.terminal.needs or ""
    return wire.pin is not None and f"Wire.{need[4:]}" in wire.pin.roles and need[:4] == "i2c-"


@rule("pin.cannot", "error", source="the board's table, pins: each with the data sheet of its chip")
def cannot(circuit: Circuit) -> Iterable[Fault]:
    """A terminal is wired to a connection that cannot do its work.

    Why: an analog sensor needs a pin with a converter behind it, a supply
    terminal needs a rail and a ground terminal ground. The switched contacts
    of a relay never touch the board at all.

    Wrong:
        shelf: {part: ntc-divider, wires: {OUT: 7}}   # 7 has no converter

    Right:
        shelf: {part: ntc-divider, wires: {OUT: A0}}
    """
    for wire in circuit.wires:
        found = _misplaced(wire) if wire.terminal.kind != "signal" else _unable(circuit, wire)
        if found is not None:
            yield found
    for use in circuit.build.uses():
        for name, at in use.wire_at.items():
            if use.part.terminals[name].kind == "contact":
                yield Fault(
                    at,
                    f"{use.name} {name} is a switched contact, and {use.wires[name]} is on the board",
                    f"Take {name} out of wires: contacts carry the load, never the board.",
                    {"terminal": name, "label": use.wires[name]},
                )


def _misplaced(wire: Wire) -> Fault | None:
    """A supply or ground terminal on something else."""
    supply = wire.terminal.kind == "supply"
    if wire.rail is not None if supply else wire.ground:
        return None
    is_now = "ground" if wire.ground else "a supply" if wire.rail is not None else "a signal pin"
    needs = "a supply rail" if supply else "ground"
    return Fault(
        wire.at,
        f"{wire.name} needs {needs}, and {wire.label} is {is_now}",
        f"Wire {wire.name} to {needs}, or leave it out and the right one is chosen.",
        {"label": wire.label, "is": is_now, "needs": needs},
    )


def _unable(circuit: Circuit, wire: Wire) -> Fault | None:
    """A signal terminal on a rail, or on a pin that lacks the ability."""
    need = wire.terminal.needs or ""
    if wire.pin is None:
        is_now = "ground" if wire.ground else "a supply"
        return Fault(
            wire.at,
            f"{wire.name} is a signal, and {wire.label} is {is_now}",
            f"Wire {wire.name} to a pin, or leave it out.",
            {"label": wire.label, "is": is_now},
        )
    if need not in _WORDS or _able(wire.pin, need) or _input_only(wire.pin, need):
        return None
    able = [pin.label for pin in circuit.board.pins.values() if _able(pin, need)]
    return Fault(
        wire.at,
        f"pin {wire.pin.label} cannot {_WORDS[need]}, which {wire.name} needs",
        f"Use one of {', '.join(able[:16])}, or leave it out and one is chosen."
        if able
        else f"No pin of this board can {_WORDS[need]}; choose another board or part.",
        {"pin": wire.pin.label, "needs": need, "able": able},
    )


def _able(pin: Pin, need: str) -> bool:
    if need in ("adc", "pwm", "interrupt", "pin-change"):
        return getattr(pin, need.replace("-", "_")) is not None
    return ("digital-in" if need == "uart-rx" else need) in pin.can


def _input_only(pin: Pin, need: str) -> bool:
    return need in _DRIVEN and "digital-out" not in pin.can


@rule("pin.input-only", "error", source="the board's table, pins: what the chip's pin can do")
def input_only(circuit: Circuit) -> Iterable[Fault]:
    """The sketch must drive a pin that can only listen.

    Why: some pins have no output stage. The sketch compiles, the pin stays
    open, and the load or lamp never runs.

    Wrong:
        lamp: {part: led-indicator, wires: {A: A7}}   # A7 only measures on this board

    Right:
        lamp: {part: led-indicator, wires: {A: 6}}
    """
    for wire, pin in on_pins(circuit):
        if _input_only(pin, wire.terminal.needs or ""):
            yield Fault(
                wire.at,
                f"pin {pin.label} can only listen, and {wire.name} must be driven",
                elsewhere(wire),
                {"pin": pin.label, "needs": wire.terminal.needs, "can": sorted(pin.can)},
            )


@rule("pin.no-pull-up", "error", source="the board's table, pins: what the chip's pin can do")
def no_pull_up(circuit: Circuit) -> Iterable[Fault]:
    """A contact needs a pull-up resistor that its pin does not have.

    Why: an open contact leaves the pin floating, and a floating pin reads
    whatever the nearest mains wire induces.

    Wrong:
        tank: {part: float-switch, wires: {OUT: A7}}   # no pull-up behind A7

    Right:
        tank: {part: float-switch, wires: {OUT: 5}}
    """
    for wire, pin in on_pins(circuit):
        if wire.terminal.needs == "pull-up" and "pull-up" not in pin.can:
            yield Fault(
                wire.at,
                f"pin {pin.label} has no pull-up resistor, which {wire.name} needs",
                elsewhere(wire),
                {"pin": pin.label, "can": sorted(pin.can)},
            )


@rule(
    "pin.bus-in-use", "error", source="UM10204, NXP, rev 7, 3.1.1; AVR core 1.8.7, Wire, twi_init"
)
def bus_in_use(circuit: Circuit) -> Iterable[Fault]:
    """A terminal sits on a pin that a bus of this build already runs.

    Why: as soon as one part talks I2C, both bus pins belong to the bus; a
    serial port in use takes its send and its receive pin, even when only one
    of them is wired. Anything else there spoils every byte.

    Wrong:
        panel: {part: lcd1602-pcf8574}                # I2C: A4 and A5
        lamp: {part: led-indicator, wires: {A: A4}}

    Right:
        panel: {part: lcd1602-pcf8574}
        lamp: {part: led-indicator, wires: {A: 6}}
    """
    owners = {label: (f"{line} of the I2C bus", names) for label, line, names in _bus_pins(circuit)}
    own = [(wire.use.name, wire.terminal.name) for wire in circuit.signals() if bus_line(wire)]
    for link in circuit.serial_links:
        for pin in circuit.board.pins.values():
            if link.port is not None and pin not in (link.rx, link.tx):
                for line in ("rx", "tx"):
                    if f"{link.port}.{line}" in pin.roles:
                        owners[pin.label] = (f"{line} of {link.port}", link.use.name)
    for wire, pin in on_pins(circuit):
        is_line = (wire.terminal.needs or "").startswith("i2c-")
        if pin.label in owners and wire.spot not in own and not is_line:
            what, whose = owners[pin.label]
            yield Fault(
                wire.at,
                f"pin {pin.label} is {what}, which {whose} uses; {wire.name} cannot share it",
                elsewhere(wire),
                {"pin": pin.label, "bus": what, "used_by": whose},
            )


def _bus_pins(circuit: Circuit) -> Iterable[tuple[str, str, str]]:
    """Label, line and users of each I2C pin, when the build has a part on the bus."""
    users = ", ".join(use.name for use in circuit.uses_talking("i2c"))
    for line in ("sda", "scl"):
        pin = circuit.board.role_pin(f"Wire.{line}")
        if pin is not None and users:
            yield pin.label, line.upper(), users


@rule("pin.soft-serial-rx", "error", source="AVR core 1.8.7, SoftwareSerial, digitalPinToPCICR")
def soft_serial_rx(circuit: Circuit) -> Iterable[Fault]:
    """A serial part sends to a pin on which the board cannot receive.

    Why: without a free serial port behind it the pin is listened to by
    software, and the chip wakes that software only on pins with a pin-change
    interrupt. Elsewhere nothing ever arrives.

    Wrong:
        smoke: {part: pm-frame32, wires: {TXD: 5}}   # atmega2560: 5 cannot

    Right:
        smoke: {part: pm-frame32, wires: {TXD: 19}}  # receive pin of a free port
    """
    for link in circuit.serial_links:
        wires = [
            w for w in circuit.signals() if w.use is link.use and w.terminal.needs == "uart-rx"
        ]
        for wire in wires:
            pin = wire.pin
            if pin is None or link.port is not None or pin.soft_rx or pin.hazard("upload-serial"):
                continue
            able = [p.label for p in circuit.board.pins.values() if _receives(circuit, p)]
            yield Fault(
                wire.at,
                f"the board cannot receive serial data on pin {pin.label}, where {wire.name} sits",
                f"Use one of {', '.join(able)}, or leave it out and one is chosen.",
                {"pin": pin.label, "able": able},
            )


def _receives(circuit: Circuit, pin: Pin) -> bool:
    free = [port for port, use in circuit.board.serial_ports.items() if use == "free"]
    hardware = any(f"{port}.rx" in pin.roles for port in free)
    return hardware or (pin.soft_rx and not pin.hazards)


@rule("pin.none-left", "error", source="common practice, no source: one signal, one pin")
def none_left(circuit: Circuit) -> Iterable[Fault]:
    """No pin is left for a terminal.

    Why: every pin that could do this work is taken, or unsafe for it. A
    serial part without a port is bus.no-uart-left.

    Wrong:
        seven ntc-divider probes on a board with six analog pins

    Right:
        six of them, or the seventh on a board with more analog pins
    """
    uses = {use.name: use for use in circuit.build.uses()}
    pinless = {
        name: terminal
        for name, terminal in reversed(circuit.unseated)
        if not any(t.needs == "uart-rx" for t in uses[name].part.signals())
    }
    from buildkit import shortage  # it draws in the tables, which few calls need

    short = shortage.shortage_of(circuit.build) if pinless else None
    ways = [shortage.giving_up(short), *shortage.helps(circuit.build, short)] if short else []
    for name in (use for use in uses if use in pinless):
        why = circuit.why_unseated.get((name, pinless[name]), "none is free")
        fix = "Free such a pin, or move the build to a board with more: 'buildkit move' lists them."
        if short is not None:
            why, fix = f"{why}; {shortage.says(circuit.build, short)}", f"{', or '.join(ways)}."
        yield Fault(
            uses[name].at,
            f"no pin is left for {name} {pinless[name]}: {why}",
            fix,
            {"terminal": f"{name} {pinless[name]}", "why": why}
            | ({"rivals": len(short.rivals), "pins": list(short.pins)} if short else {}),
        )
