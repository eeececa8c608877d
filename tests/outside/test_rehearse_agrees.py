"""Rehearsals against what we did not write: SciPy's solver, and two engines and a model that agree.

The room is integrated by SciPy with its own step control; the sketch runs on
the host engine and, instruction by instruction, on the simulated chip; the
reference model decides on what a log holds; and ``tune`` foretells what the
sketch does at the settings that it shows.
"""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from buildkit import control
from buildkit.circuit import Circuit
from buildkit.rehearsal import modelled, playing, rehearsing, room, traces, tuning
from buildkit.rehearsal.outcome import Outcome
from buildkit.rehearsal.rehearsing import Rehearsal
from buildkit.rehearsal.traces import Trace
from tests.chip_world import circuit_of, example_text

HOOD = circuit_of(example_text("kitchen-hood", "atmega328p-5v"))
MAT = circuit_of(example_text("seedling-mat", "atmega328p-5v"))
REED = circuit_of(example_text("reed-room", "atmega2560-5v"))
CIRCUITS = {"kitchen-hood": HOOD, "seedling-mat": MAT, "reed-room": REED}

EVENING = """room: evening
hours: 2
seed: 5
air:
  smoke:
    volume_m3: 28
    starts_at: 5
    outside: 5
    leaks_m3_per_h: 14
    sources:
      - {from_s: 600, to_s: 1500, adds_per_min: 300}
      - {from_s: 3000, to_s: 3100, every_s: 1500, adds_per_min: 700}
    loads: {hood: {cleans_m3_per_h: 420, efficiency: 0.8}}
    lag_s: 20
    noise: 1
"""
SILL = """room: sill
hours: 3
heat:
  soil:
    capacity_kj_per_k: 15
    starts_at: 15
    outside: 12
    loses_w_per_k: 2.5
    sources: [{from_s: 5000, to_s: 8000, watts: 12}]
    loads: {mat: {watts: 60}}
    lag_s: 30
    noise: 0.05
"""


def _place(text: str, circuit: Circuit) -> room.Room:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "room.yaml"
        path.write_text(text, encoding="utf-8")
        return room.load(path, circuit.build)


def _on(edges: Sequence[tuple[float, bool]], t_s: float) -> float:
    return float([False, *(on for at_s, on in edges if at_s <= t_s)][-1])


# --- the room against SciPy -------------------------------------------------------------


def _solved(
    rate: object, start: float, lag_s: float, breaks: Sequence[float], times: Sequence[float]
) -> np.ndarray:
    """y at ``times`` of dx/dt = rate(t, x), dy/dt = (x - y)/lag, stretch by stretch."""
    state, found = [start, start], {}
    corners = sorted({0.0, times[-1] + 1, *(b for b in breaks if 0 < b < times[-1])})
    for begin, end in pairwise(corners):
        middle = (begin + end) / 2
        inside = [t for t in times if begin <= t < end]
        done = solve_ivp(
            lambda _, s, m=middle: [rate(m, s[0]), (s[0] - s[1]) / lag_s],  # type: ignore[operator]
            (begin, end), state, t_eval=[*inside, end], rtol=1e-9, atol=1e-9,
        )  # fmt: skip
        found.update(zip(inside, done.y[1], strict=False))
        state = list(done.y[:, -1])
    return np.array([found[t] for t in times])


def _ours(
    place: room.Room, edges: Sequence[tuple[float, bool]], load: str, times: Sequence[float]
) -> np.ndarray:
    state, running, left, made = room.start(place)[0], set[str](), list(edges), []
    for t_s in times:
        while left and left[0][0] <= t_s:
            at_s, on = left.pop(0)
            state.advance(at_s, running)
            running = {load} if on else set()
        state.advance(t_s, running)
        made.append(state.y)
    return np.array(made)


def test_smoky_air_is_what_scipy_makes_of_the_balance() -> None:
    place = _place(EVENING, HOOD)
    edges = modelled.edges(modelled.lived(place, HOOD)[0])["hood"]
    assert len(edges) >= 4

    def adds_ug_per_s(t_s: float) -> float:
        once = 300 / 60 if 600 <= t_s < 1500 else 0.0
        again = 700 / 60 if t_s >= 3000 and (t_s - 3000) % 1500 < 100 else 0.0
        return once + again

    def rate(t_s: float, ug_m3: float) -> float:
        cleaned = _on(edges, t_s) * 420 * 0.8 / 3600 * ug_m3
        return (adds_ug_per_s(t_s) + 14 / 3600 * (5 - ug_m3) - cleaned) / 28

    times = [float(t) for t in range(10, 7200, 10)]
    breaks = [600, 1500, *range(3000, 7200, 1500), *range(3100, 7200, 1500), *(t for t, _ in edges)]
    theirs = _solved(rate, 5.0, 20.0, breaks, times)
    assert theirs.max() > 40
    assert np.abs(_ours(place, edges, "hood", times) - theirs).max() < 1e-5


