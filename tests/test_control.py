"""The reference model, sentence by sentence of design.md section 3, "Control semantics".

Every time and sum is worked out by hand.  Unless a test says otherwise the
load starts at an average of 15 and stops at 9, has no dwell times, rests on
silence, and silence is 10 s without a reading.
"""

from __future__ import annotations

import dataclasses
from fractions import Fraction

import pytest

from buildkit import control
from buildkit.control import Loop, Model, ProbeSettings, Settings, Window
from tests.chip_world import circuit_of

RISING = Settings(
    drive="fan", by="air", rising=True, start_sum=15, stop_sum=9, min_on_ms=0, min_off_ms=0,
    max_on_ms=None, run_on_ms=0, rests_when_silent=True, silent_after_ms=10_000,
)  # fmt: skip
AIR = ProbeSettings(name="air", count=1, warm_up_ms=0, stuck_after_ms=None, low=0, high=1000)

Told = list[tuple[int, int | None]]


def model_of(entry: Settings = RISING, air: ProbeSettings = AIR) -> Model:
    """A model of one probe and one load, from whole numbers."""
    model = object.__new__(Model)
    model.windows = {"air": Window(air)}
    model.loops = [Loop(entry, model.windows["air"])]
    model.now_ms = 0
    return model


def told(model: Model, readings: Told, until_ms: int) -> list[tuple[int, str, str]]:
    """The changes after these readings (ms, steps) and the quiet until a moment."""
    for t_ms, steps in readings:
        model.reading(t_ms, "air", steps)
    model.advance(until_ms)
    return [(c.t_ms, c.state, c.cause) for c in model.changes]


def changes(readings: Told, until_ms: int, air: ProbeSettings = AIR, **entry: object):  # type: ignore[no-untyped-def]
    """The same for settings that differ from the usual ones."""
    return told(model_of(dataclasses.replace(RISING, **entry), air), readings, until_ms)  # type: ignore[arg-type]


def every(step_ms: int, begin_ms: int, end_ms: int, steps: int) -> Told:
    """One value at each step from begin up to, not including, end."""
    return [(t, steps) for t in range(begin_ms, end_ms, step_ms)]


def window(count: int = 1) -> ProbeSettings:
    """The usual probe, averaging so many readings."""
    return dataclasses.replace(AIR, count=count)


# --- whole numbers ------------------------------------------------------------------

TEXT = """build: m
board: atmega2560-5v
supply: {{rail: 5V, max_ma: 1000}}
probes:
  air: {{part: ntc-divider, value: temperature, unit: {unit}, every_s: 1, average: {average}}}
loads:
  fan: {{part: relay-module-active-low}}
control:
  - {{drive: fan, by: air, start_at: {start}, stop_at: {stop}, if_no_reading: "on",
     no_reading_after_s: 15, min_on_s: 1.5, min_off_s: 2.25, run_on_s: 4{more}}}
"""


def settings_of(
    start: str, stop: str, unit: str = "degC", average: int = 1, more: str = ""
) -> Settings:
    text = TEXT.format(start=start, stop=stop, unit=unit, average=average, more=more)
    build = circuit_of(text).build
    return control.settings(build.control[0], build.probes["air"])


def test_the_sum_of_the_window_is_compared_with_threshold_times_count() -> None:
    known = settings_of("30", "20", average=10)  # steps of 0.1 degC
    assert (known.start_sum, known.stop_sum) == (30 * 10 * 10, 20 * 10 * 10)


def test_a_threshold_between_two_sums_is_rounded_to_the_side_that_decides_the_same() -> None:
    # 20.33 degC are 203.3 steps: an average of 203 is below, 204 above.
    rising = settings_of("20.33", "20.27")
    assert (rising.rising, rising.start_sum, rising.stop_sum) == (True, 204, 202)
    falling = settings_of("20.27", "20.33")
    assert (falling.rising, falling.start_sum, falling.stop_sum) == (False, 202, 204)


def test_thresholds_in_another_unit_are_converted_exactly() -> None:
    # 70 degF are 21.1111 degC, 211.1 steps; 68 degF are 20 degC.
    known = settings_of("70", "68", unit="degF")
    assert (known.start_sum, known.stop_sum) == (212, 200)


