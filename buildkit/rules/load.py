"""Loads: whether the relay bears them, and what holds them at rest."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import MAINS_FROM_V, Circuit
from buildkit.model import Draws, Fault, Load, Pin, Switching, Use
from buildkit.rules import rule

INDUCTIVE = frozenset({"motor", "solenoid", "transformer"})
# First moments over running current.  Common practice, no source.
INRUSH_TIMES = {
    "heater": 1.0,
    "motor": 6.0,
    "lamp": 10.0,
    "transformer": 15.0,
    "solenoid": 5.0,
    "electronic": 10.0,
}
LEAKAGE_SHARE = 0.01  # common practice, no source: an electronic load stirs from 1 % of its current
Switched = tuple[Load, Use, Draws, Switching]


def switched(circuit: Circuit) -> Iterable[Switched]:
    """Loads that say what they draw, on parts that switch."""
    for load in circuit.build.loads.values():
        if load.draws is not None and load.use.part.switching is not None:
            yield load, load.use, load.draws, load.use.part.switching


def figure_of(use: Use, name: str) -> float | None:
    """A figure of a part, or None when its table is silent."""
    return use.figure(name) if name in use.figures else None


def is_dc(circuit: Circuit, draws: Draws) -> bool:
    """Extra-low voltage in a build without mains is taken as DC."""
    return circuit.build.mains is None and draws.volts < MAINS_FROM_V


@rule("load.undescribed", "warning", source="common practice, no source: no figures, no check")
def undescribed(circuit: Circuit) -> Iterable[Fault]:
    """A load does not say what it draws.

    Why: without volts, amps and kind nothing about the relay, the fuse or the
    heat can be checked, and a heater goes without its cut-out unnoticed.

    Wrong:
        hood: {part: ssr-zero-cross-dc-control}

    Right:
        hood:
          part: ssr-zero-cross-dc-control
          draws: {volts: 120, amps: 1.1, kind: motor}
    """
    for load in circuit.build.loads.values():
        if load.draws is None:
            yield Fault(
                load.use.at,
                f"{load.use.name} does not say what it draws, so that {load.use.part.id} is unchecked",
                "Add 'draws' with its volts, amps and kind; all three stand on its name plate.",
                {"load": load.use.name},
            )


@rule("load.over-rating", "error", source="the part's table: load_max_v, load_max_dc_v, load_max_a")
def over_rating(circuit: Circuit) -> Iterable[Fault]:
    """The load needs more volts or amps than the part may switch.

    Why: contacts arc and weld, a semiconductor breaks down. Either way the
    load stays on.

    Wrong:
        draws: {volts: 230, amps: 14, kind: heater}   # relay of 10 A

    Right:
        draws: {volts: 230, amps: 8, kind: heater}
    """
    for load, use, draws, _ in switched(circuit):
        volts_name = "load_max_v"
        if is_dc(circuit, draws) and "load_max_dc_v" in use.figures:
            volts_name = "load_max_dc_v"
        for value, unit, name in ((draws.volts, "V", volts_name), (draws.amps, "A", "load_max_a")):
            limit = figure_of(use, name)
            if limit is not None and value > limit:
                kind = " DC" if name == "load_max_dc_v" else ""
                yield Fault(
                    draws.at,
                    f"{load.use.name} draws {value:g} {unit}{kind}, and {use.part.id} switches "
                    f"{limit:g} {unit}{kind} at most{use.whose(name)}",
                    "Choose a part with a higher rating, or let this one drive a contactor.",
                    {"value": value, "limit": limit, "unit": unit},
                )
        yield from _cutout_over(load, draws)


def _cutout_over(load: Load, draws: Draws) -> Iterable[Fault]:
    """The cut-out, where it is a part whose ratings are known."""
    part = load.cutout_part
    for value, unit, name in ((draws.volts, "V", "load_max_v"), (draws.amps, "A", "load_max_a")):
        if part is not None and value > part.figures[name].value:
            limit = part.figures[name].value
            yield Fault(
                load.use.place("cutout"),
                f"{load.use.name} draws {value:g} {unit}, and its cut-out {part.id} opens "
                f"{limit:g} {unit} at most",
                "Choose a cut-out with a higher rating, and say in 'cutout' which one.",
                {"value": value, "limit": limit, "unit": unit},
            )


@rule(
    "load.inrush", "error", source="the part's table: surge_a; common practice for inrush not given"
)
def inrush(circuit: Circuit) -> Iterable[Fault]:
    """The first moments of the load are too much for the part.

    Why: a motor starts with six times its current, a cold lamp with ten. That
    moment welds contacts. Without inrush_amps it is estimated from the kind.

    Wrong:
        draws: {volts: 120, amps: 2.5, kind: motor, inrush_amps: 30}   # relay of 20 A

    Right:
        draws: {volts: 120, amps: 2.5, kind: motor, inrush_amps: 15}
    """
    for load, use, draws, _ in switched(circuit):
        surge = figure_of(use, "surge_a")
        guessed = draws.amps * INRUSH_TIMES.get(draws.kind, 1.0)
        amps = guessed if draws.inrush_amps is None else draws.inrush_amps
        rated = figure_of(use, "load_max_a")
        if draws.inrush_amps is None and rated is not None and draws.amps > rated:
            continue  # load.over-rating says it already
        if surge is not None and amps > surge:
            how = ", estimated from its kind" if draws.inrush_amps is None else ""
            yield Fault(
                draws.at,
                f"{load.use.name} takes {amps:g} A in its first moments{how}, and {use.part.id} bears "
                f"{surge:g} A{use.whose('surge_a')}",
                "Choose a part for higher inrush, or give inrush_amps if you know that it is less.",
                {"inrush_a": amps, "surge_a": surge, "given": draws.inrush_amps is not None},
            )


@rule("load.leakage", "warning", source="the part's table: leakage_ma; common practice for 1 %")
def leakage(circuit: Circuit) -> Iterable[Fault]:
    """What leaks through the part at rest may still stir a small load.

    Why: a solid-state relay leaks a few milliamps when off. A small lamp
    glows or flickers with that, and an electronic supply tries to start.

    Wrong:
        draws: {volts: 230, amps: 0.2, kind: lamp}   # solid-state relay, leaks 5 mA

    Right:
        the same on a relay module, whose contacts leak nothing
    """
    for load, use, draws, switching in switched(circuit):
        leaks = figure_of(use, "leakage_ma") or 0.0
        delicate = draws.kind in ("lamp", "electronic") and draws.kind in switching.kinds
        if delicate and leaks / 1000 > LEAKAGE_SHARE * draws.amps:
            share = leaks / 10 / draws.amps
            yield Fault(
                draws.at,
                f"{use.part.id} leaks {leaks:g} mA at rest, {share:.2g} % of what {load.use.name} draws: "
                f"a {draws.kind} may glow, flicker or stir",
                "Use a relay with metal contacts, or measure your load and accept it.",
                {"leakage_ma": leaks, "amps": draws.amps, "share_percent": share},
            )


@rule("load.wrong-kind", "error", source="the part's table: switching, switches and kinds")
def wrong_kind(circuit: Circuit) -> Iterable[Fault]:
    """The part cannot switch this kind of load, or this kind of current.

    Why: a solid-state relay for AC turns off where the current passes zero;
    direct current never does, and the load stays on. A load below 50 V in a
    build without mains is taken as direct current.

    Wrong:
        fan: {part: ssr-zero-cross-dc-control,
              draws: {volts: 24, amps: 1, kind: motor}}

    Right:
        fan: {part: relay-module-active-low, draws: {volts: 24, amps: 1, kind: motor}}
    """
    for load, use, draws, switching in switched(circuit):
        if draws.kind not in switching.kinds:
            yield Fault(
                draws.at,
                f"{use.part.id} does not switch loads of kind {draws.kind}, as {load.use.name} is",
                f"Choose another part; this one switches {', '.join(sorted(switching.kinds))}.",
                {"kind": draws.kind, "kinds": sorted(switching.kinds)},
            )
        current = "DC" if is_dc(circuit, draws) else "AC" if circuit.on_mains(load) else ""
        if (switching.switches, current) in (("ac", "DC"), ("dc", "AC")):
            yield Fault(
                draws.at,
                f"{use.part.id} switches {switching.switches.upper()} only, and {load.use.name} is "
                f"{current} at {draws.volts:g} V",
                "Choose a part that switches it. If this is AC from a transformer, "
                "add the 'mains' section that feeds it.",
                {"volts": draws.volts, "switches": switching.switches, "current": current},
            )


@rule(
    "load.rest-undefined", "error", source="the part's table: switching, rest; off_ua; leakage_ua"
)
def rest_undefined(circuit: Circuit) -> Iterable[Fault]:
    """Nothing sure holds the load at rest while the board's pin floats.

    Why: during reset, in the bootloader and without power the pin floats and
    leaks a little. A resistor, or the nature of the part, must keep the load
    off then; firmware cannot.

    Wrong:
        # the pin leaks 1 uA
        hood: {part: ssr-zero-cross-dc-control, own_figures: {off_ua: 0.5}}

    Right:
        hood: {part: ssr-zero-cross-dc-control}   # dark below 100 uA
    """
    leaks = circuit.board.figure("leakage_ua")
    for load in circuit.build.loads.values():
        use, switching = load.use, load.use.part.switching
        if switching is None:
            continue
        name = switching.input_terminal
        wire = circuit.wire(use, name)
        at = wire.at if wire is not None else use.at
        off_ua = figure_of(use, "off_ua")
        if switching.rest_by is None:
            yield Fault(
                at,
                f"nothing holds {use.name} {name} at rest while pin {wire.label if wire else name} floats",
                "Choose a part whose table names what holds it at rest, or let a resistor do it "
                "and add both to a part.yaml of your own.",
                {"input": name, "leakage_ua": leaks},
            )
        elif (leak_v := _leak_v(use, leaks)) > (figure_of(use, "off_max_v") or leak_v):
            yield Fault(
                at,
                f"a floating pin leaks up to {leaks:g} uA: over {use.figure('pull_down_ohms'):g} ohms"
                f"{use.whose('pull_down_ohms')} that is {leak_v:.2g} V, and {use.name} is sure to rest "
                f"only below {use.figure('off_max_v'):g} V",
                "Take pull_down_ohms out and 10 kilohms are fitted.",
                {"leakage_ua": leaks, "leak_v": leak_v, "off_max_v": use.figure("off_max_v")},
            )
        elif switching.rest_by == "property" and off_ua is not None and leaks >= off_ua:
            yield Fault(
                at,
                f"a floating pin leaks up to {leaks:g} uA, and {use.name} is sure to rest only below "
                f"{off_ua:g} uA{use.whose('off_ua')}",
                "Choose a part that needs more current before it runs, or measure yours again.",
                {"leakage_ua": leaks, "off_ua": off_ua},
            )


def _leak_v(use: Use, leaks_ua: float) -> float:
    """What a floating pin's leakage makes of the resistor that holds a control at rest."""
    return leaks_ua / 1e6 * (figure_of(use, "pull_down_ohms") or 0.0)


