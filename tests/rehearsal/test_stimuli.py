"""Every part that measures, rehearsed: the log is the trace, and an empty cell is a lost reading."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from buildkit import control
from buildkit.circuit import Circuit
from buildkit.rehearsal import faults, playing, rehearsing, stimuli
from buildkit.rehearsal.faults import BadFault
from buildkit.rehearsal.rehearsing import Rehearsal
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.stimuli import Wires
from buildkit.rehearsal.traces import BadTrace, Sample, Trace, parse
from tests.chip_world import circuit_of, stimulus, tables

PROBES = {
    "air": "{part: co2-ndir-uart9, value: co2, every_s: 5}",
    "dust": "{part: pm-frame32, value: pm2_5, every_s: 1}",
    "rh3": "{part: sht3x, value: humidity, every_s: 1, address: 0x45}",
    "c4": "{part: sht4x, value: temperature, every_s: 1, address: 0x46}",
    "scd": "{part: scd4x, value: co2, every_s: 5}",
    "hpa": "{part: bme280, value: pressure, every_s: 1}",
    "damp": "{part: bme280, value: humidity, every_s: 1, address: 0x77}",
    # Asked too soon, it says that it is busy, and is asked again.
    "attic": "{part: aht20, value: humidity, every_s: 1, own_figures: {measuring_ms: 40}}",
    "loop": "{part: loop-4-20ma, value: current, every_s: 1}",
    "span": "{part: analog-span, value: percent, every_s: 1, own_figures: {low_v: 0.5, high_v: 2}}",
    "bead": "{part: ntc-divider, value: temperature, every_s: 1}",
    "soil": "{part: ds18b20, value: temperature, every_s: 1}",
    "tank": "{part: float-switch, value: closed, every_s: 1}",
    "flow": "{part: pulse-flow, value: flow, every_s: 1}",
    "door": "{part: pir-motion, value: motion, every_s: 1}",
}
# One board of each kind of core, and what it has no pin, port or range for beside the rest.
LEFT_OUT = {
    "atmega2560-5v": (),
    "esp32-c3-dev": ("dust", "bead"),
    "esp8266-12e-dev": ("dust", "span", "bead", "door"),
    "ra4m1-5v": ("dust",),
    "rp2040-stick": ("bead",),
    "samd21-3v3": ("dust",),
    "stm32f103-stick": (),
}
END_S = 46
WHOLE = ("tank", "door")  # whatever stands on their wires is a reading
LONGEST_PASS_S = 0.025  # on the chip, with a bus line held: tests/outside/test_chip_timing.py
LAST_EMPTY = 8  # of each nine cells


def _circuit(board: str, names: Iterable[str]) -> Circuit:
    lines = "".join(f"  {name}: {PROBES[name]}\n" for name in names)
    return circuit_of(
        f"build: all\nboard: {board}\nsupply: {{rail: 5V, max_ma: 2000}}\nprobes:\n{lines}"
    )


def _trace(circuit: Circuit, empty: bool = True) -> Trace:
    """Readings from one end of each part's span to the other, in no order."""
    dice = random.Random(4)
    found: dict[str, tuple[Sample, ...]] = {}
    for name, probe in circuit.build.probes.items():
        known = control.probe_settings(probe, ())
        times = [n * probe.every_s for n in range(1, int(END_S / probe.every_s) + 1)]
        found[name] = tuple(
            (t_s, None if empty and n % 9 == LAST_EMPTY else dice.randint(known.low, known.high))
            for n, t_s in enumerate(times, 1)
        )
    return Trace("anything", found, float(END_S))


def _mv(circuit: Circuit, name: str) -> Callable[[int], float] | None:
    """What a part with a voltage puts on its pin for a reading, in millivolts."""
    probe = circuit.build.probes[name]
    said, wires = stimulus(probe.use.part.id), Wires(probe.use, circuit, Scenario())
    if name == "bead":
        return lambda steps: said.mv(wires, steps / 10)
    if name == "loop":
        return lambda steps: said.ma(wires, steps) * wires.figure("shunt_ohms")
    return (lambda steps: said.mv(wires, steps)) if name == "span" else None


