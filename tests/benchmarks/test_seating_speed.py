"""How long seating takes, in this process: printed with ``pytest -s``, compared as ratios.

Processor time of the process.  The figures of a machine pass or fail nothing;
what is asserted is growth between two sizes measured in the same run, with room
for a busy machine.
"""

from __future__ import annotations

import time

import pytest

from buildkit import buildfile, document, moving, seating, shortage
from buildkit.circuit import Circuit
from buildkit.model import Build
from buildkit.places import data_dir
from tests.seating_builds import BOARDS, KINDS, TABLES, bright, build, many, named

TARGET_MS = 50
LARGEST = "atmega2560-5v"
MIX = ("dust", "bead", "soil", "ssr", "relay", "lamp", "panel", "air")


def clocked(made: Build, times: int = 3) -> tuple[float, Circuit]:
    """Milliseconds of the fastest of some seatings, and the circuit."""
    best = float("inf")
    for _ in range(times):
        begin = time.process_time()
        circuit = seating.seat(made)
        best = min(best, time.process_time() - begin)
    return best * 1000, circuit


def say(what: str, ms: float, more: str = "") -> None:
    print(f"  {what:<58} {ms:7.2f} ms  {'' if ms < TARGET_MS else 'OVER TARGET '}{more}")


def parts(count: int, kinds: tuple[str, ...] = MIX) -> list[tuple[str, str]]:
    return named(*(kinds[n % len(kinds)] for n in range(count)))


def test_growth_with_parts() -> None:
    print()
    taken = {}
    for count in (5, 10, 20, 30, 40):
        ms, circuit = clocked(build(parts(count), LARGEST))
        taken[count] = ms
        say(f"{LARGEST}, {count} parts, {len(circuit.signals())} terminals", ms,
            f"{len(circuit.unseated)} without a pin")  # fmt: skip
    # Doubling the parts costs less than the square: no explosion.
    assert taken[40] < 8 * taken[20]


def test_twenty_parts_with_many_wires_each() -> None:
    print()
    made = build(parts(20), LARGEST)
    for name, kind in parts(20):
        if kind == "lamp":
            made = many(made, name, ["RS", "E", "D4", "D5", "D6", "D7"])
    several_ms, circuit = clocked(made)
    plain_ms, _ = clocked(build(parts(20), LARGEST))
    say("20 parts, among them parallel displays of six wires", several_ms)
    assert circuit.unseated == ()
    assert several_ms < 40 * plain_ms


def test_impossible_builds() -> None:
    print()
    small_ms, _ = clocked(build(parts(5), "atmega328p-5v"))
    proofs = {
        "40 parts on the small board": build(parts(40), "atmega328p-5v"),
        "40 beads for 6 analog pins": build(named(*["bead"] * 40), "atmega328p-5v"),
        "12 dust sensors for 3 ports and software": build(named(*["dust"] * 12), LARGEST),
        "80 lamps for 68 pins": build(named(*["lamp"] * 80), LARGEST),
    }
    currents = build(named(*["lamp"] * 18))
    for n in range(18):
        currents = bright(currents, f"lamp_{n}", 158)
    proofs["18 lamps of 19 mA for two groups of 150 mA"] = currents
    unlike = bright(build(named(*["lamp"] * 29), "ra4m1-5v"), "lamp_0", 1500)
    proofs["29 lamps, one of less current, for two groups of 30 mA"] = unlike
    for what, made in proofs.items():
        ms, circuit = clocked(made)
        say(what, ms, f"{len(circuit.unseated)} without a pin")
        assert circuit.unseated
        assert ms < 200 * small_ms


def test_who_competes() -> None:
    print()
    for what, made in {
        "who competes: 7 beads for 6 pins": build(named(*["bead"] * 7)),
        "who competes: 40 parts on the small board": build(parts(40), "atmega328p-5v"),
    }.items():
        begin = time.process_time()
        short = shortage.shortage_of(made)
        say(what, (time.process_time() - begin) * 1000)
        assert short is not None


@pytest.mark.slow
def test_every_example_on_every_board() -> None:
    print()
    slowest, where = 0.0, ""
    for path in sorted(data_dir("examples").glob("*.yaml")):
        made = buildfile.load(path, TABLES)
        begin = time.process_time()
        verdicts = moving.survey(made, TABLES)
        survey_ms = (time.process_time() - begin) * 1000
        assert len(verdicts) == len(BOARDS)
        for board in BOARDS:
            there = moving.move(made, TABLES.board(board), TABLES).circuit.build
            ms, _ = clocked(there, 2)
            slowest, where = max((slowest, where), (ms, f"{path.stem} on {board}"))
        print(f"  {f'move: table of all boards for {path.stem}':<58} {survey_ms:7.0f} ms")
    say(f"slowest example: {where}", slowest)
    assert slowest > 0


def test_reading_the_file_costs_more_than_seating() -> None:
    """What the user waits for is not the search."""
    print()
    raw = (data_dir("examples") / "reed-room.yaml").read_bytes()
    begin = time.process_time()
    made = buildfile.from_tree(document.parse(raw, "x.yaml"), TABLES)
    read_ms = (time.process_time() - begin) * 1000
    ms, _ = clocked(made)
    say("reading reed-room", read_ms)
    say("seating reed-room", ms)
    assert ms < 20 * read_ms
    assert set(MIX) == set(KINDS)