@rule(
    "load.rests-on",
    "error",
    source="the board's table: at_reset, hazards; the part's: active, off_ua",
)
def rests_on(circuit: Circuit) -> Iterable[Fault]:
    """The board itself holds the control pin at the level that runs the load.

    Why: a resistor in the chip or on the board pulls this pin while the chip
    is in reset. If that is the level which runs the load, and more flows than
    the part needs to stay off, it runs whenever nobody is in charge.

    Wrong:
        # 5 is pulled high at reset
        hood: {part: ssr-zero-cross-dc-control, wires: {CTRL+: 5}}

    Right:
        hood: {part: ssr-zero-cross-dc-control, wires: {CTRL+: 7}}
    """
    through_ua = circuit.io_rail.volts / circuit.board.figure("pull_up_min_ohms") * 1e6
    for load in circuit.build.loads.values():
        switching = load.use.part.switching
        wire = circuit.wire(load.use, switching.input_terminal) if switching else None
        if switching is None or wire is None or wire.pin is None:
            continue
        held, why = _held(wire.pin)
        off_ua, passage = figure_of(load.use, "off_ua"), circuit.passage(wire)
        flows_ua, weak = through_ua, wire.pin.at_reset is not None
        if passage is not None and passage.kind == "shifter":
            held, why, weak = "high", "the level shifter in its wire pulls both sides up", True
            flows_ua = passage.part_side_v / passage.pull_up_ohms * 1e6
        harmless = weak and off_ua is not None and flows_ua < off_ua
        if held == switching.active and not harmless:
            yield Fault(
                wire.at,
                f"pin {wire.label} is held {held} at reset, which runs {load.use.name}: {why}",
                f"Give {wire.name} another pin, or leave it out."
                if passage is None
                else f"Delete '{'.'.join(passage.spot)}' under 'between'; choose a part for this level.",
                {"pin": wire.label, "held": held, "through_ua": flows_ua, "off_ua": off_ua},
            )


