"""Power, second half: the heat of regulators, and current that comes in where nobody expects it."""

from __future__ import annotations

import math
from collections.abc import Iterable

from buildkit import electrics
from buildkit.circuit import Circuit, Wire
from buildkit.model import Fault, Place, Rail, Regulator
from buildkit.records import dataclass
from buildkit.rules import rule
from buildkit.rules.power import rail_chain, rail_place

CLAMP_V = 0.5  # data sheets, absolute maximum: a pin this far above a dead supply conducts
CLAMP_MA = 1.0  # Microchip AVR182, 1 mA into the diodes of a pin (from memory)


@dataclass(frozen=True, slots=True)
class _Heated:
    """A linear regulator at work: volts in, milliamps, and where its supply or load stands."""

    regulator: Regulator
    name: str
    in_v: float
    rail: Rail
    ma: float
    at: Place


def _heated(circuit: Circuit) -> Iterable[_Heated]:
    board, supply = circuit.board, circuit.build.supply
    own_ma = board.figure("board_ma")
    if supply.inlet is not None and supply.inlet.regulator is not None and supply.volts is not None:
        rail = board.rails[supply.inlet.feeds]
        ma = sum(circuit.rail_draw_ma(rail).values()) + own_ma
        yield _Heated(
            supply.inlet.regulator, supply.inlet.name, supply.volts, rail, ma, supply.place("volts")
        )
    for rail in board.rails.values():
        if rail.regulator is None or rail.fed_by is None or supply.rail == rail.name:
            continue
        source = board.rails[rail.fed_by]
        told = supply.volts if supply.inlet is None and supply.rail == source.name else None
        ma = sum(circuit.rail_draw_ma(rail).values())
        ma += own_ma if rail is circuit.io_rail else 0.0
        in_v = source.volts if told is None else told
        yield _Heated(rail.regulator, source.name, in_v, rail, ma, rail_place(circuit, rail))


@rule(
    "power.regulator-heat",
    "error",
    source="JEDEC JESD51-2, junction to ambient; the board's table, regulator",
)
def regulator_heat(circuit: Circuit) -> Iterable[Fault]:
    """A regulator of the board gets hotter than its chip bears.

    Why: a linear regulator turns the volts that it takes off, times the
    current, into heat. Too hot, it switches itself off, and the board
    restarts, on the warmest day and with the load running.

    Wrong:
        supply: {rail: VIN, volts: 12, max_ma: 1000}   # 7 V at 150 mA are 1 W

    Right:
        supply: {rail: 5V, max_ma: 1000}   # a 5 V adapter: nothing to take off
    """
    ambient_c = circuit.build.ambient_c
    for one in _heated(circuit):
        limit_c = one.regulator.junction_max_c
        hot_c = electrics.regulator_c(
            one.in_v, one.rail.volts, one.ma, one.regulator.k_per_w, ambient_c
        )
        if hot_c <= limit_c or one.in_v <= one.rail.volts or one.ma <= 0:
            continue
        watts = (one.in_v - one.rail.volts) * one.ma / 1000
        spare_w = max(0.0, limit_c - ambient_c) / one.regulator.k_per_w
        yield Fault(
            one.at,
            f"the regulator from {one.name} to {one.rail.name} takes {one.in_v:g} V down to "
            f"{one.rail.volts:g} V at {one.ma:.4g} mA: {watts:.2f} W bring it to {hot_c:.0f} degC in "
            f"air of {ambient_c:g} degC, and {limit_c:g} degC is its limit",
            _cooler(circuit, one, spare_w),
            {
                "in_v": one.in_v,
                "out_v": one.rail.volts,
                "ma": one.ma,
                "watts": watts,
                "junction_c": hot_c,
                "limit_c": limit_c,
                "k_per_w": one.regulator.k_per_w,
                "ambient_c": ambient_c,
            },
        )


