"""The sketch's reading of 32-byte dust frames against an independent driver, on the simulated chip.

The driver of the `plantower` package calls the three words that the sketch
reads pm10_std, pm25_std and pm100_std: words 4, 5 and 6 of the frame, "under
atmospheric environment" in the data manual's appendix I. Words 1 to 3, its
_cf1, are those for a factory's test particles (CF=1). Another driver,
adafruit_pm25, says the reverse: "standard" for words 1 to 3 and "env" for 4 to
6. All agree on the places.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest
from plantower.plantower import Plantower, PlantowerException, PlantowerReading

from tests.chip_world import World, circuit_of, compiled, stimulus

pytestmark = pytest.mark.slow

BUILD = """build: dust
board: atmega2560-5v
supply: {rail: 5V, max_ma: 2000}
probes:
  fine: {part: pm-frame32, value: pm1_0, every_s: 0.1}
  smoke: {part: pm-frame32, value: pm2_5, every_s: 0.1}
  dust: {part: pm-frame32, value: pm10, every_s: 0.1}
"""
FIELDS = {"fine": "pm10_std", "smoke": "pm25_std", "dust": "pm100_std"}
SPAN = range(1001)  # of the part's table, ug/m3; the driver knows none


class Fed:
    """A serial port that holds these bytes and then no more."""

    def __init__(self, data: bytes) -> None:
        self.data = data

    def read(self, size: int = 1) -> bytes:
        if not self.data:
            raise PlantowerException("nothing more comes")
        head, self.data = self.data[:size], self.data[size:]
        return head


def _driver_says(data: bytes, monkeypatch: pytest.MonkeyPatch) -> PlantowerReading | None:
    monkeypatch.setattr("plantower.plantower.Serial", lambda **_how: Fed(data))
    driver = Plantower(port="none", read_timeout=60)
    try:
        return driver.read(perform_flush=False)
    except (PlantowerException, IndexError):
        return None


def _frame(words: list[int]) -> bytes:
    """A frame of thirteen words (data manual, appendix I), its sum right."""
    body = b"\x42\x4d\x00\x1c" + b"".join(word.to_bytes(2, "big") for word in words)
    return body + sum(body).to_bytes(2, "big")


def _frames() -> list[bytes]:
    """Good frames, some of them beyond the span, each third one with bits turned over."""
    rng, frames = random.Random(32), []
    for number in range(64):
        words = [rng.randrange(65536) for _ in range(13)]
        if number % 4:
            ends, inside = [0, 1, 999, 1000], [rng.randrange(1001) for _ in range(8)]
            words[3:6] = rng.sample(ends + inside, 3)
        data = bytearray(_frame(words))
        if number % 3 == 1:
            for at in rng.sample(range(32 * 8), rng.choice([1, 2, 5])):
                data[at // 8] ^= 1 << at % 8
        frames.append(bytes(data))
    return frames


def _logged(frames: list[bytes], tmp_path: Path) -> dict[str, list[str]]:
    """The raw values that the sketch logs, a row for each frame; empty for a lost one."""
    world = World(circuit_of(BUILD))
    for number, data in enumerate(frames):
        for place, name in enumerate(FIELDS):
            # The three apart, so that the log has room for a row of each.
            world.serial(0.5 + 0.3 * number + 0.09 * place, name, data)
    outcome = world.run(compiled(world.circuit, tmp_path), 1.0 + 0.3 * len(frames))
    assert outcome.seen.uart_troubles == ()
    rows = outcome.log()[1:]
    assert not [row for row in rows if row[-1].startswith("dropped")]
    return {name: [row[2] for row in rows if row[1] == name] for name in FIELDS}


def test_the_driver_reads_what_a_rehearsal_sends(monkeypatch: pytest.MonkeyPatch) -> None:
    particles = stimulus("pm-frame32")
    for name, word in {"pm1_0": "pm10_std", "pm2_5": "pm25_std", "pm10": "pm100_std"}.items():
        for steps in (0, 7, 500, 1000):
            good = particles.frame(steps, name)
            assert getattr(_driver_says(good, monkeypatch), word) == steps
            assert _driver_says(particles.broken(good), monkeypatch) is None


def test_the_sketch_reads_what_the_driver_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    frames = _frames()
    said = [_driver_says(data, monkeypatch) for data in frames]
    assert 15 <= said.count(None) <= 25  # both kinds were sent
    told = _logged(frames, tmp_path)
    for name, field in FIELDS.items():
        values = [None if reading is None else getattr(reading, field) for reading in said]
        expected = [str(value) if value in SPAN else "" for value in values]
        assert told[name] == expected
        assert len({value for value in expected if value}) > 10


def test_a_frame_of_zeros_is_no_reading(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The driver takes it; design.md section 3 names it among the known false values.
    zeros, clean_air = _frame([0] * 13), _frame([0] * 6 + [9, 0, 0, 0, 0, 0, 0x9700])
    reading = _driver_says(zeros, monkeypatch)
    assert reading is not None
    assert reading.pm25_std == 0
    told = _logged([zeros, clean_air, zeros], tmp_path)
    assert told == {name: ["", "0", ""] for name in FIELDS}


def test_a_frame_of_another_length_is_no_reading(tmp_path: Path) -> None:
    # Data manual, appendix I: frame length 2 x 13 + 2 = 28; its sum is right here.
    body = b"\x42\x4d\x00\x14" + _frame([7] * 13)[4:30]
    told = _logged([body + sum(body).to_bytes(2, "big"), _frame([7] * 13)], tmp_path)
    assert told == {name: ["", "7"] for name in FIELDS}
