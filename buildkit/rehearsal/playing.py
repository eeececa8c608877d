"""A trace and faults to what happens on the wires, and to what the sketch will read of it.

Every probe's trace becomes a row of ``Slot``: one for each reading that the
sketch can take.  A part that sends by itself does so at the trace's times, and
goes on with its last reading where rows are further apart than it may pause.
A part that is asked is given its value midway between two questions, so that
no question falls on a change.
"""

from __future__ import annotations

import random
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import NamedTuple

from buildkit import control
from buildkit.circuit import Circuit
from buildkit.control import Reading
from buildkit.model import Probe
from buildkit.rehearsal import stimuli
from buildkit.rehearsal.faults import Fault, unharmed
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.stimuli import Stimulus, Wires
from buildkit.rehearsal.traces import Sample, Trace
from buildkit.scene import alarm_pin

AFTER_S = 2.0  # a trace's last reading is still taken and acted upon
_NOISE_TIMES = 10
_ITS_CLOCK = 0.9  # a part's own clock may be so much ahead of the board's


class Slot(NamedTuple):
    """One reading: when the sketch has it, since when it stands on the wires, and what it is.

    ``how`` is good, spoilt or silent.
    """

    at_s: float
    from_s: float
    steps: int
    how: str


def set_up(circuit: Circuit) -> Scenario:
    """The world at power-up: rails, parts on the bus, idle wires; the pins of loads and alarms watched."""
    scenario = Scenario()
    board = circuit.board
    scenario.supply(circuit.io_rail.volts, board.figure("adc_reference_v"))
    for load in circuit.build.loads:
        scenario.watch(load_port(circuit, load))
    for alarm in circuit.build.alarms.values():
        scenario.watch(alarm_pin(circuit, alarm.use).port)
    for use in circuit.uses_talking("i2c"):
        if use.address is not None:
            scenario.i2c_present(0, use.address)
    for link in circuit.serial_links:
        if link.port is None and link.rx is not None:
            scenario.level(0, link.rx.port, 1)
    if board.serial_ports[board.log_port] == "usb":
        scenario.usb(0, "reading")
    return scenario


def load_port(circuit: Circuit, load: str) -> str:
    """The chip's own name of the pin that switches a load."""
    use = circuit.build.loads[load].use
    assert use.part.switching is not None
    wire = circuit.wire(use, use.part.switching.input_terminal)
    assert wire is not None
    assert wire.pin is not None
    return wire.pin.port


def slots(
    circuit: Circuit, trace: Trace, faults: Sequence[Fault], seed: int
) -> dict[str, list[Slot]]:
    """The readings of every probe in the trace, faults of the sensors included.

    Raises stimuli.NoStimulus.
    """
    starts = [0.0, *trace.resets_s, *(f.at_s for f in faults if f.kind == "brown-out")]
    made: dict[str, list[Slot]] = {}
    for name, samples in trace.readings.items():
        probe = circuit.build.probes[name]
        wires, said = Wires(probe.use, circuit, Scenario()), stimuli.of(probe.use.part)
        late_s = said.late_s(wires)
        given = _held(samples, probe) if said.always_reads(wires) else samples
        row = (
            _sent(probe, given, trace.end_s, said.pace_s(wires), late_s)
            if said.sends
            else _asked(probe, given, trace.end_s, sorted(starts), late_s)
        )
        chance = random.Random(f"{seed} {name}")
        made[name] = _faulty(row, _Befallen(probe, said, wires, chance), faults)
    return made


def notes(circuit: Circuit, trace: Trace, faults: Sequence[Fault]) -> list[str]:
    """What of a trace and of faults could not be played as asked for, and what was played instead."""
    made: list[str] = []
    for name, samples in trace.readings.items():
        probe = circuit.build.probes[name]
        wires, said = Wires(probe.use, circuit, Scenario()), stimuli.of(probe.use.part)
        for kind in sorted({fault.kind for fault in faults}):
            if why := unharmed(kind, probe, circuit):
                made.append(f"{kind} did nothing to {name}: {why}.")
        why, empty = said.always_reads(wires), sum(1 for _, steps in samples if steps is None)
        if why and empty:
            cells = "1 empty cell" if empty == 1 else f"{empty} empty cells"
            made.append(f"{name} cannot lose a reading: {why}. It kept the one before in {cells}.")
        if said.cut(wires) is not None and any(fault.kind == "silent" for fault in faults):
            why = probe.use.part.cannot_go_silent
            made.append(f"{name} cannot fall silent: {why}. It was played with its wire cut.")
    return made


def late_s(circuit: Circuit, probe: Probe) -> float:
    """Seconds from when a reading is due or sent to when the sketch has it."""
    return stimuli.of(probe.use.part).late_s(Wires(probe.use, circuit, Scenario()))


def _held(samples: Sequence[Sample], probe: Probe) -> list[Sample]:
    """Readings of a part that always has one: where there is none, the one before."""
    steps = control.probe_settings(probe, ()).low
    made: list[Sample] = []
    for t_s, given in samples:
        steps = steps if given is None else given
        made.append((t_s, steps))
    return made


def _sent(
    probe: Probe, samples: Sequence[Sample], end_s: float, pace_s: float, late_s: float
) -> list[Slot]:
    """Readings that come by themselves.

    Pauses between rows that are longer than the part makes are filled with the
    last one; rows that come sooner than it can are left out.
    """
    figures = probe.use.figures
    pause_s = figures["longest_gap_s"].value if "longest_gap_s" in figures else 1.5 * probe.every_s
    step_s = pace_s or min(probe.every_s, pause_s)
    made: list[Slot] = []
    before_s = -pace_s
    for (t_s, steps), (next_s, _) in pairwise([*samples, (end_s, None)]):
        if t_s - before_s < pace_s * _ITS_CLOCK:
            continue
        count = max(0, int((next_s - t_s) / step_s + 1e-6) - 1) if next_s - t_s > pause_s else 0
        times = [t_s + n * step_s for n in range(count + 1)]
        made += (_slot(at_s + late_s, at_s, steps) for at_s in times)
        before_s = times[-1]
    return made