def _held(pin: Pin) -> tuple[str | None, str]:
    """The level at which the board holds a pin that nobody drives, and why."""
    if pin.at_reset is not None:
        return ("high" if pin.at_reset == "up" else "low"), "the chip pulls it there by itself"
    hazard = next((h for h in pin.hazards if h.needs is not None), None)
    return (hazard.needs, hazard.why) if hazard else (None, "")


@rule("load.under-minimum", "warning", source="the part's table: min_load_a, load_min_v")
def under_minimum(circuit: Circuit) -> Iterable[Fault]:
    """The load is too small for the part to switch it surely.

    Why: a solid-state relay holds itself on with the load's own current, and
    fires with the load's own voltage. Below its minimum it flickers.

    Wrong:
        draws: {volts: 230, amps: 0.05, kind: solenoid}   # 0.1 A needed

    Right:
        the same on a relay module
    """
    for load, use, draws, _ in switched(circuit):
        for value, unit, name in (
            (draws.volts, "V", "load_min_v"),
            (draws.amps, "A", "min_load_a"),
        ):
            least = figure_of(use, name)
            if least is not None and value < least:
                yield Fault(
                    draws.at,
                    f"{load.use.name} has {value:g} {unit}, and {use.part.id} needs {least:g} {unit} "
                    f"at least{use.whose(name)}",
                    "Use a relay with metal contacts.",
                    {"value": value, "least": least, "unit": unit},
                )
