from __future__ import annotations

import pytest
from variants import circuit, told

HOOD, MAT, REED = "kitchen-hood", "seedling-mat", "reed-room"
FAMILY = [
    "control.no-gap", "control.gap-below-noise", "control.outside-span", "control.unreachable",
    "control.short-cycle", "control.heater-on-when-blind", "control.driven-twice",
    "control.never-driven", "control.probe-unused", "control.max-below-min",
    "control.window-longer-than-silence",
]  # fmt: skip


@pytest.mark.parametrize("example", [HOOD, MAT, REED])
@pytest.mark.parametrize("rule", FAMILY)
def test_the_examples_are_clean(rule: str, example: str) -> None:
    assert told(rule, example) == []


def test_no_gap_is_exact() -> None:
    assert told("control.no-gap", HOOD, ("stop_at: 9", "stop_at: 14.999")) == []
    (fault,) = told("control.no-gap", HOOD, ("stop_at: 9", "stop_at: 15.0"))
    assert fault.at.path == "control[0].stop_at"
    assert "same value, 15 ug/m3" in fault.message


@pytest.mark.parametrize(
    ("average", "stop_at", "small"),
    # noise 2 ug/m3: of four readings the average flickers by 1, of one by 2
    [(4, "14.01", True), (4, "14", False), (1, "13.01", True), (1, "13", False), (1, "15", False)],
)
def test_the_gap_is_held_against_the_noise_of_the_average(
    average: int, stop_at: str, small: bool
) -> None:
    faults = told(
        "control.gap-below-noise", HOOD, ("average: 10", f"average: {average}"),
        ("stop_at: 9", f"stop_at: {stop_at}"),
    )  # fmt: skip
    assert len(faults) == small


def test_noise_is_no_less_than_a_step_and_in_the_builders_unit() -> None:
    # noise 0.07 degC is 0.126 degF a reading, and over five readings 0.056 degF
    fahrenheit = ("value: temperature", "value: temperature\n    unit: degF")
    start, tight, wide = ("start_at: 20.5", "start_at: 70"), "stop_at: 70.05", "stop_at: 70.06"
    (fault,) = told("control.gap-below-noise", MAT, fahrenheit, start, ("stop_at: 22", tight))
    assert fault.numbers["noise"] == pytest.approx(0.126 / 5**0.5)
    assert told("control.gap-below-noise", MAT, fahrenheit, start, ("stop_at: 22", wide)) == []


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (("start_at: 15", "start_at: 1000.5"), "start_at"),
        (("stop_at: 9", "stop_at: -0.5"), "stop_at"),
        (("start_at: 15", "start_at: 1000"), None),
        (("stop_at: 9", "stop_at: 0"), None),
    ],
)
def test_outside_the_span(change: tuple[str, str], key: str | None) -> None:
    paths = [f.at.path for f in told("control.outside-span", HOOD, change)]
    assert paths == [f"control[0].{key}"] * bool(key)


def test_the_span_is_taken_in_the_builders_unit() -> None:
    fahrenheit = ("value: temperature", "value: temperature\n    unit: degF")
    values = ("start_at: 20.5", "start_at: 68"), ("stop_at: 22", "stop_at: 257")
    assert told("control.outside-span", MAT, fahrenheit, *values) == []
    beyond = ("start_at: 20.5", "start_at: 68"), ("stop_at: 22", "stop_at: 258")
    (fault,) = told("control.outside-span", MAT, fahrenheit, *beyond)
    assert fault.numbers == {"stop_at": 258.0, "low": -67.0, "high": 257.0}


def by_shelf(*own: str) -> tuple[tuple[str, str], ...]:
    """The humidifier driven by the thermistor, near freezing."""
    figures = f"\n    own_figures: {{{', '.join(own)}}}" if own else ""
    return (
        ("unit: degF", f"unit: degC{figures}"),
        ("by: air", "by: shelf"),
        ("start_at: 45", "start_at: -10"),
        ("stop_at: 52", "stop_at: 5"),
    )


