from __future__ import annotations

import pytest
from variants import told

HOOD, MAT, REED = "kitchen-hood", "seedling-mat", "reed-room"


@pytest.mark.parametrize("example", [HOOD, MAT, REED])
@pytest.mark.parametrize(
    "rule",
    [
        "time.faster-than-part",
        "time.window-slow",
        "time.no-reading-too-short",
        "time.serial-starved",
    ],
)
def test_the_examples_are_clean(rule: str, example: str) -> None:
    assert told(rule, example) == []


@pytest.mark.parametrize(("every_s", "fast"), [("1", False), ("0.99", True), ("1.0", False)])
def test_a_part_is_read_no_faster_than_it_refreshes(every_s: str, fast: bool) -> None:
    faults = told("time.faster-than-part", MAT, ("every_s: 2", f"every_s: {every_s}"))
    assert [f.at.path for f in faults] == ["probes.soil.every_s"] * fast


def test_the_builders_own_figure_is_shown_as_such() -> None:
    own = ("every_s: 2", "every_s: 2\n    own_figures: {refresh_s: 3}")
    (fault,) = told("time.faster-than-part", MAT, own)
    assert "a new reading every 3 s (your own figure)" in fault.message


@pytest.mark.parametrize(
    ("average", "max_on_s", "limit_s"),
    # every_s is 2
    [(150, 7200, None), (151, 7200, 300), (50, 100, None), (51, 100, 100)],
)
def test_a_window_ends_before_five_minutes_and_before_the_forced_rest(
    average: int, max_on_s: int, limit_s: int | None
) -> None:
    faults = told(
        "time.window-slow", MAT, ("average: 5", f"average: {average}"),
        ("max_on_s: 7200", f"max_on_s: {max_on_s}"),
    )  # fmt: skip
    assert [f.numbers["limit_s"] for f in faults] == [limit_s] * bool(limit_s)
    assert all(("longer than its max_on_s" in f.message) == (limit_s == 100) for f in faults)


def test_warm_up_counts_the_window_too() -> None:
    (fault,) = told("time.warm-up", HOOD)
    assert fault.numbers == {"warm_up_s": 30.0, "average_full_s": 40.0}
    assert told("time.warm-up", MAT) == []


@pytest.mark.parametrize(
    ("example", "changes", "least_s"),
    [
        # this sensor may pause 3 s by itself, though it is read each second
        (HOOD, [("no_reading_after_s: 15", "no_reading_after_s: 9")], None),
        (HOOD, [("no_reading_after_s: 15", "no_reading_after_s: 8.9")], 9.0),
        # this one converts for 0.75 s after it was asked, each 2 s
        (MAT, [("no_reading_after_s: 30", "no_reading_after_s: 8.25")], None),
        (MAT, [("no_reading_after_s: 30", "no_reading_after_s: 8.2")], 8.25),
        # a slow reading rules whatever the part could do
        (MAT, [("every_s: 2", "every_s: 60")], 182.25),
    ],
)
def test_three_readings_lost_in_a_row_are_silence(
    example: str, changes: list[tuple[str, str]], least_s: float | None
) -> None:
    faults = told("time.no-reading-too-short", example, *changes)
    assert [f.numbers["least_s"] for f in faults] == [least_s] * bool(least_s)


@pytest.mark.parametrize(("baud", "full"), [(320, True), (321, False), (9600, False)])
def test_a_frame_arrives_before_the_next_is_due(baud: int, full: bool) -> None:
    own = ("average: 10", f"average: 10\n    own_figures: {{serial_baud: {baud}}}")
    assert len(told("time.serial-starved", HOOD, own)) == full


SECOND = """  fumes:
    part: pm-frame32
    wires: {TXD: 0}
    value: pm10
    every_s: 1
    own_figures: {serial_baud: BAUD}
loads:"""


@pytest.mark.parametrize(("baud", "lost"), [(9600, False), (19200, False), (38400, True)])
def test_a_hardware_port_holds_two_bytes_while_software_serial_listens(
    baud: int, lost: bool
) -> None:
    # on this board pin 0 is a free hardware port, and pin 8 takes software serial
    faults = told(
        "time.serial-starved", HOOD, ("board: atmega328p-5v", "board: atmega32u4-5v"),
        ("loads:", SECOND.replace("BAUD", str(baud))),
    )  # fmt: skip
    assert [f.at.path for f in faults] == ["probes.fumes"] * lost


def test_two_hardware_ports_do_not_starve_each_other() -> None:
    second = SECOND.replace("TXD: 0", "TXD: 19").replace("BAUD", "57600")
    on_ports = ("board: atmega328p-5v", "board: atmega2560-5v"), ("{TXD: 8}", "{TXD: 17}")
    assert told("time.serial-starved", HOOD, *on_ports, ("loads:", second)) == []
