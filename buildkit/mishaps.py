"""Proving steps that make a fault on purpose: no reading, a stuck one, a run that does not end."""

from __future__ import annotations

from collections.abc import Iterator

from buildkit.bench import Step, ohms, short
from buildkit.bill import figure
from buildkit.circuit import Circuit
from buildkit.electrics import ntc_ohms_beta
from buildkit.model import Control, Probe
from buildkit.rows import text_displays
from buildkit.sentences import duration


def silent(circuit: Circuit, entry: Control, probe: Probe) -> Iterator[Step]:
    """The probe's plug pulled: what the load must do, and what it does when no silence can show."""
    if not probe.can_go_silent:
        yield _cut_wire(entry, probe)
        return
    yield _silence(circuit, entry, probe)
    yield _back_again(entry, probe)


def unheard(circuit: Circuit, probe: Probe) -> Iterator[Step]:
    """The plug of a probe that no control listens to: it is silent after five lost readings."""
    if not probe.can_go_silent:
        return
    name, warm_s = probe.use.name, figure(probe.use, "warm_up_s") or 0.0
    after = f" (later than {duration(warm_s)} after power-up)" if warm_s else ""
    shows = " Where a display has it, -- stands there." if text_displays(circuit.build) else ""
    yield Step(
        f"Pull the plug of {name}, all its wires at once{after}; plug it in again after a minute.",
        f"The raw column of the log is empty, and after five such rows its average too.{shows}"
        f"{_shown(circuit, 'no-reading')} Plugged in again, the readings return.",
        "Readings go on without the plug: another wire leads there. None return: press reset "
        "once; if that is needed every time, look at its supply wire.",
    )


def _cut_wire(entry: Control, probe: Probe) -> Step:
    bound = (
        f"max_on_s ({duration(entry.max_on_s)}) is then all that ends a run"
        if entry.max_on_s is not None
        else "nothing in this build ends a run then, so give it a max_on_s"
    )
    lag = duration(probe.average * probe.every_s)
    return Step(
        f"Pull the plug of {entry.by}, all its wires at once, and wait {lag}. It cannot go "
        f"silent: {probe.use.part.cannot_go_silent}.",
        f"{entry.drive} comes to rest, or stays at rest, within {lag} and its least time on "
        f"({duration(entry.min_on_s)}).",
        f"It runs on a cut wire: mount {entry.by} the other way round, so that a cut wire reads "
        f"as the state that rests {entry.drive}; {bound}.",
    )


def _silence(circuit: Circuit, entry: Control, probe: Probe) -> Step:
    warm_s = figure(probe.use, "warm_up_s") or 0.0
    after = f" (later than {duration(warm_s)} after power-up)" if warm_s else ""
    within = duration(entry.no_reading_after_s)
    if entry.if_no_reading == "off":
        then = f"The load rests within {within}, whatever its least time on."
    else:
        wait = f" and the least rest of {duration(entry.min_off_s)}" if entry.min_off_s else ""
        then = f"The load runs after {within} without a reading{wait}."
    state = "runs" if entry.if_no_reading == "off" else "rests"
    return Step(
        f"While {entry.drive} {state}, pull the plug of {entry.by}, all its wires at once{after}.",
        f"{then}{_shown(circuit, 'no-reading')} The raw column of the log is empty.",
        "It goes on as before: so would the load with a broken cable. Do not connect the load "
        "before this holds.",
    )


def _shown(circuit: Circuit, when: str) -> str:
    """Which alarms show a fault, as a sentence; empty when none does."""
    names = [alarm.use.name for alarm in circuit.build.alarms.values() if when in alarm.when]
    return f" {', '.join(names)} shows it." if names else ""


def _back_again(entry: Control, probe: Probe) -> Step:
    full = duration(probe.average * probe.every_s)
    count = f"{probe.average} readings are" if probe.average > 1 else "one reading is"
    return Step(
        f"Plug {entry.by} in again.",
        f"Readings return; thresholds decide again once {count} in, after {full} or more.",
        "No readings: press reset once; if that is needed every time, look at its supply wire.",
    )


def stuck(circuit: Circuit, entry: Control, probe: Probe, after_s: float) -> Step:
    """A reading held still for longer than it is believed."""
    short_s = min(after_s, max(60.0, 4 * probe.every_s))
    fewer = (
        f"To prove stuck_after_s without waiting {duration(after_s)}, set it to {short(short_s)} "
        "in a copy of the build, write and load that. "
        if short_s < after_s
        else ""
    )
    back = " Load the right sketch again." if fewer else ""
    does = "rests" if entry.if_no_reading == "off" else "runs"
    return Step(
        f"{fewer}Hold the reading of {entry.by} still: {_still(entry.by, probe)}.",
        f"When the raw column of the log has shown one and the same number for "
        f"{duration(short_s)}, {entry.drive} {does} as it does without a reading."
        f"{_shown(circuit, 'no-reading')}{back}",
        "The number still changes in its last digit: hold it stiller. It stands and the load "
        "goes on: do not trust this build with a frozen sensor.",
    )


def _still(name: str, probe: Probe) -> str:
    r25, beta = figure(probe.use, "r25_ohms"), figure(probe.use, "beta_k")
    if r25 is not None and beta is not None:
        value = round(ntc_ohms_beta(20.0, r25, beta), -2)
        return f"put a fixed resistor of about {ohms(value)} (20 °C) in the thermistor's place"
    return (
        f"close {name} with some wool into a lidded box, away from sun and draught, until its "
        "reading no longer moves"
    )


def longest_run(circuit: Circuit, entry: Control, most_s: float) -> Step:
    """The load kept running until its longest run is over."""
    short_s = min(most_s, max(120.0, 2 * entry.min_on_s))
    do, back = f"Hold {entry.by} where {entry.drive} runs.", ""
    if short_s < most_s:
        do = (
            f"To prove max_on_s without waiting {duration(most_s)}, set it to {short(short_s)} in "
            f"a copy of the build, write and load that. {do}"
        )
        back = " Load the right sketch again."
    return Step(
        do,
        f"The load rests after {duration(short_s)}, for at least {duration(entry.min_off_s)}."
        f"{_shown(circuit, 'forced-rest')}{back}",
        "It runs on: do not use the build without this limit.",
    )