def test_times_are_whole_milliseconds() -> None:
    known = settings_of("30", "20", more=", max_on_s: 7")
    assert (known.min_on_ms, known.min_off_ms, known.run_on_ms) == (1500, 2250, 4000)
    assert (known.silent_after_ms, known.max_on_ms) == (15_000, 7_000)
    assert known.rests_when_silent is False
    assert settings_of("30", "20").max_on_ms is None


def test_a_probe_in_whole_numbers() -> None:
    build = circuit_of(TEXT.format(start=30, stop=20, unit="degC", average=4, more="")).build
    known = control.probe_settings(build.probes["air"], build.control)
    assert (known.count, known.low, known.high) == (4, -400, 1250)
    assert (known.warm_up_ms, known.stuck_after_ms) == (0, None)


def test_of_several_stuck_times_the_shortest_counts() -> None:
    build = circuit_of(
        TEXT.format(start=30, stop=20, unit="degC", average=4, more=", stuck_after_s: 90")
    ).build
    entry = build.control[0]
    others = [entry, dataclasses.replace(entry, stuck_after_s=60.0),
              dataclasses.replace(entry, by="other", stuck_after_s=5.0)]  # fmt: skip
    assert control.probe_settings(build.probes["air"], others).stuck_after_ms == 60_000


# --- readings ------------------------------------------------------------------------


def test_the_average_is_that_of_the_last_count_readings() -> None:
    air = Window(window(3))
    for steps in (1, 2, 6, 7):
        air.accept(0, steps)
    assert air.average() == Fraction(15, 3)


def test_there_is_no_average_before_the_window_is_full() -> None:
    air = Window(window(3))
    assert [air.accept(0, steps) for steps in (1, 2)] == [True, True]
    assert air.average() is None


@pytest.mark.parametrize(("steps", "taken"), [(-1, False), (0, True), (1000, True), (1001, False)])
def test_a_reading_is_accepted_when_it_lies_in_the_span(steps: int, taken: bool) -> None:
    air = Window(AIR)
    assert air.accept(5, steps) is taken
    assert (air.accepted, air.lost) == ((1, 0) if taken else (0, 1))
    assert len(air.readings) == taken


def test_a_reading_that_was_lost_on_its_way_is_counted() -> None:
    model = model_of()
    assert model.reading(5, "air", None) is False
    assert model.windows["air"].lost == 1


def test_a_lost_reading_does_not_end_silence() -> None:
    readings: Told = [(1000, 20), (5000, None), (9000, 5000)]
    assert changes(readings, 11_000) == [(1000, "on", "start"), (11_000, "off", "no-reading")]


def test_an_unchanged_value_this_long_is_lost() -> None:
    air = Window(dataclasses.replace(AIR, stuck_after_ms=3000))
    readings = [(1000, 7), (3999, 7), (4000, 7), (4001, 8), (7000, 8), (7001, 8), (7002, 7)]
    assert [air.accept(t, s) for t, s in readings] == [True, True, False, True, True, False, True]


def test_a_stuck_probe_falls_silent() -> None:
    stuck = dataclasses.replace(AIR, stuck_after_ms=3000)
    # 20 from 1 s on; the one at 4 s is the first refused, so 3 s is the last heard.
    seen = changes(every(1000, 1000, 20_000, 20), 20_000, air=stuck)
    assert seen == [(1000, "on", "start"), (13_000, "off", "no-reading")]


# --- warm-up ---------------------------------------------------------------------------

WARMING = dataclasses.replace(AIR, warm_up_ms=30_000)


def test_during_warm_up_readings_are_not_averaged() -> None:
    assert changes([(29_999, 20)], 30_100, air=WARMING) == []
    assert changes([(30_000, 20)], 30_100, air=WARMING) == [(30_000, "on", "start")]


def test_during_warm_up_readings_are_accepted() -> None:
    air = Window(WARMING)
    assert air.accept(10, 20) is True
    assert (air.accepted, air.last, len(air.readings)) == (1, 20, 0)


