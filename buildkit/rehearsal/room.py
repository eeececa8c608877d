"""A room that answers to the load: a well-mixed volume, a warm body or a tank for each probe.

All are the same equation, dx/dt = a - k x, with a and k constant between the
times at which a source or a load is switched:

- air:  dC/dt = S/V + (Ql/V)(Co - C) - (Q n/V) C, with volume V, sources S, air Ql
  of content Co that leaks or is blown in, and a load that takes the share n out
  of the air flow Q (mass balance of one zone, ASHRAE Handbook Fundamentals,
  chapter on air contaminants, from memory);
- heat: dT/dt = P/C + (L/C)(To - T), with capacity C, loss L and all watts P;
- water: dW/dt = all that runs in less all that runs out; never below nought.

The sensor follows with a lag, dy/dt = (x - y)/lag.  Between switchings both have
closed forms, which are used: no step size, no drift.  A float closes at one
level and opens at another.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from buildkit import control, document, fields, validation
from buildkit.document import Node
from buildkit.model import Build, Fault, Place, Probe, Refused
from buildkit.rehearsal.traces import Sample, Trace

Edges = Mapping[str, Sequence[tuple[float, bool]]]
"""When each load was switched, and whether on, in order of time."""


@dataclass(frozen=True, slots=True)
class Effect:
    """What something adds to ``a`` and ``k`` of dx/dt = a - k x, per second."""

    a: float
    k: float = 0.0


@dataclass(frozen=True, slots=True)
class Source:
    """Something that works from one time to another, and again every so often."""

    effect: Effect
    from_s: float
    to_s: float
    every_s: float | None

    def edges(self, end_s: float) -> Iterator[float]:
        """Times at which it begins or ends."""
        shift = 0.0
        while self.from_s + shift < end_s:
            yield self.from_s + shift
            yield self.to_s + shift
            if self.every_s is None:
                return
            shift += self.every_s

    def works(self, t_s: float) -> bool:
        """Whether it works at a time."""
        since = t_s - self.from_s
        if self.every_s is not None and since >= 0:
            since %= self.every_s
        return 0 <= since < self.to_s - self.from_s


@dataclass(frozen=True)
class Space:
    """One volume or body, and the sensor in it."""

    probe: str
    starts_at: float
    always: Effect
    sources: tuple[Source, ...]
    loads: Mapping[str, Effect]
    lag_s: float
    noise: float
    float_l: tuple[float, float] | None = None  # where a float closes and where it opens


@dataclass(frozen=True)
class Room:
    """All spaces, for so many seconds."""

    file: str
    seconds: float
    seed: int
    spaces: tuple[Space, ...]
    steady: Mapping[str, float]


@dataclass
class State:
    """A space at a time: what is in it (x) and what its sensor says (y)."""

    space: Space
    turns: Sequence[float]  # times at which a source begins or ends
    t_s: float = 0.0
    x: float = field(init=False)
    y: float = field(init=False)
    _turn: int = 0

    def __post_init__(self) -> None:
        self.x = self.y = self.space.starts_at

    def advance(self, to_s: float, running: Iterable[str]) -> None:
        """On to a time, these loads running all the while."""
        loads = [self.space.loads[load] for load in running if load in self.space.loads]
        while self.t_s < to_s:
            while self._turn < len(self.turns) and self.turns[self._turn] <= self.t_s:
                self._turn += 1
            next_s = min([to_s, *self.turns[self._turn : self._turn + 1]])
            middle_s = (self.t_s + next_s) / 2
            sources = [s.effect for s in self.space.sources if s.works(middle_s)]
            effects = [self.space.always, *loads, *sources]
            a, k = sum(e.a for e in effects), sum(e.k for e in effects)
            self.x, self.y = solved(self.x, self.y, a, k, self.space.lag_s, next_s - self.t_s)
            if self.space.float_l is not None:
                self.x = self.y = max(0.0, self.x)
            self.t_s = next_s


def solved(
    x: float, y: float, a: float, k: float, lag_s: float, seconds: float
) -> tuple[float, float]:
    """x and y some seconds on, of dx/dt = a - k x and dy/dt = (x - y)/lag."""
    follows = math.exp(-seconds / lag_s) if lag_s else 0.0
    if k < 1e-12:
        later = x + a * seconds
        return later, later - a * lag_s + (y - x + a * lag_s) * follows
    rest = a / k
    decay = math.exp(-k * seconds)
    later = rest + (x - rest) * decay
    if abs(1 - k * lag_s) < 1e-6:
        own = (x - rest) * k * seconds * follows
    else:
        own = (x - rest) / (1 - k * lag_s) * (decay - follows)
    return later, rest + own + (y - rest) * follows


# --- readings -------------------------------------------------------------------------


def start(room: Room) -> list[State]:
    """Every space at power-up."""
    return [
        State(space, sorted({t for s in space.sources for t in s.edges(room.seconds)}))
        for space in room.spaces
    ]


def times(probe: Probe, seconds: float) -> list[float]:
    """When a probe is read: each period that the build asks for, or that the part can do."""
    refresh = probe.use.figures.get("refresh_s")
    every_s = max(probe.every_s, refresh.value if refresh else 0.0)
    return [n * every_s for n in range(1, int(seconds / every_s) + 1)]


def readings(room: Room, build: Build, edges: Edges) -> Trace:
    """What the probes read when the loads were switched so."""
    found: dict[str, tuple[Sample, ...]] = {}
    for state in start(room):
        probe = build.probes[state.space.probe]
        switched = sorted((t_s, load, on) for load, row in edges.items() for t_s, on in row)
        running: set[str] = set()
        at, samples, reads = 0, [], sensor(room, state.space, build)
        for t_s in times(probe, room.seconds):
            while at < len(switched) and switched[at][0] <= t_s:
                edge_s, load, on = switched[at]
                state.advance(edge_s, running)
                running = running | {load} if on else running - {load}
                at += 1
            state.advance(t_s, running)
            samples.append((t_s, reads.steps(state.y)))
        found[state.space.probe] = tuple(samples)
    return Trace(room.file, found | constant(room, build), room.seconds)


def constant(room: Room, build: Build) -> dict[str, tuple[Sample, ...]]:
    """The readings of probes that are said to be steady."""
    made: dict[str, tuple[Sample, ...]] = {}
    for name, value in room.steady.items():
        steps = Sensor(build.probes[name], 0.0, "").steps(value)
        made[name] = tuple((t_s, steps) for t_s in times(build.probes[name], room.seconds))
    return made


class Sensor:
    """Noise, steps and span of one probe; its n-th reading has the same noise in every run."""

    def __init__(self, probe: Probe, noise: float, seed: str) -> None:
        known = control.probe_settings(probe, ())
        self.chance = random.Random(seed)
        self.noise = noise
        self.low, self.high = known.low, known.high
        self.step = float(probe.quantity.resolution)

    def steps(self, value: float) -> int:
        """A reading of a value: in whole steps, within the part's span."""
        read = value + self.chance.gauss(0, 1) * self.noise
        return min(max(round(read / self.step), self.low), self.high)


