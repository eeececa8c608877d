"""Control entries: thresholds that can be reached, dwell times, and what silence does."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction

from buildkit.circuit import Circuit
from buildkit.electrics import ntc_ohms_beta, ntc_ohms_steinhart_hart
from buildkit.model import Build, Control, Fault, Load, Probe
from buildkit.rows import segments, text_displays
from buildkit.rules import rule
from buildkit.sentences import duration
from buildkit.units import convert, decimal

HARMFUL_AIR_UNITS = frozenset({"ug/m3", "mg/m3", "ppm"})
REST_WORTH_NAMING_S = 60.0  # a rest shorter than this after a dropout troubles nobody
REST_PER_SILENCE = 4


def _entries(circuit: Circuit) -> Iterable[tuple[Control, Probe, Load]]:
    build = circuit.build
    for entry in build.control:
        yield entry, build.probes[entry.by], build.loads[entry.drive]


@rule(
    "control.no-gap",
    "error",
    source="common practice, no source: hysteresis of a two-point control",
)
def no_gap(circuit: Circuit) -> Iterable[Fault]:
    """Start and stop are the same value.

    Why: a reading is never quite steady. With one value for both, the load
    switches on and off with every flicker around it, until something wears
    out. It is also unclear whether it is to run while high or while low.

    Wrong:
        start_at: 15
        stop_at: 15

    Right:
        start_at: 15
        stop_at: 9
    """
    for entry, probe, _ in _entries(circuit):
        if entry.start_at == entry.stop_at:
            value = f"{decimal(entry.start_at)} {probe.unit}"
            yield Fault(
                entry.place("stop_at"),
                f"{entry.drive} starts and stops at the same value, {value}",
                "Set stop_at below start_at to run while the reading is high, above it to run while it is low.",
                {"start_at": float(entry.start_at), "stop_at": float(entry.stop_at)},
            )


@rule(
    "control.gap-below-noise",
    "warning",
    source="JCGM 100:2008 (GUM) 4.2.3, the deviation of a mean falls with the square root of the count",
)
def gap_below_noise(circuit: Circuit) -> Iterable[Fault]:
    """The gap between start and stop is smaller than what the average flickers by.

    Why: each reading carries noise, at least one step of the sensor's
    resolution. An average of N readings carries noise / sqrt(N). If that
    alone crosses the gap, the load switches though nothing in the room has
    changed.

    Wrong:
        average: 1          # a reading flickers by 2 ug/m3
        start_at: 15
        stop_at: 14

    Right:
        average: 10         # the average flickers by 0.6 ug/m3
        start_at: 15
        stop_at: 12
    """
    for entry, probe, _ in _entries(circuit):
        quantity, gap = probe.quantity, abs(entry.start_at - entry.stop_at)
        flicker = max(quantity.noise, quantity.resolution)
        in_unit = convert(flicker, quantity.unit, probe.unit) - convert(
            Fraction(0), quantity.unit, probe.unit
        )
        noise = float(in_unit) / math.sqrt(probe.average)
        if 0 < gap < noise:
            yield Fault(
                entry.place("stop_at"),
                f"the gap of {decimal(gap)} {probe.unit} between start and stop is smaller than the "
                f"{noise:.2g} {probe.unit} by which {entry.by} flickers with average: {probe.average}",
                f"Widen the gap to {2 * noise:.2g} {probe.unit} or more, or average more readings.",
                {"gap": float(gap), "noise": noise, "average": probe.average},
            )


@rule("control.outside-span", "error", source="the part's table, quantities: low and high")
def outside_span(circuit: Circuit) -> Iterable[Fault]:
    """A threshold is a value that the probe can never read.

    Why: a reading outside the probe's span counts as lost. A start threshold
    out there never starts the load, a stop threshold never stops it. With a
    thermistor the span is narrower still: near the ends of the divider a
    reading cannot be told from a broken or shorted lead.

    Wrong:
        smoke: {part: pm-frame32, value: pm2_5, every_s: 1}    # reads 0 to 1000 ug/m3
        control: [{drive: hood, by: smoke, start_at: 1500, stop_at: 900}]

    Right:
        smoke: {part: pm-frame32, value: pm2_5, every_s: 1}
        control: [{drive: hood, by: smoke, start_at: 150, stop_at: 90}]
    """
    for entry, probe, _ in _entries(circuit):
        low, high = _span(probe)
        for key, value in (("start_at", entry.start_at), ("stop_at", entry.stop_at)):
            if not low <= value <= high:
                span = f"{decimal(low)} to {decimal(high)} {probe.unit}"
                yield Fault(
                    entry.place(key),
                    f"{key} is {decimal(value)} {probe.unit}, and {entry.by} reads {span}",
                    f"Choose {key} within {span}.",
                    {key: float(value), "low": float(low), "high": float(high)},
                )
            elif {"false_ends_percent", "series_ohms", "r25_ohms"} <= probe.use.figures.keys():
                yield from _in_lost_ends(entry, probe, key, value)


def _in_lost_ends(entry: Control, probe: Probe, key: str, value: Fraction) -> Iterable[Fault]:
    share = _divider_percent(probe, value)
    ends = probe.use.figure("false_ends_percent")
    if not ends <= share <= 100 - ends:
        yield Fault(
            entry.place(key),
            f"{key} is {decimal(value)} {probe.unit}; there {entry.by} is at {share:.1f} % of the "
            f"converter's span, where the outer {ends:g} % count as a broken lead",
            f"Choose {key} nearer to 25 degC, or a fixed resistor that suits this temperature "
            "and put its value under own_figures: {series_ohms: …}.",
            {key: float(value), "share_percent": share, "false_ends_percent": ends},
        )


def _span(probe: Probe) -> tuple[Fraction, Fraction]:
    """Lowest and highest value of a probe, in its unit."""
    quantity = probe.quantity
    ends = [convert(end, quantity.unit, probe.unit) for end in (quantity.low, quantity.high)]
    return min(ends), max(ends)


def _divider_percent(probe: Probe, value: Fraction) -> float:
    """Percent of the converter's span at which a thermistor to ground stands at ``value``."""
    figures = probe.use.figures
    celsius = float(convert(value, probe.unit, "degC"))
    names = [f"sh_{letter}_per_k" for letter in "abc"]
    a, b, c = (figures[name].value if name in figures else 0.0 for name in names)
    try:
        ohms = (
            ntc_ohms_steinhart_hart(celsius, a, b, c)
            if a and c
            else ntc_ohms_beta(celsius, figures["r25_ohms"].value, figures["beta_k"].value)
        )
    except (OverflowError, ValueError):  # own figures of a curve that no thermistor has
        return 100.0
    return 100 * ohms / (ohms + figures["series_ohms"].value)


