"""Settings compared over a trace or a room: start, stop, window and dwell times.

Each is decided by the reference model, which decides as the sketch does.  What
is judged is the same for all: the build's own start_at is what the builder
wants of the air or the soil, whatever start a setting takes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from itertools import product
from typing import Any

from buildkit import rules
from buildkit.circuit import Circuit
from buildkit.control import Change, Reading
from buildkit.model import Control, Probe
from buildkit.rehearsal import modelled, playing
from buildkit.rehearsal.outcome import on_seconds
from buildkit.rehearsal.progress import Tell
from buildkit.rehearsal.room import Room
from buildkit.rehearsal.traces import Trace
from buildkit.units import convert, shown_decimals, to_steps

DAY_S = 86_400.0
_HALVES = (Fraction(1, 2), Fraction(1), Fraction(2))
_SHIFTS = (Fraction(-1, 2), Fraction(0), Fraction(1, 2))  # of the gap between start and stop
_MOST_WINDOW = 120
_DWELLS_S = (0.0, 60.0, 180.0)  # for a build that has none
_WORSE = 1.1  # a setting may leave so much more undone than the present one
_MORE_RUN = 1.25  # and may run so much longer

Play = Callable[[Circuit], tuple[Sequence[Change], Sequence[Reading], float]]
"""A circuit's changes, the readings that they followed from, and seconds played."""


@dataclass(frozen=True, slots=True)
class Setting:
    """What is turned: thresholds in the probe's unit, readings averaged, seconds of dwell."""

    start_at: Fraction
    stop_at: Fraction
    average: int
    min_on_s: float
    min_off_s: float


@dataclass(frozen=True, slots=True)
class Result:
    """How a load fares with a setting.

    ``undone_s`` is the time at or beyond the build's own start_at with the load
    at rest; ``above_s`` all time there.  ``delay_s`` is the mean time from the
    first such reading to the load's start, None when it never started so.
    """

    setting: Setting
    seconds: float
    starts: int
    on_s: float
    above_s: float
    undone_s: float
    delay_s: float | None

    @property
    def starts_per_day(self) -> float:
        """Starts in 24 hours."""
        return self.starts * DAY_S / self.seconds

    def to_json(self) -> dict[str, Any]:
        """The figures as JSON has them."""
        s = self.setting
        return {
            "start_at": float(s.start_at),
            "stop_at": float(s.stop_at),
            "average": s.average,
            "min_on_s": s.min_on_s,
            "min_off_s": s.min_off_s,
            "starts": self.starts,
            "starts_per_day": round(self.starts_per_day, 2),
            "on_fraction": round(self.on_s / self.seconds, 4),
            "time_above_start_s": round(self.above_s, 1),
            "of_it_at_rest_s": round(self.undone_s, 1),
            "delay_s": None if self.delay_s is None else round(self.delay_s, 1),
        }


@dataclass(frozen=True, slots=True)
class Tuned:
    """One load: the present setting, the recommended one and why, and all that were tried."""

    load: str
    unit: str
    current: Result
    recommended: Result
    reason: str
    tried: tuple[Result, ...]


def over_trace(trace: Trace) -> Play:
    """A trace, which no load changes."""

    def play(circuit: Circuit) -> tuple[Sequence[Change], Sequence[Reading], float]:
        readings = playing.told(circuit, playing.slots(circuit, trace, (), 0))
        until_s = trace.end_s + playing.AFTER_S
        starts = modelled.starts_s(trace, ())
        return modelled.changes(circuit.build, readings, starts, until_s), readings, until_s

    return play


def in_room(place: Room) -> Play:
    """A room, which answers to every setting in its own way."""

    def play(circuit: Circuit) -> tuple[Sequence[Change], Sequence[Reading], float]:
        changes, trace = modelled.lived(place, circuit)
        return changes, playing.told(circuit, playing.slots(circuit, trace, (), 0)), place.seconds

    return play


