"""Faults on request: how they are asked for, and that each does what its line says."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path

import pytest

from buildkit.circuit import Circuit
from buildkit.rehearsal import faults, rehearsing
from buildkit.rehearsal.faults import BadFault
from buildkit.rehearsal.kinds import AT_ONCE, KINDS
from buildkit.rehearsal.outcome import Outcome
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.traces import Trace
from tests.chip_world import circuit_of, example_text

MAT = circuit_of(example_text("seedling-mat", "atmega328p-5v"))
REED = circuit_of(example_text("reed-room", "atmega2560-5v"))


def test_a_fault_is_kind_time_and_perhaps_seconds() -> None:
    assert faults.parse("silent@120+30.5") == faults.Fault("silent", 120, 150.5)
    assert faults.parse("stuck@0") == faults.Fault("stuck", 0, faults.FOR_EVER)
    assert str(faults.parse("bus-low@10+5")) == "bus-low@10+5"
    assert str(faults.parse("brown-out@3.5")) == "brown-out@3.5"
    one = faults.parse("corrupt@5+2")
    assert [one.holds(t) for t in (4.999, 5, 6.999, 7)] == [False, True, True, False]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("silent", "KIND@TIME"),
        ("silent@", "KIND@TIME"),
        ("silent@-3", "KIND@TIME"),
        ("silent@3+", "KIND@TIME"),
        ("silnet@3", "Did you mean 'silent'"),
        ("brown-out@3+4", "happens at once"),
        ("rollover@3+4", "happens at once"),
    ],
)
def test_what_cannot_be_asked_for(text: str, words: str) -> None:
    with pytest.raises(BadFault) as caught:
        faults.parse(text)
    assert words in str(caught.value)


def test_a_fault_needs_what_it_befalls() -> None:
    bare = circuit_of(
        "build: bare\nboard: atmega328p-5v\nsupply: {rail: 5V, max_ma: 500}\n"
        "probes: {a: {part: ntc-divider, value: temperature, every_s: 1}}\n"
    )
    for text in ("bus-low@1", "display-unplugged@1"):
        with pytest.raises(BadFault, match="I2C bus"):
            faults.put([faults.parse(text)], bare, Scenario())


def _mat(*asked: str, until_s: float = 300) -> Outcome:
    """Soil that is always cold: the mat runs from 60 s on."""
    samples = tuple((t + 2.0, (17 + t % 4 // 2) * 16) for t in range(0, int(until_s), 2))
    trace = Trace("cold soil", {"soil": samples}, until_s)
    return _run(MAT, trace, asked)


def _run(circuit: Circuit, trace: Trace, asked: tuple[str, ...]) -> Outcome:
    with tempfile.TemporaryDirectory() as into:
        wanted = [faults.parse(text) for text in asked]
        return rehearsing.rehearse(circuit, "host", trace, wanted, Path(into)).outcome


def _edges(outcome: Outcome) -> list[tuple[int, str, str]]:
    return [(round(c.t_s), c.state, c.cause) for c in outcome.changes]


def _lost(outcome: Outcome) -> list[float]:
    return [row.t_s for row in outcome.rows if row.raw is None]


@pytest.mark.slow
def test_without_a_fault_it_runs_on() -> None:
    outcome = _mat()
    assert _edges(outcome) == [(60, "on", "start")]
    assert _lost(outcome) == []
    assert outcome.resets == []


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["silent", "corrupt"])
def test_silent_and_corrupt_are_lost_readings_and_then_silence(kind: str) -> None:
    outcome = _mat(f"{kind}@150+60")
    lost = _lost(outcome)
    assert 28 <= len(lost) <= 31
    assert all(148 <= t_s <= 212 for t_s in lost)
    # 30 s after the last reading it rests; it was off long enough when the window is full.
    states = [(state, cause) for _, state, cause in _edges(outcome)]
    assert states == [("on", "start"), ("off", "no-reading"), ("on", "start")]
    assert _edges(outcome)[1][0] == pytest.approx(179, abs=2)


@pytest.mark.slow
def test_stuck_shows_one_value_and_noise_many() -> None:
    outcome = _mat("stuck@100+50", "noise@200+50")
    raw = {row.t_s: row.raw for row in outcome.rows}
    assert len({value for t_s, value in raw.items() if 103 < t_s < 150}) == 1
    assert {value for t_s, value in raw.items() if 155 < t_s < 199} == {17.0, 18.0}
    assert len({value for t_s, value in raw.items() if 200 < t_s < 250}) > 10


@pytest.mark.slow
def test_an_unplugged_display_holds_nothing_up_and_comes_back() -> None:
    outcome = _mat("display-unplugged@100+60")
    assert _edges(outcome) == [(60, "on", "start")]
    refused = [
        t.t_us / 1e6 for t in outcome.ran.seen.i2c if t.kind == "refused" and t.address == 0x27
    ]
    assert refused
    assert all(100 <= t_s <= 161 for t_s in refused)
    assert outcome.display["panel"][1].startswith("avg 17")


@pytest.mark.slow
def test_a_brown_out_starts_the_board_anew() -> None:
    outcome = _mat("brown-out@150")
    assert [round(t_s) for t_s, _ in outcome.resets] == [150]
    assert _edges(outcome) == [
        (60, "on", "start"), (150, "off", "reset"), (210, "on", "start"),
    ]  # fmt: skip


@pytest.mark.slow
def test_rollover_is_a_silence_of_weeks_and_then_passed_unnoticed() -> None:
    outcome = _mat("rollover@150")
    # The jump itself is a silence; the counter's end 5 s later changes nothing.
    assert [(state, cause) for _, state, cause in _edges(outcome)] == [
        ("on", "start"), ("off", "no-reading"), ("on", "start"),
    ]  # fmt: skip
    assert _edges(outcome)[1][0] == pytest.approx(150, abs=1)
    assert _edges(outcome)[2][0] == pytest.approx(211, abs=3)


@pytest.mark.slow
def test_a_bus_held_low_silences_its_probes_and_lets_them_come_back() -> None:
    samples = tuple((float(t), 4000 + t % 4) for t in range(2, 302, 2))
    trace = Trace("dry air", {"air": samples}, 300.0)
    outcome = _run(REED, trace, ("bus-low@150+60",))
    lost = [row.t_s for row in outcome.rows if row.raw is None and row.probe == "air"]
    assert len(lost) >= 25
    assert all(150 <= t_s <= 220 for t_s in lost)
    states = [(state, cause) for _, state, cause in _edges(outcome)]
    assert states == [("on", "start"), ("off", "no-reading"), ("on", "start")]
    assert outcome.resets == []


def test_every_kind_is_tried_here_and_said_in_the_readme() -> None:
    here = Path(__file__).read_text(encoding="utf-8")
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for kind in KINDS:
        assert re.search(rf'"{kind}[@"]', here), kind
        assert f"`{kind}`" in readme, kind
    assert set(AT_ONCE) < set(KINDS)