@rule(
    "control.unreachable",
    "warning",
    source="common practice, no source: noise at the end of a span",
)
def unreachable(circuit: Circuit) -> Iterable[Fault]:
    """A threshold is the very last value that the probe can read.

    Why: to reach it, every reading of the average must stand at the end of
    the span at once, with no noise. In practice the load then never starts,
    or never stops by itself.

    Wrong:
        average: 10
        start_at: 15
        stop_at: 0          # ten readings of exactly 0 in a row

    Right:
        average: 10
        start_at: 15
        stop_at: 5
    """
    for entry, probe, _ in _entries(circuit):
        if not probe.quantity.noise:
            continue  # a switch or a pulse count does stand at the end of its span
        low, high = _span(probe)
        start_end, stop_end = (high, low) if entry.rising else (low, high)
        for key, value, end in (
            ("start_at", entry.start_at, start_end),
            ("stop_at", entry.stop_at, stop_end),
        ):
            if value == end:
                inward = "below" if end == high else "above"
                verb = "start" if key == "start_at" else "stop"
                yield Fault(
                    entry.place(key),
                    f"{entry.drive} can only {verb} while {probe.average} readings in a row are "
                    f"exactly {decimal(end)} {probe.unit}, the end of what {entry.by} can read",
                    f"Choose {key} {inward} {decimal(end)} {probe.unit} by more than the readings flicker.",
                    {key: float(value), "end": float(end), "average": probe.average},
                )