def tune(circuit: Circuit, play: Play, tell: Tell) -> list[Tuned]:
    """Every load of a build in turn, the others left as they are."""
    entries = circuit.build.control
    made: list[Tuned] = []
    for number, entry in enumerate(entries):
        probe = circuit.build.probes[entry.by]
        grid = list(settings(entry, probe))
        results: list[Result] = []
        for at, setting in enumerate(grid):
            results.append(_judge(with_setting(circuit, entry, setting), play, entry, setting))
            tell((number + (at + 1) / len(grid)) / len(entries))
        made.append(_choose(circuit, entry, results))
    return made


def settings(entry: Control, probe: Probe) -> Iterator[Setting]:
    """The present setting, then every other that is tried."""
    now = Setting(entry.start_at, entry.stop_at, probe.average, entry.min_on_s, entry.min_off_s)
    yield now
    gap = entry.start_at - entry.stop_at
    digits = shown_decimals(probe.unit, probe.quantity)
    windows = sorted({min(max(1, int(probe.average * f)), _MOST_WINDOW) for f in _HALVES})
    ends = (probe.quantity.low, probe.quantity.high)
    low, high = (convert(end, probe.quantity.unit, probe.unit) for end in ends)
    seen = {now}
    for shift, share, average, (on_s, off_s) in product(_SHIFTS, _HALVES, windows, _dwells(entry)):
        start = round(entry.start_at + shift * gap, digits)
        stop = round(start - share * gap, digits)
        setting = Setting(start, stop, average, on_s, off_s)
        possible = low <= min(start, stop) and max(start, stop) <= high
        if setting not in seen and possible and start != stop and (start > stop) == entry.rising:
            seen.add(setting)
            yield setting


def _dwells(entry: Control) -> Iterable[tuple[float, float]]:
    if entry.min_on_s or entry.min_off_s:
        return [(entry.min_on_s * f, entry.min_off_s * f) for f in (0.5, 1.0, 2.0)]
    return [(s, s) for s in _DWELLS_S]


def with_setting(circuit: Circuit, entry: Control, setting: Setting) -> Circuit:
    """The same circuit with one control entry set otherwise."""
    build = circuit.build
    other = replace(
        entry,
        start_at=setting.start_at,
        stop_at=setting.stop_at,
        min_on_s=setting.min_on_s,
        min_off_s=setting.min_off_s,
    )
    probe = replace(build.probes[entry.by], average=setting.average)
    return replace(
        circuit,
        build=replace(
            build,
            control=tuple(other if known is entry else known for known in build.control),
            probes={**build.probes, entry.by: probe},
        ),
    )


def _judge(circuit: Circuit, play: Play, entry: Control, setting: Setting) -> Result:
    changes, readings, seconds = play(circuit)
    edges = [(c.t_ms / 1000, c.state) for c in changes if c.load == entry.drive]
    mine = [(t / 1000, steps) for t, name, steps in readings if name == entry.by]
    past = _beyond(entry, circuit.build.probes[entry.by])
    above_s, undone_s, delays = _watched(mine, edges, past, seconds)
    return Result(
        setting,
        seconds,
        sum(1 for _, state in edges if state == "on"),
        on_seconds(edges, seconds),
        above_s,
        undone_s,
        sum(delays) / len(delays) if delays else None,
    )


def _beyond(entry: Control, probe: Probe) -> Callable[[int], bool]:
    """Whether a reading is at or beyond the build's own start_at."""
    limit = to_steps(entry.start_at, probe.unit, probe.quantity)
    return (lambda steps: steps >= limit) if entry.rising else (lambda steps: steps <= limit)


