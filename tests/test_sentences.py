from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import pytest

from buildkit import buildfile
from buildkit.model import Build, Control
from buildkit.places import data_dir
from buildkit.sentences import duration, say
from buildkit.tables import Tables


def example(name: str) -> Build:
    return buildfile.load(Path(data_dir("examples")) / f"{name}.yaml", Tables())


@pytest.fixture(scope="module")
def hood() -> Build:
    return example("kitchen-hood")


def plain(build: Build, **changes: object) -> Control:
    """The hood's entry with every optional time left out, then ``changes``."""
    bare = {
        "min_on_s": 0.0, "min_off_s": 0.0, "max_on_s": None, "run_on_s": 0.0, "stuck_after_s": None,
    }  # fmt: skip
    return replace(build.control[0], **{**bare, **changes})


HOOD = "hood runs while smoke (fine dust below 2.5 um, in air) averages "
STARTS = "it starts at 15 ug/m3 and stops at 9 ug/m3"


def test_every_number_of_the_hood_is_said(hood: Build) -> None:
    assert say(hood.control[0], hood) == (
        f"{HOOD}high: {STARTS}, runs on for 2 min after that, stays on at least 1 min and off at "
        "least 1 min, never runs longer than 4 h at a time, and rests when there is no reading "
        "for 15 s."
    )


def test_a_falling_entry_says_low() -> None:
    build = example("seedling-mat")
    assert say(build.control[0], build) == (
        "mat runs while soil (temperature at the sensor) averages low: it starts at 20.5 degC and "
        "stops at 22 degC, stays on at least 1 min and off at least 1 min, never runs longer than "
        "2 h at a time, and rests when there is no reading for 30 s."
    )


def test_a_stuck_probe_is_said() -> None:
    build = example("reed-room")
    assert say(build.control[0], build).endswith(
        "and rests when there is no reading for 20 s or the reading has not changed for 2 h."
    )


@pytest.mark.parametrize(
    ("changes", "tail"),
    [
        ({}, ", and rests when there is no reading for 15 s."),
        ({"if_no_reading": "on"}, ", and runs when there is no reading for 15 s."),
        ({"min_on_s": 90.0}, ", stays on at least 90 s, and rests when there is no reading for 15 s."),
        ({"min_off_s": 300.0}, ", stays off at least 5 min, and rests when there is no reading for 15 s."),
        ({"max_on_s": 5400.0}, ", never runs longer than 1 h 30 min at a time, and rests when there is no reading for 15 s."),
        ({"run_on_s": 45.0}, ", runs on for 45 s after that, and rests when there is no reading for 15 s."),
        ({"no_reading_after_s": 0.5, "stuck_after_s": 172800.0}, ", and rests when there is no reading for 0.5 s or the reading has not changed for 2 days."),
    ],
)  # fmt: skip
def test_each_option_alone(hood: Build, changes: dict[str, object], tail: str) -> None:
    assert say(plain(hood, **changes), hood) == f"{HOOD}high: {STARTS}{tail}"


def test_one_reading_is_no_average(hood: Build) -> None:
    single = replace(hood, probes={"smoke": replace(hood.probes["smoke"], average=1)})
    assert "reads high: " in say(single.control[0], single)


def test_the_builders_own_unit_is_said(hood: Build) -> None:
    milli = replace(hood, probes={"smoke": replace(hood.probes["smoke"], unit="mg/m3")})
    entry = plain(hood, start_at=Fraction("0.015"), stop_at=Fraction("0.009"))
    assert "starts at 0.015 mg/m3 and stops at 0.009 mg/m3" in say(entry, milli)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 s"), (0.1, "0.1 s"), (1, "1 s"), (15.5, "15.5 s"), (59, "59 s"), (60, "1 min"),
        (61, "61 s"), (90, "90 s"), (119.5, "119.5 s"), (120, "2 min"), (150, "2 min 30 s"),
        (3599, "59 min 59 s"), (3600, "1 h"), (3601, "1 h 1 s"), (5400, "1 h 30 min"),
        (14400, "4 h"), (86400, "1 day"), (90061.25, "1 day 1 h 1 min 1.25 s"), (604800, "7 days"),
    ],
)  # fmt: skip
def test_durations_are_readable(seconds: float, words: str) -> None:
    assert duration(seconds) == words
