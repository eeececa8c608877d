"""Proving steps with the board at work: switching, thresholds, faults on purpose, the load."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction

from buildkit import bench, hand_trials, mishaps
from buildkit.bench import Step, short
from buildkit.bill import air_limits_c, figure
from buildkit.circuit import Circuit, contacts
from buildkit.model import Control, Load, Probe, Switching
from buildkit.sentences import duration
from buildkit.units import UNITS, convert, decimal

SWITCHINGS = 20

# --- the switching part, nothing switched ---------------------------------------


def switching(circuit: Circuit) -> Iterator[Step]:
    """Each switching part driven by hand, left floating, and through resets."""
    loads = [load for load in circuit.build.loads.values() if load.use.part.switching]
    for load in loads:
        yield from _by_hand(circuit, load)
    if loads:
        names = ", ".join(load.use.name for load in loads)
        yield Step(
            "Hold the board's reset button for 10 s, three times; then plug USB in and out, five "
            "times; then load the sketch again.",
            f"The indicator of {names} stays dark and nothing clicks, all the time.",
            "The pin moves at reset, or nothing holds the control at rest: choose another pin or "
            "add the resistor that the findings name. Do not connect the load before this holds.",
        )


def _by_hand(circuit: Circuit, load: Load) -> Iterator[Step]:
    part, use = load.use.part.switching, load.use
    assert part is not None
    wire = circuit.wire(use, part.input_terminal)
    if wire is None:
        return
    label = bench.printed(circuit.board, wire.label)
    touch = "GND" if part.active == "low" else circuit.io_rail.name
    ma = figure(use, "on_ma")
    takes = f" and takes up to {short(ma)} mA" if ma is not None else ""
    yield Step(
        f"Pull the wire that leads to {wire.name} off pin {label} of the board and "
        f"touch it to {touch}.",
        f"The indicator, where it has one, lights{takes}; {_contact_when_on(part, use.name, contacts(use))}.",
        "No light: supply or ground of the module. Light without a click: a bad module.",
    )
    why = f": {part.rest_why}" if part.rest_why else ""
    yield Step(
        f"Let that wire of {use.name} hang free, touching nothing; then put it back on pin "
        f"{label}.",
        f"Dark and at rest both times{why}.",
        "It would run while the board is in reset: do not go on before something holds it at rest.",
    )


def _contact_when_on(part: Switching, name: str, ends: tuple[str | None, str | None]) -> str:
    if part.contact == "metal":
        return f"it clicks, and {ends[0]} to {ends[1]} of {name} goes from open to below 1 Ω"
    if part.low_side:
        return f"{ends[1]} of {name} to GND goes from open to below 1 Ω, red lead on {ends[1]}"
    return "an ohm meter does not show its load side, so that the light is all you look for"


# --- thresholds and faults ---------------------------------------------------------


def control(circuit: Circuit) -> Iterator[Step]:
    """Trip points and faults of every control entry, and of probes that are only shown."""
    for entry in circuit.build.control:
        probe = circuit.build.probes[entry.by]
        yield from _trip_points(entry, probe)
        yield from mishaps.silent(circuit, entry, probe)
        if entry.stuck_after_s is not None:
            yield mishaps.stuck(circuit, entry, probe, entry.stuck_after_s)
        if entry.max_on_s is not None:
            yield mishaps.longest_run(circuit, entry, entry.max_on_s)
        yield from hand_trials.hand_controls(circuit, entry)
    for name in circuit.build.unheard():
        yield from mishaps.unheard(circuit, circuit.build.probes[name])


def _trip_points(entry: Control, probe: Probe) -> Iterator[Step]:
    sign = UNITS[probe.unit].sign
    up, down = _recipes(entry, probe)
    start, stop = f"{decimal(entry.start_at)} {sign}", f"{decimal(entry.stop_at)} {sign}"
    lag = duration(probe.average * probe.every_s)
    wait = f", and not before {duration(entry.min_off_s)} at rest" if entry.min_off_s else ""
    yield Step(
        f"Push {entry.by} {'over' if entry.rising else 'under'} {start}. "
        f"{up if entry.rising else down}",
        f"The load starts when the average shown is {start} or "
        f"{'more' if entry.rising else 'less'}{wait}. The average lags by up to {lag}.",
        "It does not start: compare the average in the log with start_at, then the state column "
        "with the pin.",
    )
    least = f", and not before it has run {duration(entry.min_on_s)}" if entry.min_on_s else ""
    more = f"; it runs on for {duration(entry.run_on_s)}" if entry.run_on_s else ""
    yield Step(
        f"Push {entry.by} {'under' if entry.rising else 'over'} {stop}. "
        f"{down if entry.rising else up}",
        f"The load rests when the average shown is {stop} or "
        f"{'less' if entry.rising else 'more'}{least}{more}. Between {start} and {stop} it keeps "
        "its state.",
        "It does not rest: compare the average in the log with stop_at.",
    )


_OTHERWISE = (
    "In a copy of the build set start_at and stop_at to just either side of what you read now, "
    "write and load that sketch; put the right one back afterwards."
)
# By kind of unit: what pushes a reading up and down, and how far it surely gets (in the unit of
# which the kind is measured).  Common practice, no source.
_PUSHES: dict[str, tuple[tuple[float, str], tuple[float, str]]] = {
    "dust": (
        (100, "Blow out a candle a metre below it and let the thread of smoke drift past."),
        (8, "Let clean air from outdoors blow past it."),
    ),
    "humidity": (
        (85, "Breathe slowly past it from a hand's width."),
        (25, "Close it into a bag with dry rice or silica gel for half an hour."),
    ),
    "fraction": (
        (2000, "Breathe twice into a bag around it."),
        (600, "Hold it out of a window for ten minutes."),
    ),
}
_FINGERS = (28.0, "Hold it between two fingers.")
_WARM_WATER = (
    45.0,
    "Put it, dry in a thin plastic bag, into a cup of warm water (below 60 °C, mind your hands).",
)
_ICE = (5.0, "Press it, dry in a thin plastic bag, into ice and water.")


def _recipes(entry: Control, probe: Probe) -> tuple[str, str]:
    """How to push the reading above the higher threshold, and below the lower one."""
    kind = UNITS[probe.unit].kind
    base = {"temperature": "degC", "dust": "ug/m3"}.get(kind, probe.quantity.unit)
    ends = [_in(base, probe, value) for value in (entry.start_at, entry.stop_at)]
    high, low = max(ends), min(ends)
    if kind == "temperature":
        up_far, up = _FINGERS if high < _FINGERS[0] else _WARM_WATER
        down_far, down = _ICE
    elif kind in _PUSHES:
        (up_far, up), (down_far, down) = _PUSHES[kind]
    else:
        return _OTHERWISE, _OTHERWISE
    return (up if high < up_far else _OTHERWISE), (down if low > down_far else _OTHERWISE)


def _in(unit: str, probe: Probe, value: Fraction) -> float:
    return float(convert(value, probe.unit, unit))


# --- the load ----------------------------------------------------------------------


def load(circuit: Circuit) -> Iterator[Step]:
    """The real load: first plugged in, switched, and after half an hour."""
    loads = [each for each in circuit.build.loads.values() if each.draws is not None]
    if bench.has_mains(circuit):
        yield from _first_plug(circuit)
    for each in loads:
        if not circuit.on_mains(each):
            yield _own_supply(each)
    for each in loads:
        yield _switched(circuit, each)
        yield _half_hour(circuit, each)


def _first_plug(circuit: Circuit) -> Iterator[Step]:
    socket = bench.socket_word(circuit.build)
    yield Step(
        f"Press the test button of {socket}; then, board powered and at rest, lid closed, plug in "
        "there for the first time, one hand behind your back.",
        "It does not trip, and no load runs for one minute.",
        "It trips, or a load runs: unplug, and go back to the dead mains side.",
    )


def _own_supply(each: Load) -> Step:
    assert each.draws is not None
    volts = each.draws.volts
    return Step(
        f"Measure the supply of {each.use.name} behind its fuse before the load is connected.",
        f"{short(0.9 * volts, 1)} to {short(1.1 * volts, 1)} V (10 % either way, common practice, "
        "no source), plus where the list says plus.",
        "Reversed or wrong supply: it would run the load unswitched or burn it.",
    )


def _switched(circuit: Circuit, each: Load) -> Step:
    entry = next((e for e in circuit.build.control if e.drive == each.use.name), None)
    cycle_s = entry.min_on_s + entry.min_off_s + entry.run_on_s if entry else 0.0
    takes = f" With this build's times that takes {duration(SWITCHINGS * cycle_s)} or more."
    by = f", pushing {entry.by} over and under" if entry else ""
    assert each.draws is not None
    care = {
        "motor": " Stand clear of what turns.",
        "heater": " Stay beside it all the time.",
    }.get(each.draws.kind, "")
    if circuit.on_mains(each):
        care += " Read the log from a computer that runs on its battery."
    shows = " and no display shows a wrong character" if circuit.build.displays else ""
    return Step(
        f"Let {each.use.name} switch on and off {SWITCHINGS} times{by}.{care}"
        f"{takes if cycle_s else ''}",
        f"{SWITCHINGS} starts, the log's first line (ms,probe,…) does not come again{shows}.",
        "A reset or garbled text at a switching: move low-voltage wires away from the load's, "
        "shorten them, put a suppressor across the load that suits it.",
    )


def _half_hour(circuit: Circuit, each: Load) -> Step:
    """The tables derate by the air around a part; held against its case, the same is safer."""
    ambient = short(circuit.build.ambient_c)
    entry = next((e for e in circuit.build.control if e.drive == each.use.name), None)
    run_s = min(1800.0, entry.max_on_s) if entry and entry.max_on_s is not None else 1800.0
    cases = [f"{t} °C {how}".strip() for how, t in air_limits_c(each).items()]
    case = f", and the case of {each.use.name} below {' or '.join(cases)}" if cases else ""
    return Step(
        f"Fix an insulated temperature probe to the case of {each.use.name} and one in the air of "
        f"the box while all is unplugged. Close the lid and let {each.use.name} run for "
        f"{duration(run_s)}.",
        f"The air at most {ambient} °C, on which every rating here counts{case}.",
        "Too warm: unplug and let it cool; then a heat sink, a bigger box, holes that no finger "
        "passes, or a switching part with a higher rating.",
    )