@rule(
    "control.heater-on-when-blind",
    "error",
    source="common practice, no source: heat is never switched on by what cannot be measured",
)
def heater_on_when_blind(circuit: Circuit) -> Iterable[Fault]:
    """A heater would run while its probe is silent.

    Why: without readings nothing sees how hot it gets. A broken wire to the
    sensor would heat without end.

    Wrong:
        draws: {volts: 230, amps: 0.4, kind: heater}
        if_no_reading: on

    Right:
        draws: {volts: 230, amps: 0.4, kind: heater}
        if_no_reading: off
    """
    for entry, _, load in _entries(circuit):
        if load.draws and load.draws.kind == "heater" and entry.if_no_reading == "on":
            yield Fault(
                entry.place("if_no_reading"),
                f"{entry.drive} is a heater and would run while {entry.by} gives no readings",
                "Set if_no_reading: off.",
                {"kind": "heater"},
            )


@rule("control.driven-twice", "error", source="common practice, no source: one hand on one switch")
def driven_twice(circuit: Circuit) -> Iterable[Fault]:
    """Two control entries drive the same load.

    Why: when one entry wants it on and the other off, there is no answer.
    The load would follow whichever comes last, or chatter between them.

    Wrong:
        - {drive: fan, by: damp, start_at: 65, stop_at: 55}
        - {drive: fan, by: heat, start_at: 30, stop_at: 27}

    Right:
        - {drive: fan, by: damp, start_at: 65, stop_at: 55}
        - {drive: vent, by: heat, start_at: 30, stop_at: 27}
    """
    first: dict[str, Control] = {}
    for entry in circuit.build.control:
        if entry.drive in first:
            line = first[entry.drive].place("drive").line
            yield Fault(
                entry.place("drive"),
                f"{entry.drive} is already driven by the entry on line {line}",
                "Keep one entry for it, or give the second one a load of its own.",
                {"first_line": line},
            )
        first.setdefault(entry.drive, entry)


@rule(
    "control.never-driven", "warning", source="common practice, no source: every load has its entry"
)
def never_driven(circuit: Circuit) -> Iterable[Fault]:
    """A load is wired, and no control entry ever runs it.

    Why: it will rest for ever. Most often its entry was forgotten, or drives
    another load by mistake.

    Wrong:
        loads: {hood: {part: relay-module-active-low}}
        control: []

    Right:
        loads: {hood: {part: relay-module-active-low}}
        control: [{drive: hood, by: smoke, start_at: 15, stop_at: 9}]
    """
    driven = {entry.drive for entry in circuit.build.control}
    for name, load in circuit.build.loads.items():
        if name not in driven:
            yield Fault(
                load.use.at,
                f"no control entry drives {name}, so it never runs",
                f"Add an entry with 'drive: {name}' under control, or leave the load out.",
                {"entries": len(circuit.build.control)},
            )


@rule(
    "control.probe-unused", "warning", source="common practice, no source: every probe has its use"
)
def probe_unused(circuit: Circuit) -> Iterable[Fault]:
    """A probe neither controls a load nor stands on a display.

    Why: it takes a pin and power and is only logged. Most often an entry
    names another probe by mistake. A build without any control entry is
    there to log, and is left in peace.

    Wrong:
        probes: {soil: {…}, air: {…}}
        control: [{drive: mat, by: soil, …}]

    Right:
        probes: {soil: {…}, air: {…}}
        control: [{drive: mat, by: soil, …}]
        displays: {panel: {part: lcd1602-pcf8574, rows: ["soil {soil}", "air {air}"]}}
    """
    build = circuit.build
    used = {entry.by for entry in build.control} | _shown(build)
    for name, probe in build.probes.items():
        if build.control and name not in used:
            yield Fault(
                probe.use.at,
                f"{name} controls no load and stands on no display; it is only logged",
                f"Name it in a control entry, show it with {{{name}}} on a display, or leave it out.",
                {"entries": len(build.control)},
            )