def test_a_thermistor_loses_the_ends_of_its_divider() -> None:
    assert told("control.outside-span", REED, *by_shelf()) == []
    # 1 kilohm above a bead of 58 kilohm at -10 degC: 98.3 % of the span, beyond 98 %
    (fault,) = told("control.outside-span", REED, *by_shelf("series_ohms: 1000"))
    assert fault.at.path == "control[0].start_at"
    assert fault.numbers["share_percent"] == pytest.approx(98.3, abs=0.05)
    assert told("control.outside-span", REED, *by_shelf("series_ohms: 1200")) == []


def test_a_thermistor_by_steinhart_hart_is_judged_by_its_own_curve() -> None:
    curve = "sh_a_per_k: 0.001129148, sh_b_per_k: 0.000234125, sh_c_per_k: 0.0000000876741"
    assert told("control.outside-span", REED, *by_shelf(curve)) == []
    (fault,) = told("control.outside-span", REED, *by_shelf(curve, "series_ohms: 1000"))
    # this widely printed curve has 55.3 kilohm at -10 degC
    assert fault.numbers["share_percent"] == pytest.approx(98.2, abs=0.1)


@pytest.mark.parametrize(
    "curve",
    ["beta_k: 3000000", "sh_a_per_k: 0.001, sh_b_per_k: -0.5, sh_c_per_k: 0.0000001",
     "sh_a_per_k: 0.001, sh_b_per_k: 1000, sh_c_per_k: 1e-300"],
)  # fmt: skip
def test_a_curve_that_no_thermistor_has_is_told(curve: str) -> None:
    assert told("control.outside-span", REED, *by_shelf(curve))


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ([("stop_at: 9", "stop_at: 0")], "only stop while 10 readings in a row are exactly 0"),
        ([("start_at: 15", "start_at: 1000")], "only start while 10 readings in a row are exactly 1000"),
        ([("stop_at: 9", "stop_at: 1")], None),
        # falling, the far ends count: starting at 0 and stopping at 1000
        ([("start_at: 15", "start_at: 0"), ("stop_at: 9", "stop_at: 20")], "only start while"),
        ([("start_at: 15", "start_at: 5"), ("stop_at: 9", "stop_at: 1000")], "only stop while"),
    ],
)  # fmt: skip
def test_the_very_end_of_the_span(changes: list[tuple[str, str]], words: str | None) -> None:
    faults = told("control.unreachable", HOOD, *changes)
    assert [words in f.message for f in faults if words] == [True] * bool(words)
    assert len(faults) == bool(words)


@pytest.mark.parametrize(
    ("on_s", "off_s", "short"), [(30, 30, False), (30, 29, True), (0, 0, True), (59, 0, True)]
)
def test_a_relay_switches_once_a_minute_at_most(on_s: int, off_s: int, short: bool) -> None:
    times = ("min_on_s: 60", f"min_on_s: {on_s}"), ("min_off_s: 60", f"min_off_s: {off_s}")
    assert len(told("control.short-cycle", MAT, *times)) == short


def test_running_on_counts_as_time_on() -> None:
    times = ("min_on_s: 60", "min_on_s: 0"), ("min_off_s: 60", "min_off_s: 0")
    assert told("control.short-cycle", HOOD, *times) == []
    assert len(told("control.short-cycle", HOOD, *times, ("run_on_s: 120", "run_on_s: 50"))) == 1


def test_a_lamp_on_a_solid_state_relay_may_switch_often() -> None:
    often = (
        ("min_on_s: 60", "min_on_s: 1"), ("min_off_s: 60", "min_off_s: 1"),
        ("run_on_s: 120", "run_on_s: 0"), ("kind: motor", "kind: lamp"),
    )  # fmt: skip
    assert told("control.short-cycle", HOOD, *often) == []


def test_only_a_heater_may_not_run_blind() -> None:
    blind = ("if_no_reading: off", "if_no_reading: on")
    assert told("control.heater-on-when-blind", HOOD, blind) == []
    (fault,) = told("control.heater-on-when-blind", MAT, blind)
    assert fault.at.path == "control[0].if_no_reading"


def test_each_further_entry_for_a_load_is_told() -> None:
    entry = (
        "\n  - {drive: mist, by: air, start_at: 40, stop_at: 50, if_no_reading: off, "
        "no_reading_after_s: 20}"
    )
    faults = told(
        "control.driven-twice", REED, ("stuck_after_s: 7200", f"stuck_after_s: 7200{entry * 2}")
    )
    assert [f.at.path for f in faults] == ["control[1].drive", "control[2].drive"]
    first = circuit(REED).build.control[0].place("drive").line
    assert [f.numbers["first_line"] for f in faults] == [first, first]


