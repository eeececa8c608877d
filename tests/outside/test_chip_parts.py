"""Each probe by itself on the simulated chip, with what its data sheet says on its wires.

Good readings run a load, broken ones are lost, silence rests it; the edges are
those of the reference model.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

import pytest
from crccheck.crc import Crc8Nrsc5

from tests.chip_world import (
    CO2_REQUEST,
    Outcome,
    World,
    aht_reply,
    assert_same,
    circuit_of,
    co2_answer,
    compiled,
    scd_reply,
    sht4_reply,
    sht_word,
)

pytestmark = pytest.mark.slow

BUILD = """build: alone
board: {board}
supply: {{rail: 5V, max_ma: 2000}}
probes:
  a: {{part: {part}, value: {value}, every_s: {every_s}, average: 3{more}}}
loads:
  fan: {{part: relay-module-active-low}}
control:
  - {{drive: fan, by: a, start_at: {start}, stop_at: {stop}, min_off_s: 5, if_no_reading: off,
     no_reading_after_s: {silence_s}}}
"""
# Seconds at which the readings change; between two readings, so that none can be either.
TO_HIGH, TO_SPOILT, TO_LOW, TO_HIGH_AGAIN, TO_GONE, END = 60.5, 120.5, 180.5, 240.5, 300.5, 360.0

Put = Callable[[World, float, int], None]
Do = Callable[[World, float], None]


@dataclass(frozen=True)
class Case:
    """A probe, two readings on either side of the thresholds (in steps), and how it says them."""

    part: str
    value: str
    low: int
    high: int
    shown: tuple[str, str]  # the two as the log writes them
    between: tuple[str, str]  # start_at and stop_at
    put: Put
    spoil: Do | None = None  # readings that must be lost from then on
    go: Do | None = None  # silent from then on
    every_s: int = 2
    more: str = ""
    late_s: float = 0.1  # how long after it is due a reading may come
    within: float = 0.0  # half a count of the converter and half a step


def _gone(address: int) -> Do:
    return lambda world, t_s: world.scenario.i2c_present(t_s, address, False)


def _reply(address: int, command: str, encode: Callable[[int], bytes]) -> Put:
    after = bytes.fromhex(command)
    return lambda world, t_s, steps: world.scenario.i2c_reply(
        t_s, address, encode(steps), after=after
    )


def _raw(address: int, command: str, data: bytes) -> Do:
    after = bytes.fromhex(command)
    return lambda world, t_s: world.scenario.i2c_reply(t_s, address, data, after=after)


def _flip(data: bytes, at: int) -> bytes:
    return data[:at] + bytes([data[at] ^ 0x10]) + data[at + 1 :]


# --- CO2 over two serial wires ---------------------------------------------------


def _serial_ends(world: World) -> tuple[int | str, int | str]:
    link = next(link for link in world.circuit.serial_links if link.use.name == "a")
    assert link.rx is not None
    assert link.tx is not None
    if link.port is None:
        return link.tx.port, link.rx.port
    index = int(link.port.removeprefix("Serial"))
    return index, index


def _answers(reply: bytes) -> Do:
    def do(world: World, t_s: float) -> None:
        sent_by, into = _serial_ends(world)
        world.scenario.answer(t_s, CO2_REQUEST, reply, sent_by=sent_by, into=into, after_s=0.02)

    return do


# --- SCD4x: ready for a moment every five seconds ----------------------------------


def _scd_put(encode: Callable[[int], bytes]) -> Put:
    def put(world: World, t_s: float, steps: int) -> None:
        world.scenario.i2c_reply(t_s, 0x62, encode(steps), after=b"\xec\x05")

    return put


def _scd_clock(world: World) -> None:
    """Data ready: the lower eleven bits, for a little longer than the sketch waits to ask."""
    for t_s in range(0, int(END), 5):
        world.scenario.i2c_reply(t_s, 0x62, sht_word(0x8006), after=b"\xe4\xb8")
        world.scenario.i2c_reply(t_s + 0.6, 0x62, sht_word(0x8000), after=b"\xe4\xb8")


# --- BME280: the registers of its data sheet, 5.4, with a calibration ---------------

# Temperature and pressure are those of the worked example that the maker printed for
# the same compensation (BMP280 data sheet 3.12: 519888 and 415148 give 25.08 degC and
# 100653.27 Pa); humidity coefficients as sensors carry them.
T1_TO_P9 = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
H1, H2, H3, H4, H5, H6 = 75, 370, 0, 313, 50, 30


def bme_calibration() -> tuple[bytes, bytes]:
    """Registers 0x88 to 0xA1 and 0xE1 to 0xE7."""
    words = b"".join((v & 0xFFFF).to_bytes(2, "little") for v in T1_TO_P9)
    rest = [H2 & 0xFF, H2 >> 8, H3, H4 >> 4, (H4 & 15) | (H5 & 15) << 4, H5 >> 4, H6]
    return words + bytes([0, H1]), bytes(rest)


def bme_data(pressure: int, temperature: int, humidity: int) -> bytes:
    """Registers 0xF7 to 0xFE: 20, 20 and 16 bits."""
    return (pressure << 4).to_bytes(3, "big") + (temperature << 4).to_bytes(3, "big") + humidity.to_bytes(2, "big")  # fmt: skip


def _bme_put(world: World, t_s: float, steps: int) -> None:
    first, second = bme_calibration()
    scenario = world.scenario
    scenario.i2c_reply(t_s, 0x76, b"\x60", after=b"\xd0")
    scenario.i2c_reply(t_s, 0x76, first, after=b"\x88")
    scenario.i2c_reply(t_s, 0x76, second, after=b"\xe1")
    raw = {2508: 519888, 3007: 535820}[steps]
    scenario.i2c_reply(t_s, 0x76, bme_data(415148, raw, 30000), after=b"\xf7")


def _bme_other_kind(world: World, t_s: float) -> None:
    """A sensor put in the socket that looks alike and has no humidity."""
    _raw(0x76, "f7", bme_data(0x80000, 0x80000, 0x8000))(world, t_s)
    _raw(0x76, "d0", b"\x58")(world, t_s)


# --- pins ----------------------------------------------------------------------------


def _pin_level(terminal: str, levels: tuple[int | None, int | None]) -> Put:
    return lambda world, t_s, steps: world.scenario.level(t_s, world.port("a", terminal), levels[steps])  # fmt: skip


def _adc(terminal: str, per_step: Callable[[int], float]) -> Put:
    def put(world: World, t_s: float, steps: int) -> None:
        use = world.circuit.build.probes["a"].use
        wire = world.circuit.wire(use, terminal)
        assert wire is not None
        assert wire.pin is not None
        assert wire.pin.adc is not None
        world.scenario.adc_mv(t_s, wire.pin.adc, round(per_step(steps)))

    return put


def _adc_at(terminal: str, mv: float) -> Do:
    put = _adc(terminal, lambda _: mv)
    return lambda world, t_s: put(world, t_s, 0)


CASES = {
    "sht4x humidity": Case(
        "sht4x", "humidity", 4000, 5500, ("40.00", "55.00"), ("52", "45"),
        _reply(0x44, "fd", sht4_reply), _raw(0x44, "fd", _flip(sht4_reply(4000), 5)),
        _gone(0x44),
    ),
    "sht4x temperature": Case(
        "sht4x", "temperature", -500, 2345, ("-5.00", "23.45"), ("20", "10"),
        _reply(0x44, "fd", lambda c: sht4_reply(4000, c)), _raw(0x44, "fd", _flip(sht4_reply(4000, -500), 1)),
        _gone(0x44),
    ),
    "aht20 humidity": Case(
        "aht20", "humidity", 4000, 5500, ("40.00", "55.00"), ("52", "45"),
        _reply(0x38, "ac3300", aht_reply), _raw(0x38, "ac3300", _flip(aht_reply(4000), 2)),
        _gone(0x38),
    ),
    "aht20 temperature, busy for ever": Case(
        "aht20", "temperature", -500, 2345, ("-5.00", "23.45"), ("20", "10"),
        _reply(0x38, "ac3300", lambda c: aht_reply(4000, c)), _raw(0x38, "ac3300", aht_reply(4000, -500, 0x9C)),
        _gone(0x38),
    ),
    "aht20 without calibration": Case(
        "aht20", "humidity", 4000, 5500, ("40.00", "55.00"), ("52", "45"),
        _reply(0x38, "ac3300", aht_reply), _raw(0x38, "ac3300", aht_reply(4000, 2150, 0x14)),
        _gone(0x38),
    ),
    "bme280 temperature": Case(
        "bme280", "temperature", 2508, 3007, ("25.08", "30.07"), ("29", "27"),
        _bme_put, _raw(0x76, "f7", bme_data(0x80000, 0x80000, 0x8000)),
        _gone(0x76),
    ),
    "bme280 of another kind": Case(
        "bme280", "temperature", 2508, 3007, ("25.08", "30.07"), ("29", "27"), _bme_put, _bme_other_kind,
        _gone(0x76),
    ),
    "scd4x co2": Case(
        "scd4x", "co2", 612, 1410, ("612", "1410"), ("1000", "800"),
        _scd_put(scd_reply), _raw(0x62, "ec05", _flip(scd_reply(612), 8)),
        _gone(0x62), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.6,
    ),
    "scd4x temperature, first nought": Case(
        "scd4x", "temperature", 1850, 2345, ("18.50", "23.45"), ("22", "20"),
        _scd_put(lambda c: scd_reply(500, c)), _raw(0x62, "ec05", _flip(scd_reply(500, 1850), 3)),
        _gone(0x62), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.6,
    ),
    "co2-ndir-uart9": Case(
        "co2-ndir-uart9", "co2", 612, 1410, ("612", "1410"), ("1000", "800"),
        lambda world, t_s, ppm: _answers(co2_answer(ppm))(world, t_s), _answers(_flip(co2_answer(612), 3)),
        _answers(b""), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.1,
    ),
    "analog-span voltage": Case(
        "analog-span", "voltage", 800, 3200, ("0.800", "3.200"), ("2.5", "1.5"),
        _adc("OUT", float), _adc_at("OUT", 0),
        more=", own_figures: {false_below_v: 0.25}", within=0.003,
    ),
    "analog-span percent": Case(
        "analog-span", "percent", 250, 750, ("25.0", "75.0"), ("60", "40"),
        # 0.5 to 4.5 V: a tenth of a percent is 4 mV
        _adc("OUT", lambda steps: 500 + 4 * steps), _adc_at("OUT", 200),
        more=", own_figures: {low_v: 0.5, high_v: 4.5}", within=0.12,
    ),
    "loop-4-20ma current": Case(
        "loop-4-20ma", "current", 800, 1600, ("8.00", "16.00"), ("14", "10"),
        # 100 ohms: a hundredth of a milliamp is 1 mV; 3.5 mA and 0 mA are failures
        _adc("LOOP", float), _adc_at("LOOP", 350), _adc_at("LOOP", 0), within=0.03,
    ),
    "loop-4-20ma percent": Case(
        "loop-4-20ma", "percent", 250, 750, ("25.0", "75.0"), ("60", "40"),
        # 220 ohms: 0.88 to 4.4 V, a tenth of a percent is 3.52 mV; 21.5 mA is a failure
        _adc("LOOP", lambda steps: 880 + 3.52 * steps), _adc_at("LOOP", 4730), _adc_at("LOOP", 0),
        more=", own_figures: {shunt_ohms: 220, out_high_v: 4.95}", within=0.12,
    ),
    "float-switch": Case(
        "float-switch", "closed", 0, 1, ("0", "1"), ("1", "0"), _pin_level("A", (None, 0)),
    ),
    "pir-motion": Case(
        "pir-motion", "motion", 0, 1, ("0", "1"), ("1", "0"), _pin_level("OUT", (0, 1)),
        more=", own_figures: {warm_up_s: 20}",
    ),
}  # fmt: skip
BOARDS = [
    (name, board)
    for name, case in CASES.items()
    for board in ("atmega328p-5v", "atmega2560-5v")
    if board == "atmega328p-5v" or "uart" in case.part
]


def _world(case: Case, board: str) -> World:
    text = BUILD.format(
        board=board, part=case.part, value=case.value, every_s=case.every_s, more=case.more,
        start=case.between[0], stop=case.between[1], silence_s=6 * case.every_s,
    )  # fmt: skip
    return World(circuit_of(text))


def _phases(case: Case) -> list[tuple[float, int | None]]:
    """From when on which reading comes; None: none that counts."""
    return [
        (0, case.low), (TO_HIGH, case.high), (TO_SPOILT, None if case.spoil else case.high),
        (TO_LOW, case.low), (TO_HIGH_AGAIN, case.high), (TO_GONE, None if case.go else case.high),
    ]  # fmt: skip


def _play(case: Case, world: World) -> Iterable[tuple[float, int | None]]:
    """Put the phases on the wires; the readings that must come of them."""
    case.put(world, 0, case.low)
    case.put(world, TO_HIGH, case.high)
    if case.spoil:
        case.spoil(world, TO_SPOILT)
    case.put(world, TO_LOW, case.low)
    case.put(world, TO_HIGH_AGAIN, case.high)
    if case.go:
        case.go(world, TO_GONE)
    phases = _phases(case)
    for t_s in range(case.every_s, int(END), case.every_s):
        yield t_s, [steps for begin, steps in phases if begin <= t_s][-1]


@pytest.mark.parametrize(("name", "board"), BOARDS)
def test_a_probe_alone(name: str, board: str, tmp_path: Path) -> None:
    case = CASES[name]
    world = _world(case, board)
    if case.part == "scd4x":
        _scd_clock(world)
    for t_s, steps in _play(case, world):
        world.polled("a", [t_s], steps, late_s=case.late_s)
    outcome = world.run(compiled(world.circuit, tmp_path), END)
    assert_same(outcome, "fan", within_s=case.every_s + case.late_s)
    states = [state for _, state in outcome.switched("fan")]
    # It runs while high; what is spoilt is silence, and so is what is gone.
    assert states == (["on", "off", "on", "off"] if case.go else ["on", "off", "on"])
    _assert_readings(case, outcome)
    assert [reset.cause for reset in outcome.seen.resets] == ["power"]
    assert outcome.seen.uart_troubles == ()


def _assert_readings(case: Case, outcome: Outcome) -> None:
    rows = [row for row in outcome.log()[1:] if row[1] == "a"]
    came = [(int(row[0]) / 1000, row[2]) for row in rows]
    shown = dict(zip((case.low, case.high, None), (*case.shown, ""), strict=True))
    for begin, end, steps in (
        (begin, end, steps)
        for (begin, steps), end in zip(_phases(case), [*[b for b, _ in _phases(case)][1:], END], strict=True)
    ):  # fmt: skip
        # The first second of a phase may still belong to a reading begun before it.
        inside = {text for t_s, text in came if begin + case.every_s < t_s < end}
        if steps is None:
            assert inside == {""}, begin
        else:
            assert len(inside) == 1, (begin, inside)
            assert float(inside.pop()) == pytest.approx(float(shown[steps]), abs=case.within), begin
    good = [text for _, text in came if text]
    expected = [steps for _, _, steps in outcome.world.told if steps is not None]
    assert abs(len(good) - len(expected)) <= 3


def test_an_uncalibrated_aht20_is_told_to_load_it(tmp_path: Path) -> None:
    case = CASES["aht20 without calibration"]
    world = _world(case, "atmega328p-5v")
    case.put(world, 0, case.low)
    assert case.spoil is not None
    case.spoil(world, 10.5)
    outcome = world.run(compiled(world.circuit, tmp_path), 15)
    told = [(t_us, data) for t_us, data in outcome.seen.i2c_writes(0x38) if data[0] == 0xBE]
    assert {data for _, data in told} == {b"\xbe\x08\x00"}
    assert len(told) == 2


def test_a_scd4x_is_started_and_started_again_when_it_falls_silent(tmp_path: Path) -> None:
    case = CASES["scd4x co2"]
    world = _world(case, "atmega328p-5v")
    for t_s in range(5, 30, 5):
        world.scenario.i2c_reply(t_s, 0x62, sht_word(0x8001), after=b"\xe4\xb8")
        world.scenario.i2c_reply(t_s + 0.6, 0x62, sht_word(0x8000), after=b"\xe4\xb8")
    case.put(world, 0, case.low)
    world.scenario.i2c_reply(0, 0x62, sht_word(0x8000), after=b"\xe4\xb8")
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
    _bme_put(world, 0, 2508)
    for line in [line for line in world.scenario.lines if "reply 118" in line]:
        world.scenario.lines.append(line.replace("reply 118", "reply 119"))
    outcome = world.run(compiled(world.circuit, tmp_path), 11)
    raw = {(row[1], row[2]) for row in outcome.log() if row[1] in ("hpa", "rh")}
    # 100653.27 Pa, and 3 Pa more by the 32-bit formula.
    assert {text for name, text in raw if name == "hpa"} == {"1006.6"}
    assert [float(text) for name, text in raw if name == "rh"] == [pytest.approx(_humidity(30000), abs=0.02)]  # fmt: skip


def _humidity(adc: int, fine: float = 128422.286) -> float:
    """Percent after the data sheet's formula in real numbers (BME280, 8.1), at 25.08 degC."""
    x = fine - 76800.0
    x = (adc - (H4 * 64.0 + H5 / 16384.0 * x)) * (
        H2 / 65536.0 * (1.0 + H6 / 67108864.0 * x * (1.0 + H3 / 67108864.0 * x))
    )
    return x * (1.0 - H1 * x / 524288.0)


def test_encoders_agree_with_a_library() -> None:
    dice = random.Random(31)
    for _ in range(200):
        word = dice.randbytes(2)
        assert sht_word(int.from_bytes(word, "big"))[2] == Crc8Nrsc5.calc(word)
        reply = aht_reply(dice.randint(0, 9999), dice.randint(-4000, 8500))
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
    _answers(co2_answer(733))(world, 0)
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
    for n in range(20 * hertz):
        world.scenario.level((n + 0.2) / hertz, pin, 0)
        world.scenario.level((n + 0.7) / hertz, pin, 1)
    outcome = world.run(compiled(world.circuit, tmp_path), 19)
    readings = [float(row[2]) for row in outcome.log() if row[1] == "a"]
    assert len(readings) == 9
    # One pulse more or less is 0.067 L/min, and the reading's own time is counted.
    assert readings == [pytest.approx(float(shown), abs=0.07)] * 9
    edges = outcome.switched("fan")
    assert [state for _, state in edges] == (["on"] if hertz > 30 else [])
    assert all(t_s == pytest.approx(6, abs=0.1) for t_s, _ in edges)