def test_during_warm_up_silence_does_not_count() -> None:
    # 10 s of silence count from 30 s on.
    seen = changes([], 60_000, air=WARMING, rests_when_silent=False)
    assert seen == [(40_000, "on", "no-reading")]


# --- what rests a load beats what runs it -------------------------------------------------


def test_start_up_rests_until_the_window_is_first_full() -> None:
    readings = every(1000, 1000, 4000, 20)
    assert changes(readings, 4000, air=window(3)) == [(3000, "on", "start")]
    assert changes(readings[:2], 4000, air=window(3)) == []


def test_start_up_ends_with_the_first_silence() -> None:
    assert changes([], 20_000, rests_when_silent=False) == [(10_000, "on", "no-reading")]


def test_silence_with_off_beats_the_longest_run() -> None:
    # Both fall due at 11 s; the cause that is told is the silence.
    seen = changes([(1000, 20)], 20_000, max_on_ms=10_000)
    assert seen == [(1000, "on", "start"), (11_000, "off", "no-reading")]


def test_the_longest_run_beats_silence_with_on() -> None:
    seen = changes([], 26_000, rests_when_silent=False, max_on_ms=9000, min_off_ms=5000)
    assert seen == [
        (10_000, "on", "no-reading"),
        (19_000, "off", "max-on"),
        (24_000, "on", "no-reading"),
    ]


def test_the_longest_run_beats_min_on_and_thresholds() -> None:
    readings = every(1000, 1000, 5000, 20)
    seen = changes(readings, 4900, max_on_ms=3000, min_on_ms=60_000, min_off_ms=1000)
    assert seen == [(1000, "on", "start"), (4000, "off", "max-on")]


def test_silence_with_on_beats_min_on_and_thresholds() -> None:
    # 9 holds the stop condition; min_on keeps the load until 12 s, but from 11 s on all is silent.
    readings: Told = [(500, 20), (1000, 9)]
    seen = changes(readings, 60_000, rests_when_silent=False, min_on_ms=11_500)
    assert seen == [(500, "on", "start")]


# --- silence ------------------------------------------------------------------------------


def test_silence_is_so_long_without_a_reading_and_not_a_millisecond_less() -> None:
    assert changes([(1000, 20), (10_999, 20)], 11_500) == [(1000, "on", "start")]
    late = changes([(1000, 20), (11_001, 20)], 11_001)
    assert late == [(1000, "on", "start"), (11_000, "off", "no-reading"), (11_001, "on", "start")]


def test_a_reading_at_the_moment_of_silence_prevents_it() -> None:
    assert changes([(1000, 20), (11_000, 20)], 12_000) == [(1000, "on", "start")]


def test_silence_empties_the_window() -> None:
    model = model_of(air=window(2))
    assert told(model, [(1000, 20), (2000, 20)], 11_999) == [(2000, "on", "start")]
    model.advance(12_000)
    assert (len(model.windows["air"].readings), model.windows["air"].total) == (0, 0)


def test_silence_with_off_rests_at_once_min_on_or_not() -> None:
    seen = changes([(1000, 20)], 20_000, min_on_ms=60_000)
    assert seen == [(1000, "on", "start"), (11_000, "off", "no-reading")]


def test_silence_with_on_runs_after_waiting_out_min_off() -> None:
    seen = changes([], 90_000, rests_when_silent=False, min_off_ms=15_000)
    assert seen == [(15_000, "on", "no-reading")]


def test_after_silence_with_on_it_keeps_running_until_the_window_is_full() -> None:
    # Low readings at 20, 21 and 22 s: only the third fills the window.
    readings: Told = [(1000, 12), (20_000, 5), (21_000, 5), (22_000, 5)]
    seen = changes(
        readings, 23_000, air=window(3), start_sum=45, stop_sum=27, rests_when_silent=False
    )
    assert seen == [(11_000, "on", "no-reading"), (22_000, "off", "stop")]


def test_after_silence_with_off_it_rests_until_the_window_is_full() -> None:
    readings: Told = [(1000, 20), (2000, 20), (20_000, 20), (21_000, 20)]
    seen = changes(readings, 22_000, air=window(2))
    assert seen == [(2000, "on", "start"), (12_000, "off", "no-reading"), (21_000, "on", "start")]


