"""The sketch's whole-number compensation of the BME280 against a published driver in real numbers.

The sketch's own Bme280 runs here on a bus of registers; the driver reads the same registers.
"""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import pytest
from adafruit_bme280.basic import Adafruit_BME280  # type: ignore[import-untyped]

from buildkit import sketch
from tests import native
from tests.chip_world import circuit_of, stimulus

pytestmark = pytest.mark.slow

BUILD = """build: air
board: atmega328p-5v
supply: {rail: 5V, max_ma: 500}
probes:
  degc: {part: bme280, value: temperature, every_s: 1}
"""

# A line a question: 33 bytes of calibration, then 8 of data; three answers.
HARNESS = """
#define constrain(x, low, high) ((x) < (low) ? (low) : (x) > (high) ? (high) : (x))
struct Probe {
  bool taken;
  long steps;
  void lose() { taken = false; }
  void accept(int32_t value) { taken = true; steps = value; }
};
struct Timer {
  void start() {}
  void startAt(uint32_t) {}
  bool past(uint32_t) { return true; }
};
static uint8_t registers[256];
static struct {
  uint8_t at;
  bool write(uint8_t, const uint8_t *bytes, uint8_t) { at = bytes[0]; return true; }
  bool read(uint8_t, uint8_t *bytes, uint8_t n) { memcpy(bytes, registers + at, n); return true; }
} bus;
%s
int main() {
  char text[128];
  while (scanf("%%127s", text) == 1) {
    for (int i = 0; i < 41; i++) {
      unsigned byte;
      sscanf(text + 2 * i, "%%2x", &byte);
      registers[i < 26 ? 0x88 + i : i < 33 ? 0xE1 + i - 26 : 0xF7 + i - 33] = byte;
    }
    registers[0xD0] = 0x60;
    for (uint8_t what = 0; what < 3; what++) {
      Probe probe = {};
      Bme280 reader = { probe, 0x76, what, 1000, 10, {}, {}, 0, {}, 0 };
      for (int pass = 0; pass < 4; pass++) reader.step();
      if (probe.taken) printf("%%ld ", probe.steps);
      else printf("lost ");
    }
    printf("\\n");
  }
}
"""


class Registers:
    """The published driver's bus: bytes at addresses."""

    def __init__(self, calibration: bytes, data: bytes) -> None:
        self.bytes = bytearray(256)
        self.bytes[0xD0] = 0x60
        self.bytes[0x88 : 0x88 + 26] = calibration[:26]
        self.bytes[0xE1 : 0xE1 + 7] = calibration[26:]
        self.bytes[0xF7:0xFF] = data

    def read_register(self, register: int, length: int) -> bytearray:
        return self.bytes[register : register + length]

    def write_register_byte(self, register: int, value: int) -> None:
        assert register in (0xE0, 0xF2, 0xF4, 0xF5), value


def _calibration(dice: random.Random, h3: int = 0) -> bytes:
    """Coefficients near those that sensors carry, each a few percent its own way."""
    typical = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
    words = [round(value * dice.uniform(0.95, 1.05)) & 0xFFFF for value in typical]
    h1, h2, h4, h5 = 75, dice.randint(350, 380), dice.randint(290, 340), dice.randint(-10, 60)
    rest = [h2 & 0xFF, h2 >> 8, h3, h4 >> 4, (h4 & 15) | (h5 & 15) << 4, h5 >> 4 & 0xFF, 30]
    return b"".join(word.to_bytes(2, "little") for word in words) + bytes([0, h1, *rest])


def _data(pressure: int, temperature: int, humidity: int) -> bytes:
    body = (pressure << 4).to_bytes(3, "big") + (temperature << 4).to_bytes(3, "big")
    return body + humidity.to_bytes(2, "big")


def _ask(tmp_path: Path, questions: list[tuple[bytes, bytes]]) -> list[list[str]]:
    text = sketch.render(circuit_of(BUILD))
    code = native.narrow(native.cut(text, "struct Bme280 {"))
    program = native.build(HARNESS % code, tmp_path)
    said = native.ask(program, "".join(f"{c.hex()}{d.hex()}\n" for c, d in questions))
    return [line.split() for line in said.splitlines()]