def _shown(build: Build) -> set[str]:
    rows = (row for display in text_displays(build) for row in display.rows)
    return {piece.name for row in rows for piece in segments(row, build) if piece.name}


@rule(
    "control.window-longer-than-silence",
    "warning",
    source="common practice, no source: after silence the average begins anew (buildkit's own semantics)",
)
def window_longer_than_silence(circuit: Circuit) -> Iterable[Fault]:
    """A short dropout of the probe costs a long time, until the average is full again.

    Why: silence empties the window of the average, and until it is full the
    load rests (or runs on, with if_no_reading: on). If filling takes many
    times as long as the silence that is waited for, one loose contact for a
    moment stops the control for minutes.

    Wrong:
        every_s: 2
        average: 120              # full after 240 s
        no_reading_after_s: 10

    Right:
        every_s: 2
        average: 30               # full after 60 s
        no_reading_after_s: 20
    """
    for entry, probe, _ in _entries(circuit):
        window_s = probe.average * probe.every_s
        silence_s = entry.no_reading_after_s
        if window_s > max(REST_PER_SILENCE * silence_s, REST_WORTH_NAMING_S):
            does = "keeps running" if entry.if_no_reading == "on" else "rests"
            yield Fault(
                entry.place("no_reading_after_s"),
                f"after {duration(silence_s)} without readings {entry.drive} {does} for another "
                f"{duration(window_s)}, until {probe.average} readings fill the average again",
                f"Average fewer readings, or set no_reading_after_s to {window_s / REST_PER_SILENCE:g} or more.",
                {"window_s": window_s, "no_reading_after_s": silence_s},
            )


@rule(
    "control.not-life-safety",
    "note",
    source="EN 14604 (smoke alarms), EN 50291-1 (carbon monoxide), EN 45544 (workplace air): certified devices",
)
def not_life_safety(circuit: Circuit) -> Iterable[Fault]:
    """A probe for smoke, dust or gas does not make this an alarm.

    Why: an alarm that lives depend on is a certified device with its own
    supply, test and end of life. This appliance has no such certificate and
    its probe is not made for it; it may switch a fan, and no more.

    Wrong:
        about: Warns us at night when there is smoke or carbon monoxide.

    Right:
        about: Runs the cooker hood while frying smoke is in the air.
    """
    for name, probe in circuit.build.probes.items():
        if probe.quantity.unit in HARMFUL_AIR_UNITS:
            yield Fault(
                probe.use.place("value"),
                f"{name} measures {probe.quantity.about}, and this is no smoke, gas or CO alarm",
                "Keep certified alarms in the room, and let no safety depend on this appliance.",
                {"unit": probe.quantity.unit},
            )


@rule(
    "control.cannot-go-silent",
    "note",
    source="common practice, no source: a contact, a pulse and a level carry no sign of life",
)
def cannot_go_silent(circuit: Circuit) -> Iterable[Fault]:
    """A load hangs on a probe whose broken wire looks like a reading.

    Why: if_no_reading protects against a sensor that has stopped to answer.
    A float switch, a flow sensor or a motion sensor never answers; its wire
    is high or low, cut or whole. The load then follows the cut wire for ever.

    Wrong:
        control: [{drive: pump, by: tank_empty, if_no_reading: off, …}]

    Right:
        # mount the float so that a cut wire rests the pump, and bound its run
        control: [{drive: pump, by: tank_empty, max_on_s: 900, if_no_reading: off, …}]
    """
    for entry, probe, _ in _entries(circuit):
        part = probe.use.part
        if probe.can_go_silent:
            continue
        bound = "" if entry.max_on_s else " Set max_on_s, so that no single fault runs it for ever."
        yield Fault(
            entry.place("if_no_reading"),
            f"if_no_reading does not protect {entry.drive} from a broken {entry.by}: "
            f"{part.cannot_go_silent}",
            f"Arrange {entry.by} so that a cut wire rests {entry.drive}.{bound}",
            {"part": part.id, "max_on_s": entry.max_on_s},
        )
