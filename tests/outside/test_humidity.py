"""The sketch's reading of the SHT3x against its maker's figures and driver, and a CRC library.

The sketch's own crc31 and Sht3x::take run here, on a bus that answers what it is told.
"""

from __future__ import annotations

import random
from collections.abc import Iterable, Sequence
from fractions import Fraction
from pathlib import Path

import pytest
from crccheck.crc import Crc8Nrsc5
from sensirion_driver_adapters.i2c_adapter.i2c_channel import I2cChannel
from sensirion_i2c_driver import CrcCalculator, I2cConnection
from sensirion_i2c_driver.errors import I2cChecksumError
from sensirion_i2c_sht3x.commands import Repeatability
from sensirion_i2c_sht3x.device import Sht3xDevice

from buildkit import sketch
from tests import native
from tests.chip_world import circuit_of, stimulus

pytestmark = pytest.mark.slow

BUILD = """build: humid
board: atmega328p-5v
supply: {rail: 5V, max_ma: 500}
probes:
  rh: {part: sht3x, value: humidity, every_s: 1}
  degc: {part: sht3x, value: temperature, every_s: 1, address: 0x45}
"""

# Questions: "c" and bytes for the CRC; "h" or "t" and the six bytes of a reply.
HARNESS = """
struct Probe {
  bool taken;
  long steps;
  void lose() { taken = false; }
  void accept(int32_t value) { taken = true; steps = value; }
};
static uint8_t reply[6];
static struct {
  bool write(uint8_t, const uint8_t *, uint8_t) { return true; }
  bool read(uint8_t, uint8_t *bytes, uint8_t n) {
    memcpy(bytes, reply, n);
    return n == sizeof reply;
  }
} bus;
static Probe probe_rh, probe_degc;
%s
int main() {
  char what, text[64];
  while (scanf(" %%c%%63s", &what, text) == 2) {
    uint8_t bytes[32];
    uint8_t n = 0;
    for (const char *at = text; *at; at += 2) {
      unsigned byte;
      sscanf(at, "%%2x", &byte);
      bytes[n++] = byte;
    }
    if (what == 'c') { printf("%%d\\n", crc31(bytes, n)); continue; }
    memcpy(reply, bytes, sizeof reply);
    Probe &probe = what == 'h' ? probe_rh : probe_degc;
    (what == 'h' ? reader_rh : reader_degc).take();
    if (probe.taken) printf("%%ld\\n", probe.steps);
    else puts("lost");
  }
}
"""