def test_the_sketch_computes_what_the_published_driver_computes(tmp_path: Path) -> None:
    dice = random.Random(280)
    questions = [
        (_calibration(dice), _data(dice.randint(330_000, 560_000), dice.randint(430_000, 600_000), dice.randint(22_000, 42_000)))
        for _ in range(400)
    ]  # fmt: skip
    worst = [0.0, 0.0, 0.0]
    for (calibration, data), said in zip(questions, _ask(tmp_path, questions), strict=True):
        bus: Any = Registers(calibration, data)
        driver = Adafruit_BME280(bus)
        truth = (driver.temperature, driver.humidity, driver.pressure)
        for what, scale in enumerate((100, 100, 10)):
            worst[what] = max(worst[what], abs(int(said[what]) / scale - truth[what]))
    # Steps of 0.01 degC, 0.01 %RH and 0.1 hPa, and what whole numbers lose on the way.
    assert worst[0] <= 0.0101
    assert worst[1] <= 0.03
    assert worst[2] <= 0.15


def test_the_driver_reads_what_a_rehearsal_puts_on_the_bus() -> None:
    bme = stimulus("bme280")
    spans = {"temperature": (-4000, 8500, 100), "relative_humidity": (0, 10000, 100), "pressure": (3000, 11000, 10)}  # fmt: skip
    for name, (low, high, scale) in spans.items():
        for steps in range(low, high + 1, (high - low) // 50):
            words = bme.words(name.removeprefix("relative_"), steps)
            bus: Any = Registers(b"".join(bme.calibration()), bme.data(*words))
            driver = Adafruit_BME280(bus)
            assert getattr(driver, name) == pytest.approx(steps / scale, abs=0.5 / scale), (
                name,
                steps,
            )


def test_humidity_with_its_third_coefficient(tmp_path: Path) -> None:
    """Against the data sheet's formula in real numbers (4.2.3 there, 8.1).

    The published driver has one factor more there than the data sheet, which
    shows only while this coefficient is not nought; sensors carry nought.
    """
    dice = random.Random(3)
    questions = [(_calibration(dice, 5), _data(415148, dice.randint(450_000, 580_000), dice.randint(24_000, 38_000))) for _ in range(100)]  # fmt: skip
    for (calibration, data), said in zip(questions, _ask(tmp_path, questions), strict=True):
        bus: Any = Registers(calibration, data)
        driver = Adafruit_BME280(bus)
        fine = driver.temperature * 5120
        h1, h2, h3, h4, h5, h6 = (float(c) for c in driver._humidity_calib)
        x = fine - 76800.0
        adc = int.from_bytes(data[6:], "big")
        x = (adc - (h4 * 64 + h5 / 16384 * x)) * (h2 / 65536 * (1 + h6 / 67108864 * x * (1 + h3 / 67108864 * x)))  # fmt: skip
        percent = min(100.0, max(0.0, x * (1 - h1 * x / 524288)))
        assert abs(int(said[1]) / 100 - percent) <= 0.03


def test_the_worked_example_that_the_maker_printed(tmp_path: Path) -> None:
    """BMP280 data sheet 3.12, the same compensation: 25.08 degC and 100653 Pa."""
    words = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)
    calibration = b"".join((w & 0xFFFF).to_bytes(2, "little") for w in words)
    calibration += bytes([0, 75, 370 & 0xFF, 1, 0, 313 >> 4, 313 & 15 | (50 & 15) << 4, 3, 30])
    ((degc, _, hpa),) = _ask(tmp_path, [(calibration, _data(415148, 519888, 30000))])
    assert degc == "2508"
    assert abs(int(hpa) - 10065.3) <= 1


def test_what_was_not_measured_is_lost(tmp_path: Path) -> None:
    calibration = _calibration(random.Random(1))
    said = _ask(tmp_path, [
        (calibration, _data(0x80000, 519888, 30000)), (calibration, _data(415148, 519888, 0x8000)),
        (calibration, _data(415148, 0x80000, 30000)),
    ])  # fmt: skip
    assert [[text == "lost" for text in line] for line in said] == [
        [False, False, True], [False, True, False], [True, True, True],
    ]  # fmt: skip