def _watched(
    readings: Sequence[tuple[float, int | None]],
    edges: Sequence[tuple[float, str]],
    past: Callable[[int], bool],
    seconds: float,
) -> tuple[float, float, list[float]]:
    """Seconds beyond the start, those of them at rest, and the delay of each start.

    A reading stands until the next accepted one.
    """
    above_s, at_rest_s = 0.0, 0.0
    delays: list[float] = []
    since: float | None = None
    stands = [(t_s, steps) for t_s, steps in readings if steps is not None]
    ends = [*(t_s for t_s, _ in stands[1:]), seconds]
    rests = _rests(edges, seconds)
    starts = [t_s for t_s, state in edges if state == "on"]
    at = 0
    for (t_s, steps), end_s in zip(stands, ends, strict=True):
        if not past(steps):
            since = None
            continue
        since = t_s if since is None else since
        above_s += end_s - t_s
        while at < len(rests) and rests[at][1] <= t_s:
            at += 1
        at_rest_s += sum(
            max(0.0, min(end_s, to_s) - max(t_s, from_s))
            for from_s, to_s in rests[at : at + 3]
        )  # fmt: skip
        while starts and starts[0] < t_s:
            starts.pop(0)
        if starts and starts[0] < end_s:
            delays.append(starts.pop(0) - since)
    return above_s, at_rest_s, delays


def _rests(edges: Sequence[tuple[float, str]], seconds: float) -> list[tuple[float, float]]:
    """From when to when a load rested."""
    times = [0.0, *(t_s for t_s, _ in edges)]
    states = ["off", *(state for _, state in edges)]
    ends = [*times[1:], seconds]
    return [(a, b) for a, b, state in zip(times, ends, states, strict=True) if state == "off"]


# --- the recommendation ---------------------------------------------------------------


def _choose(circuit: Circuit, entry: Control, results: Sequence[Result]) -> Tuned:
    """The fewest starts among the settings that serve as well; the present one when none is better."""
    now = results[0]
    probe = circuit.build.probes[entry.by]
    serving = [
        r
        for r in results
        if r.undone_s <= now.undone_s * _WORSE + probe.every_s and r.on_s <= now.on_s * _MORE_RUN
    ]
    # Of settings that start as seldom, the one that leaves most as it is.
    serving.sort(
        key=lambda r: (r.starts, len(_differences(now.setting, r.setting)), r.undone_s + r.on_s)
    )
    allowed = _complaints(circuit)
    best = next(
        (
            r
            for r in serving
            if r.starts < now.starts
            and _complaints(with_setting(circuit, entry, r.setting)) <= allowed
        ),
        now,
    )
    return Tuned(entry.drive, probe.unit, now, best, _reason(entry, now, best), tuple(results))


def _complaints(circuit: Circuit) -> set[str]:
    """Rules that find an error or give a warning."""
    return {f.rule for f in rules.run(circuit) if f.severity != "note"}


def _reason(entry: Control, now: Result, best: Result) -> str:
    if not now.starts and best is now:
        return (
            "the load never starts over these readings, so nothing can be compared; take "
            f"readings of a time that goes beyond {_threshold(entry)}"
        )
    if best is now:
        return (
            "no setting that was tried starts the load less often without leaving it at rest "
            f"longer beyond {_threshold(entry)}, running longer, or a new warning"
        )
    changed = ", ".join(_differences(now.setting, best.setting))
    return (
        f"{best.starts_per_day:.1f} starts a day instead of {now.starts_per_day:.1f}, by {changed}; "
        f"at rest beyond {_threshold(entry)} for {best.undone_s:.0f} s instead of "
        f"{now.undone_s:.0f} s, and running {100 * best.on_s / best.seconds:.1f} % of the time "
        f"instead of {100 * now.on_s / now.seconds:.1f} %"
    )


def _threshold(entry: Control) -> str:
    """The build's own threshold in words."""
    return f"start_at {float(entry.start_at):g}"


def _differences(now: Setting, best: Setting) -> list[str]:
    return [
        f"{name}: {float(getattr(best, name)):g}"
        for name in ("start_at", "stop_at", "average", "min_on_s", "min_off_s")
        if getattr(best, name) != getattr(now, name)
    ]


def to_json(tuned: Sequence[Tuned]) -> dict[str, Any]:
    """What ``tune --format json`` prints."""
    return {
        "engine": "model",
        "loads": [
            {
                "load": t.load,
                "unit": t.unit,
                "seconds": round(t.current.seconds, 3),
                "current": t.current.to_json(),
                "recommended": t.recommended.to_json(),
                "reason": t.reason,
                "settings": [r.to_json() for r in t.tried],
            }
            for t in tuned
        ],
    }