@pytest.fixture(scope="module")
def program(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = sketch.render(circuit_of(BUILD))
    parts = [native.cut(text, opening)
             for opening in ("struct Timer ", "static uint8_t crc31(", "struct Sht3x ")]  # fmt: skip
    parts += [native.cut(text, f"Sht3x reader_{name} ") for name in ("rh", "degc")]
    code = native.narrow("\n".join(parts))
    return native.build(HARNESS % code, tmp_path_factory.mktemp("humid"))


def ask(program: Path, questions: Iterable[str]) -> list[str]:
    return native.ask(program, "\n".join(questions)).split()


def word(raw: int) -> bytes:
    """A word as the sensor sends it, its CRC by the library."""
    data = raw.to_bytes(2, "big")
    return data + bytes([Crc8Nrsc5.calc(data)])


def reply(temperature: int, humidity: int) -> bytes:
    return word(temperature) + word(humidity)


# --- CRC ---------------------------------------------------------------------------


def test_crc_of_the_data_sheets_example(program: Path) -> None:
    # SHT3x-DIS datasheet, version 6, 4.12, Table 20: CRC(0xBEEF) = 0x92
    assert ask(program, ["cbeef"]) == [str(0x92)]
    assert Crc8Nrsc5.calc(b"\xbe\xef") == 0x92


def test_crc_is_that_of_the_library(program: Path) -> None:
    # CRC-8/NRSC-5 of the CRC catalogue: polynomial 0x31, start 0xFF, not reflected, no final xor
    rng = random.Random(31)
    inputs = [rng.randbytes(rng.randint(1, 30)) for _ in range(5000)]
    expected = [str(Crc8Nrsc5.calc(data)) for data in inputs]
    assert ask(program, (f"c{data.hex()}" for data in inputs)) == expected


# --- conversion ----------------------------------------------------------------------


def _assert_half_a_step(told: Sequence[str], full_scale: int, offset: int) -> None:
    assert len(told) == 65536
    for raw, steps in enumerate(told):
        exact = Fraction(full_scale * raw, 65535) + offset
        assert abs(int(steps) - exact) <= Fraction(1, 2), raw


def test_every_humidity_word_is_within_half_a_step(program: Path) -> None:
    # datasheet 4.13: RH = 100 S / (2^16 - 1), here in steps of 0.01 %RH
    told = ask(program, (f"h{reply(0x6666, raw).hex()}" for raw in range(65536)))
    _assert_half_a_step(told, 10_000, 0)


def test_every_temperature_word_is_within_half_a_step(program: Path) -> None:
    # datasheet 4.13: T = -45 + 175 S / (2^16 - 1), here in steps of 0.01 degC
    told = ask(program, (f"t{reply(raw, 0x8000).hex()}" for raw in range(65536)))
    _assert_half_a_step(told, 17_500, -4500)


# --- the maker's own driver --------------------------------------------------------------


class Wire:
    """An I2C transceiver that answers what it is told and keeps what it was sent."""

    API_VERSION = 1
    channel_count = None

    def __init__(self) -> None:
        self.reply = b""
        self.sent: list[bytes] = []

    def transceive(self, slave_address, tx_data, rx_length, read_delay, timeout):  # type: ignore[no-untyped-def]
        if tx_data:
            self.sent.append(bytes(tx_data))
        return 0, None, self.reply if rx_length else b""


def _driver() -> tuple[Wire, Sht3xDevice]:
    wire = Wire()
    channel = I2cChannel(
        I2cConnection(wire), slave_address=0x44, crc=CrcCalculator(8, 0x31, 0xFF, 0x00)
    )
    return wire, Sht3xDevice(channel)


def _driver_says(wire: Wire, device: Sht3xDevice, data: bytes) -> tuple[float, float] | None:
    wire.reply = data
    try:
        temperature, humidity = device.measure_single_shot(Repeatability.HIGH, False)
    except I2cChecksumError:
        return None
    return temperature.value, humidity.value


def _replies() -> list[bytes]:
    """Good replies, and as many with one or two bits turned over."""
    rng = random.Random(44)
    good = [reply(rng.randrange(65536), rng.randrange(65536)) for _ in range(60)]
    good += [reply(0, 0), reply(65535, 65535)]
    spoilt = []
    for data in good:
        bits = int.from_bytes(data, "big")
        for at in rng.sample(range(48), rng.choice([1, 2])):
            bits ^= 1 << at
        spoilt.append(bits.to_bytes(6, "big"))
    return good + spoilt


@pytest.fixture
def no_waiting(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("time.sleep", lambda _seconds: None)


@pytest.mark.usefixtures("no_waiting")
def test_the_sketch_reads_what_the_makers_driver_reads(program: Path) -> None:
    wire, device = _driver()
    replies = _replies()
    said = [_driver_says(wire, device, data) for data in replies]
    assert said.count(None) == len(replies) // 2  # a spoilt one is never let through
    degc = ask(program, (f"t{data.hex()}" for data in replies))
    rh = ask(program, (f"h{data.hex()}" for data in replies))
    for expected, t_steps, h_steps in zip(said, degc, rh, strict=True):
        if expected is None:
            assert (t_steps, h_steps) == ("lost", "lost")
        else:
            assert int(t_steps) / 100 == pytest.approx(expected[0], abs=0.00501)
            assert int(h_steps) / 100 == pytest.approx(expected[1], abs=0.00501)


@pytest.mark.usefixtures("no_waiting")
def test_the_driver_reads_what_a_rehearsal_puts_on_the_bus() -> None:
    wire, device = _driver()
    for centi in range(0, 10_001, 137):
        said = _driver_says(wire, device, stimulus("sht3x").reply(centi, centi - 4000))
        assert said == (
            pytest.approx(centi / 100 - 40, abs=0.005), pytest.approx(centi / 100, abs=0.005),
        )  # fmt: skip


@pytest.mark.usefixtures("no_waiting")
def test_the_sketch_asks_as_the_makers_driver_asks() -> None:
    wire, device = _driver()
    assert _driver_says(wire, device, reply(0x6666, 0x8000)) is not None
    text = sketch.render(circuit_of(BUILD))
    command = ", ".join(f"0x{byte:02X}" for byte in wire.sent[-1])
    assert f"measure[] = {{ {command} }};" in text
