"""Probes in small builds: two readings on either side of a threshold, and what is no reading.

How each says them on its wires follows its data sheet, apart from the sketch's own code.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from tests.chip_world import (
    CO2_REQUEST,
    World,
    aht_reply,
    co2_answer,
    scd_reply,
    sht4_reply,
    sht_word,
)

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


def answers(reply: bytes) -> Do:
    def do(world: World, t_s: float) -> None:
        sent_by, into = _serial_ends(world)
        world.scenario.answer(t_s, CO2_REQUEST, reply, sent_by=sent_by, into=into, after_s=0.02)

    return do


# --- SCD4x: ready for a moment every five seconds ----------------------------------


def _scd_put(encode: Callable[[int], bytes]) -> Put:
    def put(world: World, t_s: float, steps: int) -> None:
        world.scenario.i2c_reply(t_s, 0x62, encode(steps), after=b"\xec\x05")

    return put


def scd_clock(world: World) -> None:
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


def bme_put(world: World, t_s: float, steps: int) -> None:
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
    # Once asked anew what it is, it has good readings and the wrong name.
    _raw(0x76, "f7", bme_data(415148, 519888, 30000))(world, t_s + 3)


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
        bme_put, _raw(0x76, "f7", bme_data(0x80000, 0x80000, 0x8000)),
        _gone(0x76),
    ),
    "bme280 of another kind": Case(
        "bme280", "temperature", 2508, 3007, ("25.08", "30.07"), ("29", "27"), bme_put, _bme_other_kind,
        _gone(0x76),
    ),
    "scd4x co2": Case(
        "scd4x", "co2", 612, 1410, ("612", "1410"), ("1000", "800"),
        _scd_put(scd_reply), _raw(0x62, "ec05", _flip(scd_reply(612), 8)),
        _gone(0x62), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.6,
    ),
    "scd4x co2, nought spoils": Case(
        "scd4x", "co2", 612, 1410, ("612", "1410"), ("1000", "800"),
        _scd_put(scd_reply), _raw(0x62, "ec05", scd_reply(0)),
        _gone(0x62), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.6,
    ),
    "scd4x temperature": Case(
        "scd4x", "temperature", 1850, 2345, ("18.50", "23.45"), ("22", "20"),
        _scd_put(lambda c: scd_reply(500, c)), _raw(0x62, "ec05", _flip(scd_reply(500, 1850), 3)),
        _gone(0x62), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.6,
    ),
    "co2-ndir-uart9": Case(
        "co2-ndir-uart9", "co2", 612, 1410, ("612", "1410"), ("1000", "800"),
        lambda world, t_s, ppm: answers(co2_answer(ppm))(world, t_s), answers(_flip(co2_answer(612), 3)),
        answers(b""), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.1,
    ),
    "co2-ndir-uart9, nought spoils": Case(
        "co2-ndir-uart9", "co2", 612, 1410, ("612", "1410"), ("1000", "800"),
        lambda world, t_s, ppm: answers(co2_answer(ppm))(world, t_s), answers(co2_answer(0)),
        answers(b""), every_s=5, more=", own_figures: {warm_up_s: 20}", late_s=0.1,
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
