"""Traces: both kinds of file, what is wrong with one, and how readings come to be played."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buildkit.model import Build
from buildkit.rehearsal import playing, stimuli, traces
from buildkit.rehearsal.faults import parse as fault
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.traces import LOG_HEAD, BadTrace, Trace
from tests.chip_world import circuit_of, example_text

HOOD = circuit_of(example_text("kitchen-hood", "atmega328p-5v"))
MAT = circuit_of(example_text("seedling-mat", "atmega328p-5v"))
REED = circuit_of(example_text("reed-room", "atmega2560-5v"))


def _parse(text: str, build: Build = REED.build) -> Trace:
    return traces.parse(text, "t.csv", build)


def test_a_table_of_readings() -> None:
    trace = _parse("t_s,air,shelf\n2,40.5,\n4.5, 41 ,20.04\n\n6,,-3\n")
    assert trace.readings == {
        "air": ((2.0, 4050), (4.5, 4100), (6.0, None)),
        "shelf": ((2.0, None), (4.5, 200), (6.0, -30)),
    }
    assert (trace.end_s, trace.resets_s) == (6.0, ())


def test_a_log_goes_on_over_resets_and_roll_over() -> None:
    trace = _parse(
        f"{LOG_HEAD}\n0,,,,,reset: power-on\n2000,air,40.00,,mist,off\n2000,shelf,20.0,,,\n"
        "4000,air,,,mist,off\n4000,,,,mist,on: start\n4100,,,,,dropped 3\n"
        f"{LOG_HEAD}\n2000,air,41.00,,mist,off\n4294967000,air,42.00,,mist,off\n1704,air,43.00,,mist,off\n"
    )
    assert trace.readings["shelf"] == ((2.0, 200),)
    times = [t_s for t_s, _ in trace.readings["air"]]
    # The second start begins 1 ms after the last row of the first.
    assert times == [2.0, 4.0, 6.101, 4294971.101, 4294973.101]
    assert [steps for _, steps in trace.readings["air"]] == [4000, None, 4100, 4200, 4300]
    assert trace.resets_s == (4.101,)
    assert [(e.t_s, e.load, e.what) for e in trace.events] == [
        (0.0, "", "reset: power-on"), (4.0, "mist", "on: start"), (4.1, "", "dropped 3"),
    ]  # fmt: skip


def test_a_reading_logged_for_two_loads_counts_once() -> None:
    trace = _parse(f"{LOG_HEAD}\n2000,air,40.00,,mist,off\n2000,air,40.00,,other,off\n")
    assert trace.readings["air"] == ((2.0, 4000),)


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("", "t.csv:1:1", "empty"),
        ("seconds,air\n1,2\n", "t.csv:1:1", "no head of a trace"),
        ("t_s\n1\n", "t.csv:1:1", "names no probe"),
        ("t_s,air\n", "t.csv:1:1", "no reading below"),
        ("t_s,air,mist\n1,2,3\n", "t.csv:1:9", "no probe of this build"),
        ("t_s,air,air\n1,2,3\n", "t.csv:1:5", "twice"),
        ("t_s,air\n1,2\n2,x\n", "t.csv:3:3", "no number"),
        ("t_s,air\n1,2\n2,  nan\n", "t.csv:3:5", "no number"),
        ("t_s,air\n1,1e999999999\n", "t.csv:2:3", "no number"),
        ("t_s,air\n1,101\n", "t.csv:2:3", "outside what air can read, 0 to 100 %RH"),
        ("t_s,air\n2,50\n2,50\n", "t.csv:3:1", "after the row before"),
        ("t_s,air\n-1,50\n", "t.csv:2:1", "after the row before"),
        ("t_s,air\n1,50\n1e15,50\n", "t.csv:3:1", "later than 100 days"),
        ("t_s,air\n1,50,5\n", "t.csv:2:6", "more than the 2 cells"),
        ("t_s,air,shelf\n1,50\n", "t.csv:2:3", "row of 2 cells; the head has 3"),
        (f"{LOG_HEAD}\n", "t.csv:1:1", "no reading in this log"),
        (f"{LOG_HEAD}\n1000,air,40\n", "t.csv:2:10", "row of 3 cells"),
        (f"{LOG_HEAD}\nx,air,40,,,\n", "t.csv:2:1", "no time"),
        (f"{LOG_HEAD}\n2000,air,40,,,\n1000,air,40,,,\n", "t.csv:3:1", "earlier"),
        (f"{LOG_HEAD}\n2000,hair,40,,,\n", "t.csv:2:6", "Did you mean 'air'"),
    ],
)
def test_what_is_no_trace_is_told_in_one_line_with_its_place(
    text: str, place: str, words: str
) -> None:
    with pytest.raises(BadTrace) as caught:
        _parse(text)
    said = str(caught.value)
    assert said.startswith(f"{place}: ")
    assert words in said
    assert "\n" not in said


@given(st.binary(max_size=200) | st.text(alphabet="t_s,air1.\n-e ms", max_size=80).map(str.encode))
def test_any_bytes_are_a_trace_or_one_message(raw: bytes) -> None:
    for head in (b"", b"t_s,air\n", LOG_HEAD.encode() + b"\n"):
        text = (head + raw).decode("utf-8-sig", "replace")
        said, made = "", None
        try:
            made = _parse(text)
        except BadTrace as bad:
            said = str(bad)
        assert said.startswith("t.csv:") if made is None else made.readings


def test_read_takes_a_byte_order_mark(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(b"\xef\xbb\xbft_s,smoke\r\n1,5\r\n")
    assert traces.read(path, HOOD.build).readings == {"smoke": ((1.0, 5),)}


# --- from a trace to slots ------------------------------------------------------------


def test_a_part_that_sends_goes_on_where_rows_are_far_apart() -> None:
    trace = _parse("t_s,smoke\n1,5\n2,6\n10,7\n12,8\n", HOOD.build)
    row = playing.slots(HOOD, trace, (), 1)["smoke"]
    # Two seconds are within the sensor's own pauses, eight are not.
    assert [(slot.at_s, slot.steps) for slot in row] == [
        (1.0, 5), (2.0, 6), *((t, 6) for t in (3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0)), (10.0, 7), (12.0, 8),
    ]  # fmt: skip


def test_a_part_that_is_asked_has_one_reading_a_question() -> None:
    trace = _parse("t_s,soil\n2,18\n4,19\n6,\n8,20\n", MAT.build)
    row = playing.slots(MAT, trace, (), 1)["soil"]
    assert [(slot.from_s, slot.steps, slot.how) for slot in row] == [
        (1.0, 288, "good"), (3.0, 304, "good"), (5.0, 0, "spoilt"), (7.0, 320, "good"),
    ]  # fmt: skip
    # Asked every 2 s; the conversion takes 750 ms.
    assert [slot.at_s for slot in row] == [pytest.approx(t + 0.77) for t in (2, 4, 6, 8)]


def test_the_model_is_told_what_the_sketch_takes() -> None:
    rows = "".join(f"{n / 4},{n}\n" for n in range(1, 13))  # four frames a second, one is taken
    trace = _parse(f"t_s,smoke\n{rows}", HOOD.build)
    told = playing.told(HOOD, playing.slots(HOOD, trace, (), 1))
    # A quarter early is on time.
    assert told == [(250, "smoke", 1), (1000, "smoke", 4), (1750, "smoke", 7), (2500, "smoke", 10)]


def test_faults_of_a_sensor_change_its_readings_for_their_time() -> None:
    text = "t_s,smoke\n" + "".join(f"{n},{n}\n" for n in range(1, 41))
    wanted = [fault(t) for t in ("silent@5+2", "corrupt@10+2", "stuck@15+3", "noise@25+5")]
    row = playing.slots(HOOD, _parse(text, HOOD.build), wanted, 7)["smoke"]
    how = {slot.at_s: slot.how for slot in row}
    steps = {slot.at_s: slot.steps for slot in row}
    assert [t for t in how if how[t] == "silent"] == [5, 6]
    assert [t for t in how if how[t] == "spoilt"] == [10, 11]
    assert [steps[t] for t in (14, 15, 16, 17, 18)] == [14, 14, 14, 14, 18]
    assert sum(steps[t] != t for t in (25, 26, 27, 28, 29)) >= 3
    assert all(steps[t] == t for t in range(30, 40))
    assert min(steps.values()) >= 0
    assert row == playing.slots(HOOD, _parse(text, HOOD.build), wanted, 7)["smoke"]
    assert row != playing.slots(HOOD, _parse(text, HOOD.build), wanted, 8)["smoke"]


# --- stimuli ----------------------------------------------------------------------------


def test_a_part_without_a_stimulus_says_what_to_do(tmp_path: Path) -> None:
    from dataclasses import replace

    part = replace(HOOD.build.probes["smoke"].use.part, folder=str(tmp_path))
    with pytest.raises(stimuli.NoStimulus, match=r"stimulus\.py is not there.*stimuli\.py says"):
        stimuli.of(part)
    (tmp_path / "stimulus.py").write_text(
        "SENDS = False\ndef reading(*_): ...\ndef spoilt(*_): ...\n"
    )
    stimuli._module.cache_clear()
    with pytest.raises(stimuli.NoStimulus, match="has no silent"):
        stimuli.of(part)


def test_stimuli_leave_no_compiled_copies_behind() -> None:
    part = HOOD.build.probes["smoke"].use.part
    stimuli.of(part)
    assert not (Path(part.folder) / "__pycache__").exists()


def test_a_bead_is_cold_where_its_ohms_are_high_by_either_curve() -> None:
    from tests.chip_world import stimulus

    ohms = stimulus("ntc-divider").ohms
    beta = {
        "r25_ohms": 10000.0,
        "beta_k": 3950.0,
        "sh_a_per_k": 0,
        "sh_b_per_k": 0,
        "sh_c_per_k": 0,
    }
    assert ohms(beta.__getitem__, 25) == pytest.approx(10000)
    assert ohms(beta.__getitem__, 50) == pytest.approx(
        3588.2, rel=1e-3
    )  # exp(3950(1/323.15-1/298.15))
    # Coefficients of a common 10 k bead; 25 degC is 10 k by them too.
    curve = beta | {"sh_a_per_k": 1.129241e-3, "sh_b_per_k": 2.341077e-4, "sh_c_per_k": 8.775468e-8}
    assert ohms(curve.__getitem__, 25) == pytest.approx(10000, rel=2e-3)
    assert ohms(curve.__getitem__, 0) > 3 * ohms(curve.__getitem__, 25)


def test_what_is_put_on_wires_begins_in_time_and_only_changes_are_put() -> None:
    trace = _parse("t_s,air,shelf\n2,40,20\n4,40,20\n6,41,20\n8,41,20\n")
    scenario = Scenario()
    playing.put(REED, scenario, playing.slots(REED, trace, (), 1))
    replies = [line.split() for line in scenario.lines if " reply 68 " in line]
    assert [int(words[1]) for words in replies] == [0, 5_000_000]
    assert len({words[5] for words in replies}) == 2