def test_silence_that_ends_before_min_off_has_passed_does_not_run_the_load() -> None:
    # Silent from 10 s; min_off until 15 s; heard again at 12 s, low and then full.
    seen = changes([(12_000, 5)], 21_000, rests_when_silent=False, min_off_ms=15_000)
    assert seen == []


def test_one_probe_with_two_silences_is_emptied_by_the_shorter() -> None:
    model = model_of()
    slow = dataclasses.replace(RISING, drive="pump", silent_after_ms=60_000)
    model.loops.append(Loop(slow, model.windows["air"]))
    model.reading(1000, "air", 20)
    model.advance(12_000)
    seen = [(c.t_ms, c.load, c.state) for c in model.changes]
    assert seen == [(1000, "fan", "on"), (1000, "pump", "on"), (11_000, "fan", "off")]
    assert not model.windows["air"].full


# --- thresholds ------------------------------------------------------------------------------


def test_rising_control_starts_at_or_above_and_stops_at_or_below() -> None:
    readings: Told = [(1, 14), (2, 15), (3, 10), (4, 9), (5, 14), (6, 16), (7, 8)]
    assert changes(readings, 8) == [
        (2, "on", "start"), (4, "off", "stop"), (6, "on", "start"), (7, "off", "stop"),
    ]  # fmt: skip


def test_falling_control_is_mirrored() -> None:
    readings: Told = [(1, 10), (2, 9), (3, 14), (4, 15), (5, 10), (6, 8), (7, 16)]
    assert changes(readings, 8, rising=False, start_sum=9, stop_sum=15) == [
        (2, "on", "start"), (4, "off", "stop"), (6, "on", "start"), (7, "off", "stop"),
    ]  # fmt: skip


def test_the_average_decides_not_the_last_reading() -> None:
    # Sums of two: 5+24 = 29 is below 30, 24+6 = 30 is not; 6+12 = 18 stops, 6+13 = 19 does not.
    readings: Told = [(1, 5), (2, 24), (3, 6), (4, 13), (5, 5)]
    seen = changes(readings, 6, air=window(2), start_sum=30, stop_sum=18)
    assert seen == [(3, "on", "start"), (5, "off", "stop")]


# --- run-on ----------------------------------------------------------------------------------


def test_run_on_starts_when_the_stop_condition_first_holds() -> None:
    readings: Told = [(1000, 20), (2000, 9), (3000, 5)]
    seen = changes(readings, 9000, run_on_ms=4000)
    assert seen == [(1000, "on", "start"), (6000, "off", "stop")]


def test_run_on_is_dropped_if_the_start_condition_returns() -> None:
    readings: Told = [(1000, 20), (2000, 9), (5000, 15), (5500, 9)]
    seen = changes(readings, 9900, run_on_ms=4000)
    assert seen == [(1000, "on", "start"), (9500, "off", "stop")]


def test_run_on_goes_on_between_the_thresholds() -> None:
    readings: Told = [(1000, 20), (2000, 9), (3000, 12)]
    seen = changes(readings, 9000, run_on_ms=4000)
    assert seen == [(1000, "on", "start"), (6000, "off", "stop")]


def test_run_on_starts_anew_in_the_next_run() -> None:
    readings: Told = [(1000, 20), (2000, 9), (7000, 20), (8000, 12), (9000, 9)]
    seen = changes(readings, 13_500, run_on_ms=4000)
    assert seen == [
        (1000, "on", "start"), (6000, "off", "stop"), (7000, "on", "start"), (13_000, "off", "stop"),
    ]  # fmt: skip


def test_silence_drops_the_run_on() -> None:
    # It would end at 13 s; the silence of 12 s with "on" keeps the load; heard low
    # again at 14 s, a whole run-on follows.
    readings: Told = [(1000, 20), (2000, 9), (14_000, 9), (16_000, 9)]
    seen = changes(readings, 25_500, run_on_ms=11_000, rests_when_silent=False)
    assert seen == [(1000, "on", "start"), (25_000, "off", "stop")]