class Float:
    """A float switch: closed or open, and between its two levels as it was."""

    def __init__(self, closes_l: float, opens_l: float) -> None:
        self.closes_l, self.opens_l = closes_l, opens_l
        self.sinks = closes_l < opens_l
        self.closed = False

    def steps(self, litres: float) -> int:
        """1 for closed, 0 for open."""
        if litres <= self.closes_l if self.sinks else litres >= self.closes_l:
            self.closed = True
        elif litres >= self.opens_l if self.sinks else litres <= self.opens_l:
            self.closed = False
        return int(self.closed)


def sensor(room: Room, space: Space, build: Build) -> Sensor | Float:
    """The sensor of a space."""
    if space.float_l is not None:
        return Float(*space.float_l)
    return Sensor(build.probes[space.probe], space.noise, f"{room.seed} {space.probe}")


# --- the file -------------------------------------------------------------------------


def load(path: Path, build: Build) -> Room:
    """The room in a file.  Raises document.CannotOpen, or Refused with what is wrong in it."""
    tree = document.read(path)
    faults = validation.faults(tree, "room")
    if not faults:
        faults = list(_strangers(tree, build))
    if faults:
        raise Refused(faults)
    spaces = [_space(name, node, _AIR) for name, node in fields.items(tree, "air")]
    spaces += [_space(name, node, _HEAT) for name, node in fields.items(tree, "heat")]
    spaces += [_tank(name, node) for name, node in fields.items(tree, "water")]
    return Room(
        str(path),
        fields.number(tree, "hours", 1.0) * 3600,
        fields.integer(tree, "seed", 1) or 0,
        tuple(spaces),
        {name: float(node.value) for name, node in fields.items(tree, "steady")},
    )


def _strangers(tree: Node, build: Build) -> Iterator[Fault]:
    """Names that the build does not have, and probes that the room forgot."""
    seen: dict[str, Place] = {}
    for section in ("air", "heat", "water", "steady"):
        for name, node in fields.items(tree, section):
            if name not in build.probes:
                fix = validation.did_you_mean(name, build.probes, "probes of the build")
                yield Fault(node.name_at, f"there is no probe '{name}' in {build.name}", fix, {}, "doc.unknown-probe")  # fmt: skip
            elif name in seen:
                yield Fault(node.name_at, f"probe '{name}' stands here already, on line {seen[name].line}", "Leave one out.", {}, "doc.duplicate-key")  # fmt: skip
            seen.setdefault(name, node.name_at)
            for load_name, child in fields.items(node, "loads"):
                if load_name not in build.loads:
                    fix = validation.did_you_mean(load_name, build.loads, "loads of the build")
                    yield Fault(child.name_at, f"there is no load '{load_name}' in {build.name}", fix, {}, "doc.unknown-load")  # fmt: skip
            yield from _backward(node)
            if section == "water":
                yield from _no_float(name, node, build)
    for name in sorted(build.probes.keys() - seen.keys()):
        fix = f"Put it under 'air', 'heat', 'water', or as 'steady: {{{name}: VALUE}}'."
        yield Fault(tree.at, f"the room says nothing of probe '{name}'", fix, {}, "doc.missing-key")