def test_warm_soil_is_what_scipy_makes_of_the_balance() -> None:
    place = _place(SILL, MAT)
    edges = modelled.edges(modelled.lived(place, MAT)[0])["mat"]
    assert len(edges) >= 6

    def rate(t_s: float, celsius: float) -> float:
        watts = 60 * _on(edges, t_s) + (12 if 5000 <= t_s < 8000 else 0)
        return (watts - 2.5 * (celsius - 12)) / 15_000

    times = [float(t) for t in range(10, 10_800, 10)]
    theirs = _solved(rate, 15.0, 30.0, [5000, 8000, *(t for t, _ in edges)], times)
    assert np.abs(_ours(place, edges, "mat", times) - theirs).max() < 1e-6


# --- sketch, model, host and chip ---------------------------------------------------------


def _rehearsed(
    circuit: Circuit, engine: str, trace: Trace, into: Path, *asked: object
) -> Rehearsal:
    return rehearsing.rehearse(circuit, engine, trace, asked, into)  # type: ignore[arg-type]


def _log(outcome: Outcome) -> str:
    return "\n".join(line for _, line in outcome.ran.seen.uart_lines(0)) + "\n"


def _edges(outcome: Outcome) -> list[tuple[str, str, str]]:
    return [(c.load, c.state, c.cause) for c in outcome.changes]


def _assert_model_agrees(outcome: Outcome, log: Trace) -> None:
    """The model, told of the log's own readings, changes at the log's own times."""
    build = outcome.circuit.build
    readings = [
        (round(t_s * 1000), name, steps) for name, row in log.readings.items() for t_s, steps in row
    ]
    readings.sort(key=lambda reading: reading[:2])
    model = modelled.changes(build, readings, [0.0, *log.resets_s], outcome.seconds)
    seen = outcome.changes
    assert [(c.load, c.state, c.cause) for c in seen] == [(c.load, c.state, c.cause) for c in model]
    for change, known in zip(seen, model, strict=True):
        assert change.t_s == pytest.approx(known.t_ms / 1000, abs=0.02), known


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CIRCUITS))
def test_model_and_sketch_agree_on_what_was_recorded(name: str, tmp_path: Path) -> None:
    circuit = CIRCUITS[name]
    trace, quiet = rehearsing.built_in(circuit)
    done = _rehearsed(circuit, "host", trace, tmp_path / "first", *quiet)
    recorded = traces.parse(_log(done.outcome), "recorded", circuit.build)
    assert {c.cause for c in done.outcome.changes} == {"start", "stop", "no-reading"}
    _assert_model_agrees(done.outcome, recorded)
    # Played back, the sketch does the same again. Silence comes back as lost readings.
    again = _rehearsed(circuit, "host", recorded, tmp_path / "again")
    assert _edges(again.outcome) == _edges(done.outcome)
    for one, other in zip(again.outcome.changes, done.outcome.changes, strict=True):
        assert one.t_s == pytest.approx(
            other.t_s, abs=max(p.every_s for p in circuit.build.probes.values())
        )


@pytest.mark.slow
@pytest.mark.parametrize("name", sorted(CIRCUITS))
def test_host_and_chip_change_for_change(name: str, tmp_path: Path) -> None:
    circuit = CIRCUITS[name]
    trace, quiet = rehearsing.built_in(circuit)
    host, chip = (
        _rehearsed(circuit, engine, trace, tmp_path / engine, *quiet).outcome
        for engine in ("host", "chip")
    )
    assert _edges(host) == _edges(chip)
    assert len(host.changes) >= 5
    for one, other in zip(host.changes, chip.changes, strict=True):
        assert one.t_s == pytest.approx(other.t_s, abs=0.01)
    assert host.display == chip.display
    assert (host.readings, host.lost_readings) == (chip.readings, chip.lost_readings)
    for longest in (host.ran.longest_loop_ms, chip.ran.longest_loop_ms):
        assert longest is not None
        assert 0.05 < longest < 20


@pytest.mark.slow
def test_a_recorded_reset_is_played_as_one(tmp_path: Path) -> None:
    rows = "".join(f"{t},smoke,40,,hood,off\n" for t in range(1000, 80_000, 1000))
    log = traces.parse(
        f"{traces.LOG_HEAD}\n{rows}{traces.LOG_HEAD}\n{rows}", "two starts", HOOD.build
    )
    outcome = _rehearsed(HOOD, "host", log, tmp_path).outcome
    assert len(outcome.resets) == 1
    # Dwell and warm-up begin anew: 60 s after each power-up.
    assert _edges(outcome) == [
        ("hood", "on", "start"),
        ("hood", "off", "reset"),
        ("hood", "on", "start"),
    ]
    assert [c.t_s for c in outcome.changes] == pytest.approx([60, 79.001, 139.001], abs=1.1)


