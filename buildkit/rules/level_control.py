"""Levels at a relay's control, and parts that sit in a wire to change a level."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import electrics
from buildkit.circuit import Circuit, Wire
from buildkit.model import Fault, Use
from buildkit.rules import rule

LOST_SHARE = 0.01  # common practice, no source: what the resistors' own tolerance takes
_SOURCE_OHMS = ("series_ohms", "shunt_ohms")  # figures that tell a probe's own resistance


def _controls(circuit: Circuit) -> Iterable[tuple[Wire, Use]]:
    """The wires that control switching parts."""
    for wire in circuit.signals():
        switching = wire.use.part.switching
        if switching is not None and switching.input_terminal == wire.terminal.name:
            yield wire, wire.use


@rule("level.control-too-low", "error", source="VOH and VOL of the board's chip; the part's table")
def control_too_low(circuit: Circuit) -> Iterable[Fault]:
    """The pin cannot bring a relay's control to the level at which it surely runs.

    Why: under load a pin falls short of its rail. A relay that is driven
    halfway chatters, heats, or stays off.

    Wrong:
        hood: {part: ssr-zero-cross-dc-control, own_figures: {on_min_v: 4.5}}

    Right:
        hood: {part: ssr-zero-cross-dc-control}   # runs from 3 V up
    """
    for wire, use in _controls(circuit):
        ma = use.figure("on_ma")
        low = use.part.switching is not None and use.part.switching.active == "low"
        volts = _on_v(circuit, wire, ma, low)
        name, need = ("on_max_v", "at most") if low else ("on_min_v", "at least")
        fails = volts > use.figure(name) if low else volts < use.figure(name)
        if fails:
            yield Fault(
                wire.at,
                f"pin {wire.label} gives {wire.name} {volts:.2f} V at {ma:g} mA, and it runs with "
                f"{use.figure(name):g} V {need}{use.whose(name)}",
                "Choose a relay for the board's level, or put a transistor between pin and control.",
                {
                    "volts": volts,
                    "limit_v": use.figure(name),
                    "ma": ma,
                    "rail_v": circuit.io_rail.min_v,
                },
            )


def _on_v(circuit: Circuit, wire: Wire, ma: float, low: bool) -> float:
    """Volts at a control that takes ``ma``, the pin at the level that runs the load."""
    board, io, passage = circuit.board, circuit.io_rail, circuit.passage(wire)
    at_ma = board.figure("voh_at_ma")
    if low:
        volts = electrics.output_low_v(board.figure("vol_max_v"), at_ma, ma)
        return volts if passage is None else volts + ma / 1000 * passage.sink_ohms
    if passage is None:
        high_v = board.figure("voh_min_v")
        return electrics.output_high_v(io.min_v, high_v, at_ma, io.volts, ma)
    # Below zero the part takes less than it needs, and the level is what is left: none.
    return max(0.0, passage.high_v(io.min_v, "part") - ma / 1000 * passage.source_ohms)


@rule("level.rest-not-off", "error", source="the part's table, off_min_v, with its source")
def rest_not_off(circuit: Circuit) -> Iterable[Fault]:
    """The pin's high is too low to bring an active-low relay to rest.

    Why: the module's control LED hangs between its own supply and the pin. A
    pin that ends at 3.3 V leaves 1.7 V across it, and the relay stays on.

    Wrong:
        mat: {part: relay-module-active-low}   # 5 V module on a 3.3 V board

    Right:
        mat: {part: relay-module-active-low}   # on a 5 V board
    """
    io = circuit.io_rail
    for wire, use in _controls(circuit):
        active_low = use.part.switching is not None and use.part.switching.active == "low"
        passage = circuit.passage(wire)
        behind = "" if passage is None else f" behind its {passage.kind}"
        rest_v = io.volts if passage is None else passage.high_v(io.volts, "part")
        if active_low and "off_min_v" in use.figures and rest_v < use.figure("off_min_v"):
            yield Fault(
                wire.at,
                f"{wire.name} rests above {use.figure('off_min_v'):g} V{use.whose('off_min_v')}, "
                f"and pin {wire.label}{behind} ends at {rest_v:.3g} V: {use.name} would stay on",
                "Put a level shifter between, or choose a module for the board's level, or one that runs when "
                "its input is high.",
                {"rest_v": rest_v, "needed_v": use.figure("off_min_v")},
            )


@rule("level.divider-both-ways", "error", source="Ohm's law; NXP AN10441 rev 1, section 2")
def divider_both_ways(circuit: Circuit) -> Iterable[Fault]:
    """A divider sits in a wire that both sides drive.

    Why: two resistors take a level down in one direction. In the other one
    they stand between the chip's low and the part, which then never sees it.

    Wrong:
        between: {panel.SDA: {part: divider}}

    Right:
        between:
          panel.SDA: {part: level-shifter-mosfet}
          panel.SCL: {part: level-shifter-mosfet}
    """
    for passage in circuit.passages.values():
        if passage.kind == "divider" and passage.flow == "both":
            of, terminal = passage.spot
            yield Fault(
                passage.use.at,
                f"{of} {terminal} is driven by both sides, and a divider passes levels one way: "
                f"of a low only {100 * passage.ratio:.0f} % of the change arrive",
                f"Use 'part: level-shifter-mosfet' for {of}.{terminal}.",
                {"part": of, "terminal": terminal, "ratio": passage.ratio},
            )


@rule("level.shifter-on-analog", "error", source="NXP AN10441 rev 1, section 2")
def shifter_on_analog(circuit: Circuit) -> Iterable[Fault]:
    """A level shifter sits in a wire whose voltage is measured.

    Why: a shifter knows low and high and nothing between: above its gate's
    threshold the other side is simply pulled up to its own rail.

    Wrong:
        between: {tank.OUT: {part: level-shifter-mosfet}}   # tank is an analog-span

    Right:
        between: {tank.OUT: {part: divider}}
    """
    for passage in circuit.passages.values():
        of, terminal = passage.spot
        wires = (wire for wire in circuit.signals() if wire.spot == passage.spot)
        analog = any(wire.terminal.needs == "adc" for wire in wires)
        if passage.kind == "shifter" and analog:
            yield Fault(
                passage.use.at,
                f"{of} {terminal} is measured from 0 to {passage.part_v:.3g} V, and a level shifter "
                "passes low and high only",
                f"Use 'part: divider' for {of}.{terminal}, or feed {of} so that it ends where the "
                "converter does.",
                {"part": of, "terminal": terminal, "part_v": passage.part_v},
            )


@rule("level.divider-loads-probe", "error", source="Ohm's law; common practice, no source: 1 %")
def divider_loads_probe(circuit: Circuit) -> Iterable[Fault]:
    """A divider takes so much current from a resistive probe that its readings are wrong.

    Why: a thermistor in series with a resistor, or a shunt, is no firm source.
    Two more resistors beside it pull its voltage down, and the sketch, which
    counts with the divider's ratio alone, reads something else.

    Wrong:
        between: {shelf.OUT: {part: divider}}   # shelf is an ntc-divider

    Right:
        shelf: {part: ntc-divider}   # on the rail that the converter measures against
    """
    for passage in circuit.passages.values():
        of, terminal = passage.spot
        use = next(use for use in circuit.build.uses() if use.name == of)
        source = next((use.figure(n) for n in _SOURCE_OHMS if n in use.figures), None)
        analog = use.part.terminals[terminal].needs == "adc"
        if passage.kind != "divider" or source is None or not analog:
            continue
        total = passage.upper_ohms + passage.lower_ohms
        lost = source / (source + total)
        if lost > LOST_SHARE:
            yield Fault(
                passage.use.at,
                f"the divider's {total:g} ohms beside the {source:g} ohms of {of} take "
                f"{100 * lost:.1f} % off what it measures",
                "Feed the probe from the rail that the converter measures against, give it smaller "
                "resistors, or choose a board that measures higher.",
                {"source_ohms": source, "divider_ohms": total, "lost_percent": 100 * lost},
            )


@rule("level.between-needless", "warning", source="the board's table, rails; the part's levels")
def between_needless(circuit: Circuit) -> Iterable[Fault]:
    """A part sits in a wire whose two sides have the same level already.

    Why: a level shifter whose two sides are fed from one rail shifts nothing,
    and a divider where the driver's level is no higher than the listener's
    only takes away from it. Each is one more thing that can fail.

    Wrong:
        between: {panel.SDA: {part: level-shifter-mosfet}}   # 5 V on both sides

    Right:
        the wire without it
    """
    for passage in circuit.passages.values():
        of, terminal = passage.spot
        board_v, part_v = passage.board_v, passage.part_v
        driven, heard = (part_v, board_v) if passage.flow == "out" else (board_v, part_v)
        same = passage.board_rail is not None and passage.board_rail is passage.part_rail
        one_way = passage.kind == "divider" and passage.flow != "both"
        if same or (one_way and driven <= heard):
            yield Fault(
                passage.use.at,
                f"{of} {terminal} has {part_v:.3g} V when high and its pin {board_v:.3g} V: "
                f"the {passage.kind} has nothing to do",
                f"Delete '{of}.{terminal}' under 'between'.",
                {"part_v": part_v, "board_v": board_v, "kind": passage.kind},
            )