def test_run_on_and_min_on_are_waited_out_together() -> None:
    readings: Told = [(1000, 20), (2000, 9), (3000, 12)]
    seen = changes(readings, 9500, run_on_ms=4000, min_on_ms=8000)
    assert seen == [(1000, "on", "start"), (9000, "off", "stop")]


# --- dwell times -------------------------------------------------------------------------------


def test_min_on_delays_a_stop() -> None:
    readings: Told = [(1000, 20), (2000, 5)]
    seen = changes(readings, 9000, min_on_ms=5000)
    assert seen == [(1000, "on", "start"), (6000, "off", "stop")]


def test_min_on_forgets_a_stop_condition_that_does_not_last() -> None:
    readings: Told = [(1000, 20), (2000, 5), (5000, 12)]
    assert changes(readings, 9000, min_on_ms=5000) == [(1000, "on", "start")]


def test_min_off_delays_a_start() -> None:
    readings: Told = [(6000, 20), (7000, 5), (8000, 20)]
    seen = changes(readings, 17_000, min_off_ms=6000)
    assert seen == [(6000, "on", "start"), (7000, "off", "stop"), (13_000, "on", "start")]


def test_at_power_up_min_off_counts_from_power_up() -> None:
    seen = changes(every(1000, 1000, 8000, 20), 8000, min_off_ms=6500)
    assert seen == [(6500, "on", "start")]


def test_the_longest_run_rests_for_min_off_then_control_is_normal() -> None:
    high = every(1000, 6000, 20_000, 20)
    seen = changes(high, 19_000, max_on_ms=4000, min_off_ms=6000)
    assert seen == [(6000, "on", "start"), (10_000, "off", "max-on"), (16_000, "on", "start")]
    low_again = high[:5] + every(1000, 11_000, 20_000, 12)
    assert changes(low_again, 19_000, max_on_ms=4000, min_off_ms=6000) == seen[:2]


def test_the_longest_run_is_reached_to_the_millisecond_and_counts_from_the_edge() -> None:
    readings: Told = [(1000, 20), (2000, 5), (3000, 20)]
    seen = changes(readings, 6999, max_on_ms=4000)
    assert seen == [(1000, "on", "start"), (2000, "off", "stop"), (3000, "on", "start")]
    assert changes(readings, 7000, max_on_ms=4000)[3:] == [(7000, "off", "max-on")]


def test_without_min_off_the_longest_run_still_makes_an_edge() -> None:
    seen = changes([(1000, 20)], 5500, max_on_ms=4000)
    assert seen == [(1000, "on", "start"), (5000, "off", "max-on"), (5001, "on", "start")]


# --- time -----------------------------------------------------------------------------------------


def test_readings_of_one_moment_are_all_taken_before_anything_is_decided() -> None:
    model = model_of()
    model.windows["other"] = Window(dataclasses.replace(AIR, name="other"))
    model.loops.append(Loop(dataclasses.replace(RISING, drive="pump"), model.windows["other"]))
    model.readings(1000, [("air", 20), ("other", 20)])
    assert model.readings(11_000, [("air", None), ("other", 20)]) == [False, True]
    seen = [(c.t_ms, c.load, c.state) for c in model.changes]
    assert seen == [(1000, "fan", "on"), (1000, "pump", "on"), (11_000, "fan", "off")]


def test_deciding_again_at_the_same_time_changes_nothing_more() -> None:
    model = model_of(dataclasses.replace(RISING, max_on_ms=4000))
    model.reading(1000, "air", 20)
    for _ in range(3):
        model.advance(5000)
    assert [(c.t_ms, c.state) for c in model.changes] == [(1000, "on"), (5000, "off")]


def test_run_takes_a_trace_and_the_quiet_after_it() -> None:
    build = circuit_of(
        TEXT.format(start=30, stop=20, unit="degC", average=1, more="").replace('"on"', "off")
    ).build
    model = control.run(build, [(4000, "air", 300), (5000, "air", 250)], 30_000)
    seen = [(c.t_ms, c.load, c.state, c.cause) for c in model.changes]
    assert seen == [(4000, "fan", "on", "start"), (20_000, "fan", "off", "no-reading")]