def _asked(
    probe: Probe, samples: Sequence[Sample], end_s: float, starts: Sequence[float], late_s: float
) -> list[Slot]:
    """A reading for each question of the sketch, which asks anew from every start."""
    half_s = probe.every_s / 2
    # A row takes effect midway from the row before it, at most half a period early.
    times = [t_s for t_s, _ in samples]
    since = [t - min(half_s, (t - before) / 2) for before, t in pairwise([times[0] - 9e9, *times])]
    made: list[Slot] = []
    for start_s, stop_s in pairwise([*starts, end_s + probe.every_s]):
        count = 1
        while start_s + count * probe.every_s < stop_s:
            due_s = start_s + count * probe.every_s
            row = bisect_right(since, due_s) - 1
            steps = samples[row][1] if row >= 0 else None
            made.append(_slot(due_s + late_s, due_s - half_s, steps))
            count += 1
    return made


def _slot(at_s: float, from_s: float, steps: int | None) -> Slot:
    return Slot(at_s, from_s, 0, "spoilt") if steps is None else Slot(at_s, from_s, steps, "good")


class _Befallen:
    """A probe, and what each kind of fault makes of one of its readings."""

    def __init__(self, probe: Probe, said: Stimulus, wires: Wires, chance: random.Random) -> None:
        known = control.probe_settings(probe, ())
        self.low, self.high = known.low, known.high
        self.spread = float(probe.quantity.noise / probe.quantity.resolution) * _NOISE_TIMES
        self.cut, self.whole = said.cut(wires), bool(said.always_reads(wires))
        self.chance = chance

    def reading(self, now: Slot, kind: str, held: int) -> Slot:
        """A reading with a fault; ``held`` is the one that a stuck part repeats."""
        if kind == "silent":
            return now._replace(how="silent") if self.cut is None else now._replace(how="good", steps=self.cut)  # fmt: skip
        if kind == "corrupt" and not self.whole:
            return now._replace(how="spoilt")
        if kind == "stuck" and now.how == "good":
            return now._replace(steps=held)
        if kind == "noise" and now.how == "good":
            steps = round(now.steps + self.chance.gauss(0, self.spread))
            return now._replace(steps=min(max(steps, self.low), self.high))
        return now


def _faulty(row: list[Slot], probe: _Befallen, faults: Sequence[Fault]) -> list[Slot]:
    if not faults:
        return row
    made: list[Slot] = []
    held: dict[Fault, int] = {}
    for slot in row:
        now = slot
        for fault in (fault for fault in faults if fault.holds(slot.at_s)):
            if now.how == "good":
                held.setdefault(fault, _before(made, now))
            now = probe.reading(now, fault.kind, held.get(fault, now.steps))
        made.append(now)
    return made


def _before(made: Sequence[Slot], now: Slot) -> int:
    return next((slot.steps for slot in reversed(made) if slot.how == "good"), now.steps)


def put(circuit: Circuit, scenario: Scenario, rows: Mapping[str, Sequence[Slot]]) -> None:
    """The readings onto the wires; a probe without any stays away from its wires."""
    for name, probe in circuit.build.probes.items():
        wires = Wires(probe.use, circuit, scenario)
        said = stimuli.of(probe.use.part)
        said.begin(wires)
        if not rows.get(name):
            said.silent(wires, 0.0)
        elif said.sends:
            for slot in rows[name]:
                _say(said, wires, slot, slot.from_s, slot.from_s)
        else:
            _hold(said, wires, rows[name])


def _hold(said: Stimulus, wires: Wires, row: Sequence[Slot]) -> None:
    """A part that is asked keeps one answer for as long as it is the same."""
    begins = [
        n
        for n, slot in enumerate(row)
        if n == 0 or (slot.steps, slot.how) != (row[n - 1].steps, row[n - 1].how)
    ]
    last_s = row[-1].at_s + 1.0
    ends = [*(row[n].from_s for n in begins[1:]), last_s]
    for n, end_s in zip(begins, ends, strict=True):
        _say(said, wires, row[n], max(0.0, row[n].from_s) if n else 0.0, end_s)


def _say(said: Stimulus, wires: Wires, slot: Slot, from_s: float, until_s: float) -> None:
    if slot.how == "good":
        said.reading(wires, from_s, until_s, slot.steps)
    elif slot.how == "spoilt":
        said.spoilt(wires, from_s, until_s, slot.steps)
    else:
        said.silent(wires, from_s)


def told(circuit: Circuit, rows: Mapping[str, Sequence[Slot]]) -> list[Reading]:
    """What the reference model is told: the readings that the sketch takes, in order of time."""
    made: list[Reading] = []
    for name, row in rows.items():
        probe = circuit.build.probes[name]
        sends = stimuli.of(probe.use.part).sends
        made += _taken(name, row, control.milliseconds(probe.every_s) if sends else 0)
    return sorted(made, key=lambda reading: reading[:2])


def _taken(name: str, row: Sequence[Slot], every_ms: int) -> Iterable[Reading]:
    """Of what a part sends, a reading comes too early within three quarters of the time asked for."""
    last_ms: int | None = None
    for slot in row:
        t_ms = round(slot.at_s * 1000)
        if slot.how == "silent":
            continue
        if slot.how == "spoilt":
            yield t_ms, name, None
        elif last_ms is None or t_ms - last_ms >= every_ms - every_ms // 4:
            last_ms = t_ms
            yield t_ms, name, slot.steps
