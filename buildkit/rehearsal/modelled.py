"""What the reference model decides on the readings of a rehearsal, resets included."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import groupby, pairwise
from operator import itemgetter

from buildkit import control
from buildkit.circuit import Circuit
from buildkit.control import Change, Model
from buildkit.model import Build
from buildkit.rehearsal import playing, room
from buildkit.rehearsal.faults import Fault
from buildkit.rehearsal.room import Room
from buildkit.rehearsal.traces import Sample, Trace

Switched = dict[str, list[tuple[float, bool]]]
"""When each load was switched, and whether on; as ``room.Edges`` has it."""


def starts_s(trace: Trace, faults: Sequence[Fault]) -> list[float]:
    """Seconds at which the board starts: at power-up and after each reset."""
    return sorted([0.0, *trace.resets_s, *(f.at_s for f in faults if f.kind == "brown-out")])


def changes(
    build: Build,
    readings: Sequence[control.Reading],
    starts: Sequence[float],
    until_s: float,
    touches: Sequence[control.Touch] | None = None,
) -> list[Change]:
    """Every change of a load, in order of time; a reset rests what was running.

    Without ``touches`` hand controls are left alone.
    """
    made: list[Change] = []
    for from_s, to_s in pairwise([*starts, until_s]):
        from_ms, to_ms = round(from_s * 1000), round(to_s * 1000)
        mine = [(t - from_ms, name, steps) for t, name, steps in readings if from_ms <= t < to_ms]
        hands = touches and [(t - from_ms, n, w) for t, n, w in touches if from_ms <= t < to_ms]
        done = control.run(build, mine, to_ms - from_ms, hands)
        made += [Change(c.t_ms + from_ms, c.load, c.state, c.cause) for c in done.changes]
        if to_s < until_s:
            running = (loop.settings.drive for loop in done.loops if loop.on)
            made += [Change(to_ms, load, "off", "reset") for load in running]
    return made


def edges(found: Sequence[Change]) -> Switched:
    """Changes as a room takes them."""
    made: Switched = {}
    for change in found:
        made.setdefault(change.load, []).append((change.t_ms / 1000, change.state == "on"))
    return made


def lived(
    place: Room, circuit: Circuit, touches: Sequence[control.Touch] | None = None
) -> tuple[list[Change], Trace]:
    """What the model switches in a room that answers to it, both moved on together.

    The trace is what the probes read meanwhile.  Without ``touches`` hand
    controls are left alone.
    """
    build = circuit.build
    model = Model(build, touched=touches is not None)
    by_hand = {t_ms: [t[1:] for t in touches or () if t[0] == t_ms] for t_ms, _, _ in touches or ()}
    moments = sorted([*_moments(place, circuit), *((t_ms, "", 0.0) for t_ms in by_hand)])
    states = {state.space.probe: state for state in room.start(place)}
    sensors = {name: room.sensor(place, s.space, build) for name, s in states.items()}
    still = room.constant(place, build)
    read: dict[str, list[Sample]] = {name: [] for name in states}
    for t_ms, together in groupby(moments, key=itemgetter(0)):
        model.advance(t_ms - 1)
        now: list[tuple[str, int | None]] = []
        for _, name, looked_s in together:
            if name in states:
                _bring(states[name], model, looked_s)
                steps = sensors[name].steps(states[name].y)
                read[name].append((looked_s, steps))
                now.append((name, steps))
            elif name:
                now.append((name, still[name][0][1]))
        model.moment(t_ms, now, by_hand.get(t_ms, ()))
    model.advance(round(place.seconds * 1000))
    samples = {name: tuple(row) for name, row in read.items()}
    return model.changes, Trace(place.file, samples | still, place.seconds)


def _moments(place: Room, circuit: Circuit) -> list[tuple[int, str, float]]:
    """When a reading is had (ms), of which probe, and at what time (s) the room is looked at."""
    made: list[tuple[int, str, float]] = []
    for name, probe in circuit.build.probes.items():
        late_s = playing.late_s(circuit, probe)
        made += (
            (round((t_s + late_s) * 1000), name, t_s) for t_s in room.times(probe, place.seconds)
        )
    return sorted(made)


def _bring(state: room.State, model: Model, to_s: float) -> None:
    """A space on to a time, through what the model has switched since."""
    recent = [c for c in model.changes if state.t_s < c.t_ms / 1000 <= to_s]
    running = {loop.settings.drive for loop in model.loops if loop.on}
    for change in reversed(recent):
        running ^= {change.load}
    for change in recent:
        state.advance(change.t_ms / 1000, running)
        running ^= {change.load}
    state.advance(to_s, running)