def _cooler(circuit: Circuit, one: _Heated, spare_w: float) -> str:
    """What to do: fewer volts where the input still works with them, else fewer milliamps."""
    inlet = circuit.build.supply.inlet
    # Rounded down, so that what is advised is no fault itself.
    most_v = math.floor((one.rail.volts + spare_w / one.ma * 1000) * 10) / 10
    most_ma = math.floor(spare_w / (one.in_v - one.rail.volts) * 1000)
    if inlet is None or inlet.name != one.name:
        return (
            f"Take no more than {most_ma} mA from {one.rail.name}: move parts to another rail or "
            "give them a supply of their own; or keep the box cooler."
        )
    fewer = (
        f"Use a supply of {inlet.min_v:g} to {most_v:.1f} V, or f" if most_v >= inlet.min_v else "F"
    )
    return f"{fewer}eed {one.rail.name} itself with a supply of {one.rail.volts:g} V."


@rule(
    "power.back-feed",
    "note",
    source="USB 2.0, 7.2.1: a device never feeds its socket; Microchip AVR182 (from memory); the "
    "board's table, usb",
)
def back_feed(circuit: Circuit) -> Iterable[Fault]:
    """Current can come in backwards: two supplies on one rail, or a signal into a dead chip.

    Why: two supplies are never equal, and the higher one feeds the other: a
    computer's socket, or a regulator from behind. A part that is powered while
    the board is not feeds the chip through the protection diodes of its pin.

    Wrong:
        a 5 V adapter on the pin 5V and the USB cable for the log, both at once

    Right:
        the adapter pulled while USB is plugged, or a USB cable without its 5 V wire
    """
    yield from _two_supplies(circuit)
    yield from _into_a_dead_chip(circuit)


def _two_supplies(circuit: Circuit) -> Iterable[Fault]:
    supply = circuit.build.supply
    socket = next((rail for rail in circuit.board.rails.values() if rail.usb is not None), None)
    if socket is None or supply.inlet is not None:
        return
    behind = socket.name in rail_chain(circuit, supply.rail)[1:]  # USB's regulator feeds the supply
    before = supply.rail in rail_chain(circuit, socket.name)
    if not behind and not (before and socket.usb == "joined"):
        return
    way = (
        f"through the board's regulator, to {supply.rail}"
        if behind
        else f"straight to {socket.name}"
    )
    yield Fault(
        supply.place("rail"),
        f"the supply feeds {supply.rail}, and USB's 5 V come {way}: plugged in together, one "
        "feeds the other",
        "If the USB socket is the supply, nothing is wrong. Else unplug the supply before you plug in "
        f"USB, or use a USB cable whose 5 V wire is cut{_or_inlet(circuit)}.",
        {"supply": supply.rail, "usb": socket.name, "joint": socket.usb},
    )


def _or_inlet(circuit: Circuit) -> str:
    inlet = next(iter(circuit.board.inlets.values()), None)
    return (
        "" if inlet is None else f", or feed {inlet.name} with {inlet.min_v:g} to {inlet.max_v:g} V"
    )


def _into_a_dead_chip(circuit: Circuit) -> Iterable[Fault]:
    """Signals of parts that have a supply of their own: they stay when the board is off."""
    for wire in circuit.signals():
        figures = wire.use.figures
        own = not any(t.kind == "supply" for t in wire.use.part.terminals.values())
        if (
            not own
            or wire.terminal.flow != "out"
            or not {"out_high_v", "shunt_ohms"} <= figures.keys()
        ):
            continue
        high_v, ohms = wire.use.figure("out_high_v"), wire.use.figure("shunt_ohms")
        passage = circuit.passage(wire)
        if passage is not None:
            high_v, ohms = passage.high_v(high_v, "board"), ohms + passage.source_ohms
        ma = max(0.0, high_v - CLAMP_V) / ohms * 1000
        if ma > CLAMP_MA:
            yield _fed_backwards(wire, ma, high_v)


def _fed_backwards(wire: Wire, ma: float, high_v: float) -> Fault:
    return Fault(
        wire.at,
        f"{wire.name} has a supply of its own: while the board is off, its {high_v:.3g} V drive up to "
        f"{ma:.3g} mA into pin {wire.label}, whose diodes bear {CLAMP_MA:g} mA",
        f"Switch the supply of {wire.use.name} together with the board's, or put 10 kilohms into the "
        f"wire from {wire.name} to the pin.",
        {"ma": ma, "most_ma": CLAMP_MA, "high_v": high_v, "clamp_v": CLAMP_V, "pin": wire.label},
    )