# --- tune -----------------------------------------------------------------------------------


def _assert_sketch_does(result: tuning.Result, circuit: Circuit, trace: Trace, into: Path) -> None:
    """The sketch with these settings starts as often and runs as long as was foretold."""
    entry = circuit.build.control[0]
    other = tuning.with_setting(circuit, entry, result.setting)
    outcome = _rehearsed(other, "host", trace, into).outcome
    assert outcome.starts(entry.drive) == result.starts
    assert outcome.on_s(entry.drive) == pytest.approx(result.on_s, abs=0.1 * max(1, result.starts))


def _restless() -> Trace:
    """An hour and a half of smoke with a dip every ten minutes, then clean air."""
    chance = np.random.default_rng(11)
    t = np.arange(1, 7200)
    level = np.where(t % 600 < 220, 7, 22) * (t < 5400) + chance.normal(0, 1, t.size)
    steps = np.clip(np.rint(level), 0, 1000)
    samples = tuple(
        (float(t_s), int(s) if t_s % 97 else None) for t_s, s in zip(t, steps, strict=True)
    )
    return Trace("restless", {"smoke": samples}, 7200.0)


@pytest.mark.slow
def test_what_tune_shows_is_what_the_sketch_does_on_a_trace(tmp_path: Path) -> None:
    trace = _restless()
    (tuned,) = tuning.tune(HOOD, tuning.over_trace(trace), lambda _: None)
    now, best = tuned.current, tuned.recommended
    assert now.starts > best.starts > 0
    assert best.undone_s <= now.undone_s * 1.1 + 1
    assert "instead of" in tuned.reason
    for number, result in enumerate((now, best, tuned.tried[40])):
        _assert_sketch_does(result, HOOD, trace, tmp_path / str(number))


@pytest.mark.slow
def test_what_tune_shows_is_what_the_sketch_does_in_a_room(tmp_path: Path) -> None:
    place = _place(SILL, MAT)
    (tuned,) = tuning.tune(MAT, tuning.in_room(place), lambda _: None)
    assert tuned.recommended.starts < tuned.current.starts
    entry = MAT.build.control[0]
    for number, result in enumerate((tuned.current, tuned.recommended)):
        other = tuning.with_setting(MAT, entry, result.setting)
        done = rehearsing.in_room(other, "host", place, (), tmp_path / str(number), lambda _: None)
        assert done.outcome.starts("mat") == result.starts
        assert done.outcome.on_s("mat") == pytest.approx(result.on_s, abs=2.0)


def test_a_float_is_tuned_by_its_dwell_and_window_alone() -> None:
    circuit = circuit_of(
        "build: sump\nboard: atmega328p-5v\nsupply: {rail: 5V, max_ma: 500}\n"
        "probes: {sump: {part: float-switch, value: closed, every_s: 1, average: 4}}\n"
        "loads: {pump: {part: relay-module-active-low}}\n"
        "control: [{drive: pump, by: sump, start_at: 1, stop_at: 0, min_on_s: 10, min_off_s: 10, "
        "if_no_reading: off, no_reading_after_s: 30}]\n"
    )
    samples = tuple((float(t), int(t % 40 < 15)) for t in range(1, 900))
    trace = Trace("waves", {"sump": samples}, 900.0)
    (tuned,) = tuning.tune(circuit, tuning.over_trace(trace), lambda _: None)
    assert {(r.setting.start_at, r.setting.stop_at) for r in tuned.tried} == {(1, 0)}
    assert len(tuned.tried) == 3 * 3  # windows, dwells
    assert tuned.current.starts == 23


def test_undone_time_and_delay_by_hand() -> None:
    """A step from 0 to 40 at 100 s, back at 300 s: judged against start_at 15."""
    samples = tuple((float(t), 40 if 100 <= t < 300 else 0) for t in range(1, 600))
    trace = Trace("step", {"smoke": samples}, 600.0)
    build = HOOD.build
    (tuned,) = tuning.tune(HOOD, tuning.over_trace(trace), lambda _: None)
    now = tuned.current
    # Four 40s make the average 16; minimum off time and warm-up are over.
    assert (now.starts, now.delay_s, now.undone_s, now.above_s) == (1, 3.0, 3.0, 200.0)
    (on, off) = control.run(
        build, playing.told(HOOD, playing.slots(HOOD, trace, (), 0)), 602_000
    ).changes
    assert now.on_s == pytest.approx((off.t_ms - on.t_ms) / 1000)
    assert tuned.recommended is now
    assert "no setting that was tried" in tuned.reason
