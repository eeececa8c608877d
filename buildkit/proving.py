"""The proving steps: what to do, what to expect with the build's own numbers, what if not.

They go from no power at all to the real load after half an hour, and only
those that apply to the build are given.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from itertools import pairwise

from buildkit import bench, electrics, hand_trials, trials
from buildkit.bench import Stage, Step, ohms, short
from buildkit.bill import cutout_words, figure
from buildkit.budget import bus_least_ohms, bus_pull_ups
from buildkit.circuit import Circuit, contacts
from buildkit.model import Probe
from buildkit.scene import LOG_BAUD
from buildkit.sentences import duration
from buildkit.units import UNITS

# Common practice, no source: above this a rail full of modules is not shorted.
RAIL_LEAST_OHMS = 100.0


def stages(circuit: Circuit) -> tuple[Stage, ...]:
    """Every stage that has steps in this build, in the order of work."""
    unplugged = "mains unplugged, " if bench.has_mains(circuit) else ""
    made = (
        Stage("Without power", f"{unplugged}USB and supply off", tuple(_dead(circuit))),
        Stage(
            "Mains side, still dead",
            "plug in your hand, not in the wall; USB and supply off",
            tuple(_mains_dead(circuit)),
        ),
        Stage("Low voltage", f"{unplugged}board powered", tuple(_low(circuit))),
        Stage(
            "Switching, nothing switched",
            f"{unplugged}load contacts empty, board powered",
            tuple(trials.switching(circuit)),
        ),
        Stage(
            "Thresholds and faults" if circuit.build.control else "Faults",
            f"{unplugged}watch the indicator of the switching part, not the load"
            if circuit.build.loads
            else "board powered, the log open",
            tuple(trials.control(circuit)),
        ),
        Stage("The load", "lid closed, nobody touching", tuple(trials.load(circuit))),
    )
    return tuple(stage for stage in made if stage.steps)


# --- without power --------------------------------------------------------------


def _dead(circuit: Circuit) -> Iterator[Step]:
    low = [n for n in bench.work_order(circuit) if n.kind != "mains"]
    yield Step(
        f"Measure along every wire of numbers 1 to {len(low)}, the meter on its ohms.",
        "Below the figure in the wire table, after you have taken off what the meter leads alone "
        "show; every end of a block against the block.",
        "A cold joint, a wrong pin or a broken crimp: wiggle each while you measure.",
    )
    yield from _rail_shorts(circuit)
    yield from _resistors(circuit)
    yield from _halves(circuit)
    yield from _pull_ups(circuit)
    yield from _thermistors(circuit)
    yield from hand_trials.contacts(circuit)


def _used_rails(circuit: Circuit) -> list[str]:
    return [n.name for n in circuit.nets if n.kind == "supply"]


def _rail_shorts(circuit: Circuit) -> Iterator[Step]:
    rails = _used_rails(circuit)
    for rail in rails:
        yield Step(
            f"Measure from GND to {rail}, red lead on {rail}.",
            f"More than {ohms(RAIL_LEAST_OHMS)}; it may climb while the parts' capacitors fill.",
            "A reading that stays lower is a short: unplug the parts one by one until it goes.",
        )
    for first, second in pairwise(rails):
        yield Step(
            f"Measure from {first} to {second}.",
            f"More than {ohms(RAIL_LEAST_OHMS)}.",
            "Two rails joined: follow their wires before any power.",
        )
    labels = {bench.printed(circuit.board, wire.label) for wire in circuit.signals()}
    pins = sorted(labels, key=lambda label: (len(label), label))
    if pins:
        yield Step(
            f"Measure from each of the pins {', '.join(pins)} to GND and to the pin beside it.",
            f"More than {ohms(RAIL_LEAST_OHMS)} each time.",
            "A bridge of solder or a strand of wire across two pins.",
        )


def _resistors(circuit: Circuit) -> Iterator[Step]:
    for part in circuit.components:
        value = part.extra.ohms
        if value is None:
            continue
        yield Step(
            f"Measure {part.ref} ({part.extra.name} of {part.use.name}) before it is soldered in.",
            f"{ohms(0.95 * value)} to {ohms(1.05 * value)} for {ohms(value)}, 5 %.",
            "A wrong resistor: read its bands again.",
        )


_HALVES = {
    "diode": (
        "Measure {ref} ({name} of {use}) on the meter's diode range, both ways round, before it "
        "is soldered in.",
        "0.3 to 0.8 V with the black lead on the end with the ring (cathode), open the other way.",
        "Open or near 0 V both ways: a dead diode. Note which end has the ring: turned round it is "
        "a short when the load rests.",
    ),
    "transistor": (
        "Find base, collector and emitter of {ref} ({name} of {use}) in the data sheet of the very "
        "type, then measure it on the diode range from base to both others.",
        "0.5 to 0.9 V with the red lead on the base, open the other way, open from collector to "
        "emitter.",
        "Legs in another order, a PNP, or a dead one. Types that look the same differ in their legs.",
    ),
}


def _halves(circuit: Circuit) -> Iterator[Step]:
    """Small parts that conduct one way only."""
    for part in circuit.components:
        if part.extra.kind in _HALVES:
            words = {"ref": part.ref, "name": part.extra.name, "use": part.use.name}
            yield Step(*(text.format(**words) for text in _HALVES[part.extra.kind]))


def _pull_ups(circuit: Circuit) -> Iterator[Step]:
    for line, (rail, together, names) in bus_pull_ups(circuit).items():
        yield Step(
            f"Measure from {line} to {rail.name}, everything on the bus plugged in.",
            f"About {ohms(together)} ({names}), and not below {ohms(bus_least_ohms(rail))}; a "
            "resistor on the board itself makes it a little less.",
            "Much more: a module without its pull-up, or not plugged in. Less: too many pull-ups.",
        )


def _thermistors(circuit: Circuit) -> Iterator[Step]:
    for name, probe in circuit.build.probes.items():
        r25, beta = figure(probe.use, "r25_ohms"), figure(probe.use, "beta_k")
        if r25 is None or beta is None:
            continue
        cold, warm = (electrics.ntc_ohms_beta(t, r25, beta) for t in (15.0, 30.0))
        yield Step(
            f"Measure the thermistor of {name} alone, one lead unplugged.",
            f"{ohms(round(warm, -1))} at 30 °C to {ohms(round(cold, -1))} at 15 °C, and falling "
            "while you hold it between two fingers.",
            "Open or near 0 Ω: a broken or shorted lead. Far off: another type, put its own "
            "figures into the build.",
        )
        fixed = figure(probe.use, "series_ohms")
        if fixed is not None:
            yield Step(
                f"Measure the fixed resistor of {name} before it is soldered in.",
                f"{ohms(0.99 * fixed)} to {ohms(1.01 * fixed)} for {ohms(fixed)}, 1 %.",
                "A wrong resistor; the temperature would be wrong by as much.",
            )


# --- mains side, dead --------------------------------------------------------------


def _mains_dead(circuit: Circuit) -> Iterator[Step]:
    earth = bench.earth_word(circuit.build)
    live = bench.live_word(circuit.build)
    neutral = "the second hot" if bench.two_lives(circuit) else "neutral"
    mains = [n for n in bench.work_order(circuit) if n.kind == "mains"]
    if not mains:
        return
    first = bench.numbers(circuit)[mains[0].name]
    yield Step(
        f"Measure along every wire of numbers {first} to {first + len(mains) - 1}; pull each "
        "conductor by hand.",
        f"Below {short(bench.WIRE_OHMS)} Ω after the meter leads; nothing moves in its terminal.",
        "Do it again; loose mains terminals burn.",
    )
    yield Step(
        f"Measure from the {earth} pin of the plug to every metal part, plate and heat sink that "
        "a finger can reach.",
        "Below 0.5 Ω after the meter leads (common practice, no source).",
        "A bond is missing or sits on paint. Do not plug in.",
    )
    yield Step(
        f"Measure from {live} and from {neutral} of the plug to its {earth} pin, and to GND of the "
        "low-voltage side.",
        "More than 1 MΩ each time, on the meter's highest range. (It is no insulation test: that "
        "takes a tester with 500 V and somebody who may use it.)",
        "The sides touch. Do not plug in.",
    )
    yield from _fuse_in_live(circuit)
    for name, load in circuit.build.loads.items():
        if load.cutout and circuit.on_mains(load):
            yield Step(
                f"Measure through the cut-out of {name} cold, then warm the cut-out alone past "
                f"its point ({cutout_words(load)}).",
                f"Below {short(bench.WIRE_OHMS)} Ω cold; open when hot.",
                "The wrong cut-out, or one that is stuck: replace it.",
            )


def _fuse_in_live(circuit: Circuit) -> Iterator[Step]:
    live = bench.live_word(circuit.build)
    for name, load in circuit.build.loads.items():
        feed, out = contacts(load.use)
        switching = load.use.part.switching
        if not circuit.on_mains(load) or switching is None or feed is None:
            continue
        yield Step(
            f"Measure from {live} of the plug to {feed} of {name}, with the fuse in and taken out.",
            f"Below {short(bench.WIRE_OHMS)} Ω with it, more than 1 MΩ without.",
            f"The fuse is not first in the {live} conductor: rewire it.",
        )
        least = "1 MΩ" if switching.contact == "metal" else "100 kΩ (its snubber may show)"
        yield Step(
            f"Measure from {feed} to {out} of {name}.",
            f"Open at rest: more than {least}.",
            "Wired to the wrong contact, or the switching part is already shorted.",
        )


# --- low voltage, powered --------------------------------------------------------------


def _low(circuit: Circuit) -> Iterator[Step]:
    yield from _rails_up(circuit)
    yield Step(
        "Touch every part after one minute.",
        "Nothing is warm but, slightly, the board's own chips and a display's light.",
        "Power off at once; look for reversed supply wires.",
    )
    yield from _bus_scan(circuit)
    yield Step(
        f"Load the sketch and open the log ({LOG_BAUD} baud).",
        "The first line reads ms,probe,raw,average,load,state, and a line follows for each "
        "reading.",
        "Nothing: wrong port or baud. The first line again and again: the board resets, look at "
        "its supply.",
    )
    yield from _passages(circuit)
    for name, probe in circuit.build.probes.items():
        yield _plausible(name, probe)


def _rails_up(circuit: Circuit) -> Iterable[Step]:
    for rail_name in _used_rails(circuit):
        rail = circuit.board.rails[rail_name]
        spots = [w.name for w in circuit.wires if w.rail is rail]
        yield Step(
            f"Measure {rail.name} against GND at {', '.join(spots)}.",
            f"{short(rail.min_v)} to {short(rail.max_v)} V at each.",
            "Low everywhere: a weak supply or USB cable. Low at one: its joint. Zero: power off, "
            "look for a short.",
        )


def _bus_scan(circuit: Circuit) -> Iterator[Step]:
    talking = circuit.uses_talking("i2c")
    if not talking:
        return
    expected = ", ".join(f"0x{u.address:02X} ({u.name})" for u in talking if u.address is not None)
    yield Step(
        "Load an I2C scanner (one is among the examples of most cores' Wire library) and read "
        "what it finds.",
        f"Exactly {expected}.",
        "Nothing: SDA and SCL swapped, or no supply. Another address: set the module's jumpers, "
        "or the address in the build.",
    )


def _passages(circuit: Circuit) -> Iterator[Step]:
    for passage in circuit.passages.values():
        wire = next((wire for wire in circuit.wires if wire.spot == passage.spot), None)
        if wire is None:
            continue
        out = passage.flow == "out"
        at_pin = passage.high_v(passage.part_v, "board") if out else passage.board_v
        pin = bench.printed(circuit.board, wire.label)
        yield Step(
            f"Measure pin {pin} and {' '.join(passage.spot)} against GND while that wire is high "
            "(a serial or bus line is high at rest, a control wire while its load runs or, where "
            "low runs it, rests).",
            f"About {short(at_pin, 2)} V at the pin and {short(passage.part_side_v, 2)} V at the "
            f"part: the {passage.kind} stands between them.",
            "The same at both ends: the wire passes it by. Neither: its rails, its ground, or in "
            "and out exchanged.",
        )


def _plausible(name: str, probe: Probe) -> Step:
    quantity = probe.quantity
    warm_s = figure(probe.use, "warm_up_s") or 0.0
    full_s = warm_s + probe.average * probe.every_s
    sign = UNITS[quantity.unit].sign
    low, high = short(float(quantity.low)), short(float(quantity.high))
    warm = f"{duration(warm_s)} of warm-up and " if warm_s else ""
    return Step(
        f"Watch {name} for {duration(max(60.0, 2 * full_s))} in still air or still water, beside "
        "an instrument that you trust.",
        f"A reading every {duration(probe.every_s)}; the first average after {warm}"
        f"{probe.average} reading{'s' if probe.average > 1 else ''}, {duration(full_s)}. Within {low} to {high} {sign}, near the "
        f"instrument, and still within about {short(float(quantity.noise))} {sign} from one "
        "reading to the next.",
        "Empty readings: its signal wire or address. At an end of the span: a broken or shorted "
        "lead.",
    )