def _near(circuit: Circuit, name: str, last: int, want: int, got: int) -> bool:
    """Within one step, or within what converter and counting can tell apart."""
    if abs(got - want) <= 1:
        return True
    if name == "flow":
        # Three pulses in a second, and what comes while a pass is late by its longest.
        return abs(got - want) <= 3 * 6000 / 450 + max(last, want) * LONGEST_PASS_S
    mv = _mv(circuit, name)  # a count and a half of the converter, and a step
    board = circuit.board
    full_v = (
        circuit.io_rail.volts if board.core.family == "avr" else board.figure("adc_reference_v")
    )
    apart_mv = full_v * 1500 / 2 ** board.figure("adc_bits")
    return mv is not None and abs(mv(got) - mv(want)) <= apart_mv + abs(mv(want + 1) - mv(want))


def _logged(done: Rehearsal, name: str) -> list[int | None]:
    step = done.outcome.circuit.build.probes[name].quantity.resolution
    return [
        None if row.raw is None else round(row.raw / float(step))
        for row in done.outcome.rows
        if row.probe == name
    ]


def _assert_log_is(trace: Trace, done: Rehearsal) -> None:
    circuit = done.outcome.circuit
    for name, samples in trace.readings.items():
        got = _logged(done, name)
        assert len(samples) <= len(got) <= len(samples) + 1, name
        before = 0
        for n, ((t_s, steps), found) in enumerate(zip(samples, got, strict=False)):
            want = before if steps is None and name in WHOLE else steps
            last, before = before, steps if steps is not None else before
            if want is None or found is None:
                # A turbine's greatest flow and one pulse more is noise.
                assert want == found or (name == "flow" and n == 0), (name, t_s)
            else:
                assert _near(circuit, name, last, want, found), (name, t_s, want, found)


@pytest.mark.slow
@pytest.mark.parametrize("board", LEFT_OUT)
def test_the_log_of_every_part_is_the_trace(board: str, tmp_path: Path) -> None:
    circuit = _circuit(board, [name for name in PROBES if name not in LEFT_OUT[board]])
    trace = _trace(circuit)
    done = rehearsing.rehearse(circuit, "host", trace, (), tmp_path)
    _assert_log_is(trace, done)
    assert done.outcome.dropped_lines == 0
    cells = [note.split(" in ")[-1] for note in done.notes]
    assert set(cells) <= {"5 empty cells."}


@pytest.mark.slow
def test_the_chip_engine_logs_the_same_trace(tmp_path: Path) -> None:
    circuit = _circuit("atmega2560-5v", PROBES)
    trace = _trace(circuit)
    _assert_log_is(trace, rehearsing.rehearse(circuit, "chip", trace, (), tmp_path))


@pytest.mark.slow
def test_each_fault_does_to_each_part_what_its_line_says(tmp_path: Path) -> None:
    # All at once would lose more readings together than the log has room for.
    names = [name for name in PROBES if name not in ("rh3", "c4", "hpa", "bead")]
    circuit = _circuit("atmega2560-5v", names)
    trace = _trace(circuit, empty=False)
    asked = ["corrupt@5.5+6.4", "silent@15.5+12.4", "stuck@31.5+6.4", "noise@40.5"]
    wanted = [faults.parse(text) for text in asked]
    done = rehearsing.rehearse(circuit, "host", trace, wanted, tmp_path)
    for name in trace.readings:
        times = [int(row.t_s) for row in done.outcome.rows if row.probe == name]
        got = dict(zip(times, _logged(done, name), strict=True))
        told = dict(trace.readings[name])
        if name in ("dust", "scd"):  # what is not sent has no row each period
            lost = [row.t_s for row in done.outcome.rows if row.probe == name and row.raw is None]
            assert [t_s for t_s in lost if 5 < t_s < 12], name
            assert [t_s for t_s in lost if 15 < t_s < 34], name
            continue
        corrupt = {got[t] for t in range(6, 12) if t in got}
        silent = {got[t] for t in range(16, 28) if t in got}
        stuck = {got[t] for t in range(32, 38) if t in got}
        assert corrupt == {None} or (name in WHOLE and None not in corrupt), name
        assert silent == ({0} if name in (*WHOLE, "flow") else {None}), name
        assert max(stuck) - min(stuck) <= (40 if name == "flow" else 0), name  # type: ignore[operator,type-var]
        for t_s, steps in told.items():
            if name in WHOLE and not (16 <= t_s < 38) and t_s in got:
                assert got[round(t_s)] == steps, (name, t_s)
    # Three parts cannot fall silent, two cannot be broken, and two know nothing between.
    assert len(done.notes) == 3 + 2 + 2
    assert any("a cut wire reads as an open contact" in note for note in done.notes)