def test_a_build_without_control_drives_nothing_and_may_log() -> None:
    bare = changed_to_logger()
    (fault,) = told("control.never-driven", REED, *bare)
    assert fault.at.path == "loads.mist"
    assert told("control.probe-unused", REED, *bare, ("{shelf}", "")) == []


def changed_to_logger() -> tuple[tuple[str, str], ...]:
    """The reed room with its control entry turned into nothing."""
    return (
        ("control:\n  - drive: mist\n    by: air\n    start_at: 45\n    stop_at: 52\n    min_on_s: 120\n"
         "    min_off_s: 60\n    max_on_s: 3600\n    if_no_reading: off\n    no_reading_after_s: 20\n"
         "    stuck_after_s: 7200\n", "control: []\n"),
    )  # fmt: skip


def test_a_shown_probe_is_used() -> None:
    (fault,) = told("control.probe-unused", REED, ("{shelf}", "shelf"))
    assert fault.message.startswith("shelf controls no load")
    assert told("control.probe-unused", REED, ("{shelf}", "{shelf.now}")) == []


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ([("max_on_s: 14400", "max_on_s: 120")], None),
        ([("max_on_s: 14400", "max_on_s: 119")], "run_on_s"),
        ([("max_on_s: 14400", "max_on_s: 50"), ("run_on_s: 120", "run_on_s: 0")], "min_on_s"),
    ],
)
def test_the_longest_time_on_is_not_below_the_least(
    changes: list[tuple[str, str]], named: str | None
) -> None:
    faults = told("control.max-below-min", HOOD, *changes)
    assert [named in f.numbers for f in faults] == [True] * bool(named)


@pytest.mark.parametrize(
    ("average", "silence_s", "told_once"),
    # every_s is 1: the average is full after as many seconds as it has readings
    [(60, 10, False), (61, 10, True), (61, 15, True), (61, 15.25, False), (200, 50, False), (201, 50, True)],
)  # fmt: skip
def test_a_dropout_may_cost_four_times_its_length(
    average: int, silence_s: float, told_once: bool
) -> None:
    faults = told(
        "control.window-longer-than-silence", HOOD, ("average: 10", f"average: {average}"),
        ("no_reading_after_s: 15", f"no_reading_after_s: {silence_s}"),
    )  # fmt: skip
    assert len(faults) == told_once


def test_blind_running_is_said_as_running() -> None:
    (fault,) = told(
        "control.window-longer-than-silence", HOOD, ("average: 10", "average: 100"),
        ("if_no_reading: off", "if_no_reading: on"),
    )  # fmt: skip
    assert "hood keeps running for another 100 s" in fault.message


def test_dust_is_no_alarm_and_warmth_is_none_either() -> None:
    (fault,) = told("control.not-life-safety", HOOD)
    assert fault.at.path == "probes.smoke.value"
    assert told("control.not-life-safety", MAT) == []


FLOAT = "faulty/control.cannot-go-silent"


@pytest.mark.parametrize(("changes", "bound"), [([], True), ([("    max_on_s: 900\n", "")], False)])
def test_a_float_cannot_show_that_its_wire_is_cut(
    changes: list[tuple[str, str]], bound: bool
) -> None:
    (fault,) = told("control.cannot-go-silent", FLOAT, *changes)
    assert fault.at.path == "control[0].if_no_reading"
    assert "a cut wire reads as an open contact" in fault.message
    assert ("Set max_on_s" not in fault.fix) == bound


def test_a_live_zero_tells_a_cut_wire_from_a_reading() -> None:
    span = ("part: float-switch\n    wires: {A: 4}\n    value: closed",
            "part: analog-span\n    wires: {OUT: A0}\n    value: percent")  # fmt: skip
    (fault,) = told("control.cannot-go-silent", FLOAT, span)
    assert "0 V" in fault.message
    own = (span[0], span[1] + "\n    own_figures: {low_v: 0.5, high_v: 4.5, false_below_v: 0.25}")
    assert told("control.cannot-go-silent", FLOAT, own) == []
    assert told("control.cannot-go-silent", MAT) == []
