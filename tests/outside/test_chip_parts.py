"""Each probe by itself on the simulated chip, with what its data sheet says on its wires.

Good readings run a load, broken ones are lost, silence rests it; the edges are
those of the reference model.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from pathlib import Path

import pytest
from crccheck.crc import Crc8Nrsc5

from buildkit.rehearsal import signals
from buildkit.rehearsal.stimuli import Wires
from tests.chip_world import (
    Outcome,
    World,
    assert_same,
    circuit_of,
    compiled,
    stimulus,
)
from tests.part_scenes import (
    BUILD,
    CASES,
    END,
    TO_GONE,
    TO_HIGH,
    TO_HIGH_AGAIN,
    TO_LOW,
    TO_SPOILT,
    Case,
    put,
    text_of,
    wires_of,
)

pytestmark = pytest.mark.slow

BOARDS = [
    (name, board)
    for name, case in CASES.items()
    for board in ("atmega328p-5v", "atmega2560-5v")
    if board == "atmega328p-5v" or "uart" in case.part
]


def _world(case: Case, board: str) -> World:
    world = World(circuit_of(text_of(case, board)))
    case.said.begin(wires_of(world))
    return world


def _phases(case: Case, world: World) -> list[tuple[float, int | None]]:
    """From when on which reading comes; None: none that counts."""
    high = case.high
    return [
        (0, case.low), (TO_HIGH, high), (TO_SPOILT, None if case.loses(world) else high),
        (TO_LOW, case.low), (TO_HIGH_AGAIN, high), (TO_GONE, None if case.falls_silent(world) else high),
    ]  # fmt: skip


def _play(case: Case, world: World) -> Iterable[tuple[float, int | None]]:
    """Put the phases on the wires; the readings that must come of them."""
    phases = _phases(case, world)
    for (begin_s, steps), end_s in zip(phases, [*(at for at, _ in phases[1:]), END], strict=True):
        if begin_s == TO_GONE and steps is None:
            case.said.silent(wires_of(world), TO_GONE)
        else:
            put(case, world, begin_s, end_s, steps)
    for t_s in range(case.every_s, int(END), case.every_s):
        yield t_s, [steps for begin, steps in phases if begin <= t_s][-1]


@pytest.mark.parametrize(("name", "board"), BOARDS)
def test_a_probe_alone(name: str, board: str, tmp_path: Path) -> None:
    case = CASES[name]
    world = _world(case, board)
    for t_s, steps in _play(case, world):
        world.polled("a", [t_s], steps, late_s=case.late_s)
    outcome = world.run(compiled(world.circuit, tmp_path), END)
    assert_same(outcome, "fan", within_s=case.every_s + case.late_s)
    states = [state for _, state in outcome.switched("fan")]
    # It runs while high; what is spoilt is silence, and so is what is gone.
    silent = case.falls_silent(world)
    assert states == (["on", "off", "on", "off"] if silent else ["on", "off", "on"])
    _assert_readings(case, outcome)
    assert [reset.cause for reset in outcome.seen.resets] == ["power"]
    assert outcome.seen.uart_troubles == ()


def _assert_readings(case: Case, outcome: Outcome) -> None:
    rows = [row for row in outcome.log()[1:] if row[1] == "a"]
    came = [(int(row[0]) / 1000, row[2]) for row in rows]
    phases = _phases(case, outcome.world)
    shown = dict(zip((case.low, case.high, None), (*case.shown, ""), strict=True))
    for begin, end, steps in (
        (begin, end, steps)
        for (begin, steps), end in zip(phases, [*[b for b, _ in phases][1:], END], strict=True)
    ):  # fmt: skip
        # The first second of a phase may still belong to a reading begun before it,
        # and the last to what is counted up to the next.
        inside = {text for t_s, text in came if begin + case.every_s < t_s < end - case.every_s / 2}
        if steps is None:
            assert inside == {""}, begin
        else:
            assert len(inside) == 1 or case.within, (begin, inside)
            assert [float(text) for text in inside] == [
                pytest.approx(float(shown[steps]), abs=case.within)
            ] * len(inside), begin
    good = [text for _, text in came if text]
    expected = [steps for _, _, steps in outcome.world.told if steps is not None]
    assert abs(len(good) - len(expected)) <= 3


def test_an_uncalibrated_aht20_is_told_to_load_it(tmp_path: Path) -> None:
    case = CASES["aht20 without calibration"]
    world = _world(case, "atmega328p-5v")
    put(case, world, 0, 10.5, case.low)
    put(case, world, 10.5, 15, None)
    outcome = world.run(compiled(world.circuit, tmp_path), 15)
    told = [(t_us, data) for t_us, data in outcome.seen.i2c_writes(0x38) if data[0] == 0xBE]
    assert {data for _, data in told} == {b"\xbe\x08\x00"}
    assert len(told) == 2


def test_a_scd4x_is_started_and_started_again_when_it_falls_silent(tmp_path: Path) -> None:
    case = CASES["scd4x co2"]
    world = _world(case, "atmega328p-5v")
    put(case, world, 5, 30, case.low)
    outcome = world.run(compiled(world.circuit, tmp_path), 60)
    starts = [t_us / 1e6 for t_us, data in outcome.seen.i2c_writes(0x62) if data == b"\x21\xb1"]
    # Once after its power-up time, then twelve seconds after each last sign of life.
    assert starts[0] == pytest.approx(1.0, abs=0.05)
    assert starts[1] == pytest.approx(25.3 + 12, abs=0.7)
    assert 8 < starts[2] - starts[1] < 13


def test_bme280_measures_pressure_and_humidity(tmp_path: Path) -> None:
    text = """build: air
