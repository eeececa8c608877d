"""One rehearsal: a circuit, readings and faults in, what the written sketch did out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from buildkit.circuit import Circuit
from buildkit.model import Control, Probe
from buildkit.rehearsal import engines, faults, modelled, outcome, playing, room, touches
from buildkit.rehearsal.engines import CannotRehearse, Runner
from buildkit.rehearsal.faults import Fault
from buildkit.rehearsal.outcome import Outcome
from buildkit.rehearsal.progress import Tell
from buildkit.rehearsal.room import Room
from buildkit.rehearsal.touches import Touched
from buildkit.rehearsal.traces import Sample, Trace
from buildkit.units import to_steps

_RAMP_S = 60.0
_SEED = 1  # of the noise that a fault makes


@dataclass(frozen=True)
class Rehearsal:
    """What was played, and what came of it."""

    trace: Trace
    rows: dict[str, list[playing.Slot]]
    outcome: Outcome
    notes: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """What ``rehearse --format json`` prints."""
        return {**self.outcome.to_json(), "notes": list(self.notes)}


def rehearse(
    circuit: Circuit,
    engine: str,
    trace: Trace,
    wanted: Sequence[Fault],
    into: Path,
    touched: Sequence[Touched] = (),
) -> Rehearsal:
    """Run the sketch of a circuit on an engine against a trace; files are made in ``into``.

    Raises CannotRehearse, BadFault, NoStimulus, ToolchainMissing, CompileFailed or ChipFailed.
    """
    _in_time([*wanted, *touched], trace.end_s)
    with engines.runner(circuit, engine, into) as run:
        rows = playing.slots(circuit, needed(circuit, trace), wanted, _SEED)
        return play(circuit, run, trace, rows, wanted, touched)


def play(
    circuit: Circuit,
    run: Runner,
    trace: Trace,
    rows: dict[str, list[playing.Slot]],
    wanted: Sequence[Fault],
    touched: Sequence[Touched] = (),
) -> Rehearsal:
    """Run a sketch that is ready against readings that are ready."""
    scenario = playing.set_up(circuit)
    playing.put(circuit, scenario, rows)
    faults.put(wanted, circuit, scenario)
    touches.put(touched, circuit, scenario)
    for t_s in trace.resets_s:
        scenario.reset(t_s, "power")
    until_s = trace.end_s + playing.AFTER_S
    seen = outcome.of(circuit, run(scenario, until_s), until_s)
    return Rehearsal(trace, rows, seen, tuple(playing.notes(circuit, trace, wanted)))


def in_room(
    circuit: Circuit,
    engine: str,
    place: Room,
    wanted: Sequence[Fault],
    into: Path,
    tell: Tell,
    touched: Sequence[Touched] = (),
) -> Rehearsal:
    """Run the sketch in a room that answers to its loads.

    A decision depends on the past alone.  So the readings are made for edges
    that the reference model foresees, the sketch is run on them, and where it
    switched at another time they are made anew from there, until they are the
    readings of the sketch's own edges.  Each round settles at least one edge more.
    Raises as ``rehearse`` does.
    """
    _in_time([*wanted, *touched], place.seconds)
    with engines.runner(circuit, engine, into) as run:
        return _settled(circuit, run, place, wanted, tell, touched)


def _settled(
    circuit: Circuit,
    run: Runner,
    place: Room,
    wanted: Sequence[Fault],
    tell: Tell,
    touched: Sequence[Touched],
) -> Rehearsal:
    build = circuit.build
    told = touches.told(touched, circuit, [0.0])
    edges = modelled.edges(modelled.lived(place, circuit, told)[0])
    settled_s = -1.0
    while True:
        trace = room.readings(place, build, edges)
        rows = playing.slots(circuit, trace, wanted, place.seed)
        done = play(circuit, run, trace, rows, wanted, touched)
        edges = _own_edges(done.outcome)
        departs_s = _departs_s(trace, room.readings(place, build, edges))
        if departs_s is None:
            return done
        if departs_s <= settled_s:
            raise CannotRehearse(
                f"{place.file}: room and sketch do not settle after {settled_s:g} s; the load "
                "changes the readings within one reading of being switched. Give the room a "
                "larger volume or the sensor a lag."
            )
        settled_s = departs_s
        tell(settled_s / place.seconds)


def _in_time(asked: Sequence[Fault | Touched], end_s: float) -> None:
    """Whatever is asked for comes while readings do.  Raises CannotRehearse."""
    late = [str(one) for one in asked if one.at_s >= end_s]
    if late:
        raise CannotRehearse(
            f"{', '.join(late)} would come after the end: the readings last {end_s:g} s. "
            "Ask for an earlier time, or give a longer --trace or --room."
        )


def _own_edges(seen: Outcome) -> modelled.Switched:
    made: modelled.Switched = {}
    for change in seen.changes:
        made.setdefault(change.load, []).append((change.t_s, change.state == "on"))
    return made


def _departs_s(one: Trace, other: Trace) -> float | None:
    """When two traces with the same times first differ; None when they do not."""
    return min(
        (
            mine[0]
            for name, row in one.readings.items()
            for mine, theirs in zip(row, other.readings[name], strict=True)
            if mine != theirs
        ),
        default=None,
    )


def needed(circuit: Circuit, trace: Trace) -> Trace:
    """The trace, when it has every probe that switches a load.  Raises CannotRehearse."""
    missing = sorted({entry.by for entry in circuit.build.control} - trace.readings.keys())
    if missing:
        raise CannotRehearse(
            f"{trace.file} has no readings of {', '.join(missing)}, which switches a load. "
            "Add a column for it."
        )
    return trace


# --- without trace or room ----------------------------------------------------------


def built_in(circuit: Circuit) -> tuple[Trace, list[Fault]]:
    """A trace that crosses the thresholds both ways, and a silence; what every build must survive."""
    build = circuit.build
    if not build.probes:
        raise CannotRehearse("this build has no probe, so there is nothing to rehearse.")
    hold_s = max([_hold_s(entry, build.probes[entry.by]) for entry in build.control] or [120.0])
    warm_s = max(_warm_up_s(probe) for probe in build.probes.values())
    silent_s = max([entry.no_reading_after_s for entry in build.control] or [15.0]) + 15.0
    corners: list[tuple[float, float]] = []  # seconds, and 0 for rest, 1 for run
    at_s = 0.0
    for level in (0.0, 1.0, 0.0, 1.0):
        corners += [(at_s, level), (at_s + hold_s + (0.0 if corners else warm_s), level)]
        at_s = corners[-1][0] + _RAMP_S
    quiet = Fault("silent", corners[-1][0], corners[-1][0] + silent_s)
    end_s = quiet.until_s + hold_s
    corners.append((end_s, 1.0))
    readings = {
        name: tuple(_along(corners, end_s, probe, _between(build.control, probe)))
        for name, probe in build.probes.items()
    }
    return Trace("the built-in trace", readings, end_s), [quiet]


def _hold_s(entry: Control, probe: Probe) -> float:
    """Long enough for every wait of an entry but its longest run."""
    waits = max(entry.min_on_s, entry.min_off_s, entry.run_on_s, entry.no_reading_after_s)
    return waits + entry.run_on_s + (probe.average + 5) * probe.every_s + 10.0


def _warm_up_s(probe: Probe) -> float:
    figure = probe.use.figures.get("warm_up_s")
    return figure.value if figure else 0.0


def _between(control: Iterable[Control], probe: Probe) -> tuple[Fraction, Fraction]:
    """Steps at rest and at work: beyond the thresholds of every entry by as much as their gap."""
    quantity = probe.quantity
    low, high = (end / quantity.resolution for end in (quantity.low, quantity.high))
    mine = [entry for entry in control if entry.by == probe.use.name]
    limits = [
        to_steps(value, probe.unit, quantity) for e in mine for value in (e.start_at, e.stop_at)
    ]
    if not limits:
        return (low + high) / 2, (low + high) / 2 + (high - low) / 20
    beyond = max((max(limits) - min(limits)), (high - low) / 100)
    under, over = max(min(limits) - beyond, low), min(max(limits) + beyond, high)
    return (under, over) if mine[0].rising else (over, under)


def _along(
    corners: Sequence[tuple[float, float]],
    end_s: float,
    probe: Probe,
    ends: tuple[Fraction, Fraction],
) -> Iterable[Sample]:
    """A reading each period along straight lines between the corners."""
    refresh = probe.use.figures.get("refresh_s")
    every_s = max(probe.every_s, refresh.value if refresh else 0.0)
    rest, work = (float(end) for end in ends)
    corner, count = 0, 1
    while (t_s := count * every_s) <= end_s:
        while corner + 2 < len(corners) and corners[corner + 1][0] <= t_s:
            corner += 1
        (from_s, level), (to_s, next_level) = corners[corner], corners[corner + 1]
        share = level + (next_level - level) * min(1.0, (t_s - from_s) / (to_s - from_s))
        yield t_s, round(rest + (work - rest) * share)
        count += 1