FLOAT = "probes: {tank: {part: float-switch, value: closed, every_s: 1}}\n"
VOLTS = "probes: {level: {part: analog-span, value: voltage, every_s: 1}}\n"


@pytest.mark.parametrize(
    ("probes", "fault", "words"),
    [
        (FLOAT, "corrupt@3", "a contact is open or closed"),
        (FLOAT, "noise@3", "it reads 0 or 1, and there is nothing between"),
        (VOLTS, "corrupt@3", "false_below_v"),
        (VOLTS.replace("every_s", "own_figures: {false_below_v: 0.2}, every_s"), "corrupt@3", ""),
        (FLOAT, "silent@3", ""),
    ],
)
def test_a_fault_that_harms_no_probe_is_refused(probes: str, fault: str, words: str) -> None:
    circuit = circuit_of(
        f"build: one\nboard: atmega328p-5v\nsupply: {{rail: 5V, max_ma: 500}}\n{probes}"
    )
    if not words:
        faults.put([faults.parse(fault)], circuit, Scenario())
        return
    with pytest.raises(BadFault, match="can do nothing to this build") as caught:
        faults.put([faults.parse(fault)], circuit, Scenario())
    assert words in str(caught.value)


def test_a_part_that_sends_is_no_faster_than_it_is_and_pauses_no_longer() -> None:
    circuit = _circuit("atmega2560-5v", ["scd", "dust"])
    each_second = tuple((float(t), 400 + t) for t in range(1, 31))
    seldom = ((10.0, 5), (20.0, 6), (30.0, 7))
    trace = Trace("mixed", {"scd": each_second, "dust": seldom}, 30.0)
    rows = playing.slots(circuit, trace, (), 1)
    assert [slot.steps for slot in rows["scd"]] == [401, 406, 411, 416, 421, 426]
    assert [slot.from_s for slot in rows["dust"]] == [float(t) for t in range(10, 31)]
    assert [slot.steps for slot in rows["dust"]] == [5] * 10 + [6] * 10 + [7]


def test_a_contact_has_no_reading_between_open_and_closed() -> None:
    circuit = _circuit("atmega328p-5v", ["tank"])
    with pytest.raises(BadTrace, match=r"3:3: '0\.5' is neither 0 nor 1"):
        parse("t_s,tank\n1,0\n2,0.5\n", "t.csv", circuit.build)


def test_every_part_that_measures_has_a_stimulus_and_is_tried_here() -> None:
    measuring = {part for part in tables().part_ids() if tables().part(part).quantities}
    tried = {PROBES[name].split(",")[0].removeprefix("{part: ") for name in PROBES}
    assert tried == measuring
    for part in measuring:
        stimuli.of(tables().part(part))


@pytest.mark.parametrize("quantity", ["temperature", "humidity", "pressure"])
def test_raw_words_of_the_weather_sensor_are_found_over_its_whole_span(quantity: str) -> None:
    bme = stimulus("bme280")
    known = tables().part("bme280").quantities[quantity]
    low, high = (int(end / known.resolution) for end in (known.low, known.high))
    standing = bme.fine(bme.STANDING[1])
    for steps in range(low, high + 1, 97):
        pressure, temperature, humidity = bme.words(quantity, steps)
        found = {
            "temperature": bme.celsius(temperature) * 100,
            "humidity": bme.percent(humidity, standing) * 100,
            "pressure": bme.pascals(pressure, standing) / 10,
        }[quantity]
        assert found == pytest.approx(steps, abs=0.5), steps