board: atmega328p-5v
supply: {rail: 5V, max_ma: 500}
probes:
  hpa: {part: bme280, value: pressure, every_s: 2}
  rh: {part: bme280, value: humidity, every_s: 2, address: 0x77}
"""
    world = World(circuit_of(text))
    bme = stimulus("bme280")
    for probe in world.circuit.build.probes.values():
        wires = Wires(probe.use, world.circuit, world.scenario)
        bme.begin(wires)
        wires.i2c(0, bme.DATA, bme.data(*bme.STANDING))
    outcome = world.run(compiled(world.circuit, tmp_path), 11)
    raw = {(row[1], row[2]) for row in outcome.log() if row[1] in ("hpa", "rh")}
    # 100653.27 Pa, and 3 Pa more by the 32-bit formula.
    assert {text for name, text in raw if name == "hpa"} == {"1006.6"}
    rh = bme.percent(30000, 128422.286)
    assert [float(text) for name, text in raw if name == "rh"] == [pytest.approx(rh, abs=0.02)]


def test_encoders_agree_with_a_library() -> None:
    dice = random.Random(31)
    for _ in range(200):
        word = dice.randbytes(2)
        assert signals.guarded(int.from_bytes(word, "big"))[2] == Crc8Nrsc5.calc(word)
        reply = stimulus("aht20").reply(dice.randint(0, 9999), dice.randint(-4000, 8500))
        assert Crc8Nrsc5.calc(reply[:6]) == reply[6]


def test_co2_by_software_serial_leaves_room_for_a_thermometer(tmp_path: Path) -> None:
    """Both on pins where interrupts cost bytes: neither loses a reading to the other."""
    world = World(circuit_of("""build: both
board: atmega328p-5v
supply: {rail: 5V, max_ma: 1000}
probes:
  a: {part: co2-ndir-uart9, value: co2, every_s: 5}
  soil: {part: ds18b20, value: temperature, every_s: 1}
"""))  # fmt: skip
    stimulus("co2-ndir-uart9").reading(wires_of(world), 0, 120, 733)
    pin = world.port("soil", "DQ")
    world.scenario.thermometer(0, pin)
    world.scenario.temperature(0, pin, 18.0)
    outcome = world.run(compiled(world.circuit, tmp_path), 120)
    rows = outcome.log()
    assert {row[2] for row in rows if row[1] == "a"} == {"733"}
    assert len([row for row in rows if row[1] == "a"]) in (23, 24)
    assert {row[2] for row in rows if row[1] == "soil"} == {"18.0000"}
    assert len([row for row in rows if row[1] == "soil"]) > 60


def test_a_bouncing_contact_counts_once(tmp_path: Path) -> None:
    case = CASES["float-switch"]
    world = World(circuit_of(BUILD.format(
        board="atmega328p-5v", part=case.part, value=case.value, every_s=0.1, more="",
        start="1", stop="0", silence_s=5)))  # fmt: skip
    pin = world.port("a", "A")
    for n in range(100):  # a wave: closed for 20 ms in every 40, for four seconds
        world.scenario.level(10 + n * 0.04, pin, 0)
        world.scenario.level(10.02 + n * 0.04, pin, None)
    world.scenario.level(20, pin, 0)
    outcome = world.run(compiled(world.circuit, tmp_path), 25)
    states = [(int(row[0]) / 1000, row[2]) for row in outcome.log() if row[1] == "a"]
    assert {text for t_s, text in states if t_s < 20.04} == {"0"}
    assert {text for t_s, text in states if t_s > 20.2} == {"1"}


@pytest.mark.parametrize(("hertz", "shown"), [(0, "0.00"), (45, "6.00"), (15, "2.00")])
def test_pulses_become_litres_a_minute(hertz: int, shown: str, tmp_path: Path) -> None:
    """450 pulses a litre (7.5 Hz for each L/min), counted over two seconds."""
    text = BUILD.format(board="atmega328p-5v", part="pulse-flow", value="flow", every_s=2, more="",
                        start=4, stop=1, silence_s=12)  # fmt: skip
    world = World(circuit_of(text))
    pin = world.port("a", "OUT")
    world.scenario.level(0, pin, 1)
    if hertz:
        world.scenario.pulses(0, pin, 1 / hertz)
    outcome = world.run(compiled(world.circuit, tmp_path), 19)
    readings = [float(row[2]) for row in outcome.log() if row[1] == "a"]
    assert len(readings) == 9
    # One pulse more or less is 0.067 L/min, and the reading's own time is counted.
    assert readings == [pytest.approx(float(shown), abs=0.07)] * 9
    edges = outcome.switched("fan")
    assert [state for _, state in edges] == (["on"] if hertz > 30 else [])
    assert all(t_s == pytest.approx(6, abs=0.1) for t_s, _ in edges)