def _backward(node: Node) -> Iterator[Fault]:
    """Sources that end before they begin, or come again before they end."""
    sources = node.get("sources")
    for item in sources.value if sources else []:
        lasts = fields.number(item, "to_s", 0) - fields.number(item, "from_s", 0)
        if lasts <= 0:
            yield Fault(item.at, "this source ends before it begins", "Let to_s come after from_s.", {}, "doc.out-of-range")  # fmt: skip
        elif lasts > fields.number(item, "every_s", lasts):
            yield Fault(item.at, "this source comes again before it ends", "Let every_s be longer than it lasts.", {}, "doc.out-of-range")  # fmt: skip


def _no_float(name: str, node: Node, build: Build) -> Iterator[Fault]:
    """A tank for a probe that reads more than open and closed, or a float without two levels."""
    probe = build.probes.get(name)
    if probe is not None and probe.quantity.unit != "state":
        yield Fault(node.name_at, f"probe '{name}' reads {probe.quantity.unit}, and water moves only a float switch", "Put it under 'air' or 'heat'.", {}, "doc.wrong-type")  # fmt: skip
    if fields.number(node, "closes_at_l", 0) == fields.number(node, "opens_at_l", 1):
        yield Fault(node.name_at, f"the float of '{name}' opens where it closes", "Let opens_at_l and closes_at_l be some litres apart.", {}, "doc.out-of-range")  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Kind:
    """What the keys of a space mean: the share of x that goes each second, and what comes."""

    lost: Callable[[Node], float]
    adds: Callable[[Node, Node], Effect]


def _space(name: str, node: Node, kind: _Kind) -> Space:
    k = kind.lost(node)
    return Space(
        probe=name,
        starts_at=fields.number(node, "starts_at", 0.0),
        always=Effect(k * fields.number(node, "outside", 0.0), k),
        sources=_sources(node, kind),
        loads={load: kind.adds(node, child) for load, child in fields.items(node, "loads")},
        lag_s=fields.number(node, "lag_s", 0.0),
        noise=fields.number(node, "noise", 0.0),
    )


def _tank(name: str, node: Node) -> Space:
    levels = (fields.number(node, "closes_at_l", 0.0), fields.number(node, "opens_at_l", 0.0))
    return Space(
        probe=name,
        starts_at=fields.number(node, "starts_at_l", 0.0),
        always=Effect(0.0),
        sources=_sources(node, _WATER),
        loads={load: _runs_in(node, child) for load, child in fields.items(node, "loads")},
        lag_s=0.0,
        noise=0.0,
        float_l=levels,
    )


def _sources(node: Node, kind: _Kind) -> tuple[Source, ...]:
    given = node.get("sources")
    return tuple(
        Source(
            kind.adds(node, item),
            fields.number(item, "from_s", 0.0),
            fields.number(item, "to_s", 0.0),
            fields.optional(item, "every_s"),
        )
        for item in (given.value if given else [])
    )


def _volume_m3(node: Node) -> float:
    return fields.number(node, "volume_m3", 1.0)


def _capacity_j_per_k(node: Node) -> float:
    return fields.number(node, "capacity_kj_per_k", 1.0) * 1000


def _leaks(node: Node) -> float:
    return fields.number(node, "leaks_m3_per_h", 0.0) / 3600 / _volume_m3(node)


def _into_air(node: Node, item: Node) -> Effect:
    cleans = fields.number(item, "cleans_m3_per_h", 0.0) * fields.number(item, "efficiency", 1.0)
    airs = fields.number(item, "airs_m3_per_h", 0.0)
    adds = fields.number(item, "adds_per_min", 0.0) / 60
    brought = airs / 3600 * fields.number(node, "outside", 0.0)
    return Effect((adds + brought) / _volume_m3(node), (cleans + airs) / 3600 / _volume_m3(node))


def _cools(node: Node) -> float:
    return fields.number(node, "loses_w_per_k", 0.0) / _capacity_j_per_k(node)


def _warms(node: Node, item: Node) -> Effect:
    return Effect(fields.number(item, "watts", 0.0) / _capacity_j_per_k(node))


def _runs_in(_: Node, item: Node) -> Effect:
    return Effect(fields.number(item, "adds_l_per_min", 0.0) / 60)


_AIR = _Kind(_leaks, _into_air)
_HEAT = _Kind(_cools, _warms)
_WATER = _Kind(lambda _: 0.0, _runs_in)
