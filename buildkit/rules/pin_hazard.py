"""Pins, second half: what the board itself does on a pin, at reset and always."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit, Wire
from buildkit.model import Fault
from buildkit.rules import rule
from buildkit.rules.pin import bus_line, elsewhere, on_pins


def _runs_load(wire: Wire) -> bool:
    """Whether this terminal switches a load."""
    switching = wire.use.part.switching
    return switching is not None and wire.terminal.name == switching.input_terminal


@rule("pin.upload-serial", "error", source="the board's table, hazards, after its schematic")
def upload_serial(circuit: Circuit) -> Iterable[Fault]:
    """A terminal sits on the pins through which sketches are uploaded.

    Why: a part that drives the receive line spoils every upload, and the log
    makes a load on the send line chatter.

    Wrong:
        hood: {wires: {CTRL+: 1}}

    Right:
        hood: {wires: {CTRL+: 7}}
    """
    for wire, pin in on_pins(circuit):
        hazard = pin.hazard("upload-serial")
        if hazard is not None:
            yield Fault(
                wire.at,
                f"pin {pin.label} belongs to uploading and the log: {hazard.why}",
                elsewhere(wire),
                {"pin": pin.label, "terminal": wire.name},
            )


@rule("pin.flash-bus", "error", source="the board's table, hazards, after its schematic")
def flash_bus(circuit: Circuit) -> Iterable[Fault]:
    """A terminal sits on the wires between the chip and its program memory.

    Why: the chip reads its program through these pins all the time; anything
    on them stops it.

    Wrong:
        hood: {wires: {CTRL+: 6}}   # on a board whose pin 6 is the memory's clock

    Right:
        hood: {wires: {CTRL+: 25}}
    """
    for wire, pin in on_pins(circuit):
        hazard = pin.hazard("flash-bus")
        if hazard is not None:
            yield Fault(
                wire.at,
                f"pin {pin.label} is taken by the program memory: {hazard.why}",
                elsewhere(wire),
                {"pin": pin.label, "terminal": wire.name},
            )


@rule("pin.strap", "error", source="the board's table, hazards, after the chip's data sheet")
def strap(circuit: Circuit) -> Iterable[Fault]:
    """A part may hold a pin at the wrong level in the moment when the chip reads it to start.

    Why: strap pins choose how the chip starts. A part that pulls such a pin
    the other way keeps the board from starting; a load on it may run before
    the sketch does.

    Wrong:
        # 0 must be high at reset
        hood: {part: ssr-zero-cross-dc-control, wires: {CTRL+: 0}}

    Right:
        hood: {part: ssr-zero-cross-dc-control, wires: {CTRL+: 25}}
    """
    for wire, pin in on_pins(circuit):
        hazard = pin.hazard("strap")
        if hazard is None or hazard.needs is None:
            continue
        held = _held_level(wire)
        if held == hazard.needs and not _runs_load(wire):
            continue
        if held == hazard.needs:
            holds = "would have its load hang on that moment"
        else:
            holds = f"holds it {held}" if held else "may hold it at either level"
        yield Fault(
            wire.at,
            f"pin {pin.label} must be {hazard.needs} at reset, and {wire.name} "
            f"{holds}: {hazard.why}",
            elsewhere(wire),
            {"pin": pin.label, "needs": hazard.needs, "held": held},
        )


def _held_level(wire: Wire) -> str | None:
    """The level at which a part holds a pin that nobody drives; None when unknown."""
    part = wire.use.part
    if part.talks == "i2c" or wire.terminal.needs == "one-wire":
        return "high"
    if part.shows == "lamp":
        return "low"
    if part.switching is not None:
        return "high" if part.switching.active == "low" else "low"
    return None


@rule("pin.moves-at-reset", "error", source="the board's table, hazards, after its bootloader")
def moves_at_reset(circuit: Circuit) -> Iterable[Fault]:
    """A load hangs on a pin that moves by itself while the board starts.

    Why: the bootloader blinks or drives the pin before the sketch runs, and
    the load runs with it, unguarded.

    Wrong:
        hood: {wires: {CTRL+: 13}}   # the bootloader flashes the LED on 13

    Right:
        hood: {wires: {CTRL+: 7}}
    """
    for wire, pin in on_pins(circuit):
        hazard = pin.hazard("moves-at-reset")
        if hazard is not None and _runs_load(wire):
            yield Fault(
                wire.at,
                f"pin {pin.label} moves while the board starts and would run {wire.use.name}: "
                f"{hazard.why}",
                elsewhere(wire),
                {"pin": pin.label, "load": wire.use.name},
            )


@rule("pin.on-board-circuit", "warning", source="the board's table, hazards, after its schematic")
def on_board_circuit(circuit: Circuit) -> Iterable[Fault]:
    """A terminal shares its pin with a circuit on the board.

    Why: an on-board LED or resistor takes current from the pin and pulls it
    while it floats, so that the part sees other levels than its table says.

    Wrong:
        lamp: {part: led-indicator, wires: {A: 13}}

    Right:
        lamp: {part: led-indicator, wires: {A: 6}}
    """
    for wire, pin in on_pins(circuit):
        hazard = pin.hazard("on-board-circuit")
        told_already = _runs_load(wire) and pin.hazard("moves-at-reset") is not None
        if hazard is not None and not bus_line(wire) and not told_already:
            yield Fault(
                wire.at,
                f"{wire.name} shares pin {pin.label} with the board itself: {hazard.why}",
                _elsewhere_or_allow(circuit, wire),
                {"pin": pin.label, "terminal": wire.name},
            )


def _elsewhere_or_allow(circuit: Circuit, wire: Wire) -> str:
    analog = [pin for pin in circuit.board.pins.values() if pin.adc is not None]
    if wire.terminal.needs == "adc" and len(analog) == 1:
        return "It is the only analog pin of this board: allow for that circuit in the reading."
    return elsewhere(wire)


@rule(
    "pin.adc-limited", "warning", source="the board's table, adc_limit, after the chip's data sheet"
)
def adc_limited(circuit: Circuit) -> Iterable[Fault]:
    """An analog part sits on a converter channel that cannot always be used.

    Why: on some chips a channel belongs to a converter that the radio takes
    for itself, or that never worked as promised; it reads wrong without a word.

    Wrong:
        # on esp32-wroom-dev38, whose second converter the radio uses
        shelf: {part: ntc-divider, wires: {OUT: IO4}}

    Right:
        shelf: {part: ntc-divider, wires: {OUT: IO34}}
    """
    for wire, pin in on_pins(circuit):
        if wire.terminal.needs == "adc" and pin.adc_limit is not None:
            yield Fault(
                wire.at,
                f"{wire.name} reads pin {pin.label}, which has a limit: {pin.adc_limit}",
                _elsewhere_or_allow(circuit, wire),
                {"pin": pin.label, "limit": pin.adc_limit},
            )
