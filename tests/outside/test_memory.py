"""The estimate of flash and RAM against what the compiler makes of the sketch."""

from __future__ import annotations

from pathlib import Path

import pytest

from buildkit import memory
from tests.chip_world import AVR_BOARDS, EXAMPLE_NAMES, circuit_of, compiled, example_text

HEAD = "build: m\nsupply: {rail: 5V, max_ma: 2000}\n"
ENTRY = (
    "  - {{drive: {0}, by: a, start_at: 30, stop_at: 20, min_off_s: 60, if_no_reading: off, "
    "no_reading_after_s: 30{1}}}\n"
)
RELAY = "  {0}: {{part: relay-module-active-low}}\n"


def _probe(name: str, part: str, value: str, more: str = "") -> str:
    return f"  {name}: {{part: {part}, value: {value}, every_s: 2{more}}}\n"


NTC = "probes:\n" + _probe("a", "ntc-divider", "temperature", ", average: 20")
LCD = "displays:\n  p: {part: lcd1602-pcf8574"
FIELDS = '"{a} {b.now} {c}"'
EXTRAS = ", max_on_s: 100, run_on_s: 5, stuck_after_s: 90"
CASES = {
    "nothing": "",
    "dust": "probes:\n" + _probe("a", "pm-frame32", "pm2_5"),
    "humid": "probes:\n" + _probe("a", "sht3x", "humidity"),
    "two on the bus": "probes:\n"
    + _probe("a", "sht3x", "humidity")
    + _probe("b", "sht3x", "temperature", ", address: 0x45"),
    "wire": "probes:\n" + _probe("a", "ds18b20", "temperature"),
    "three wires": "probes:\n" + "".join(_probe(n, "ds18b20", "temperature") for n in "abc"),
    "bead": NTC,
    "three beads": "probes:\n" + "".join(_probe(n, "ntc-divider", "temperature") for n in "abc"),
    "long window": "probes:\n" + _probe("a", "ntc-divider", "temperature", ", average: 400"),
    "display": LCD + "}\n",
    "two displays": LCD + "}\n  q: {part: lcd1602-pcf8574, address: 0x26}\n",
    "humid, one command": "probes:\n" + _probe("a", "sht4x", "humidity"),
    "humid, twenty bits": "probes:\n" + _probe("a", "aht20", "humidity"),
    "three makers' humidity": "probes:\n"
    + _probe("a", "sht3x", "humidity")
    + _probe("b", "sht4x", "humidity", ", address: 0x46")
    + _probe("c", "aht20", "humidity"),
    "air on the bus": "probes:\n" + _probe("a", "scd4x", "co2"),
    "weather": "probes:\n" + _probe("a", "bme280", "pressure"),
    "two of it": "probes:\n"
    + _probe("a", "bme280", "pressure")
    + _probe("b", "bme280", "humidity", ", address: 0x77"),
    "air by serial": "probes:\n" + _probe("a", "co2-ndir-uart9", "co2"),
    "float": "probes:\n" + _probe("a", "float-switch", "closed"),
    "three floats": "probes:\n" + "".join(_probe(n, "float-switch", "closed") for n in "abc"),
    "motion": "probes:\n" + _probe("a", "pir-motion", "motion"),
    "three motions": "probes:\n" + "".join(_probe(n, "pir-motion", "motion") for n in "abc"),
    "flow": "probes:\n" + _probe("a", "pulse-flow", "flow"),
    "two flows": "probes:\n" + "".join(_probe(n, "pulse-flow", "flow") for n in "ab"),
    "volts": "probes:\n" + _probe("a", "analog-span", "voltage"),
    "three volts": "probes:\n" + "".join(_probe(n, "analog-span", "percent") for n in "abc"),
    "loop": "probes:\n" + _probe("a", "loop-4-20ma", "current"),
    "three loops": "probes:\n" + "".join(_probe(n, "loop-4-20ma", "percent") for n in "abc"),
    "loop and volts": "probes:\n"
    + _probe("a", "loop-4-20ma", "current")
    + _probe("b", "analog-span", "voltage"),
    "four rows": "displays:\n  p: {part: lcd2004-pcf8574}\n",
    "six wires": "displays:\n  p: {part: lcd1602-parallel}\n",
    "dots": "displays:\n  p: {part: oled128x64-ssd1306}\n",
    "dots twice": "displays:\n  p: {part: oled128x64-ssd1306}\n"
    "  q: {part: oled128x64-ssd1306, address: 0x3D}\n",
    "every kind of display": "displays:\n  p: {part: lcd2004-pcf8574}\n  q: {part: lcd1602-parallel}\n"
    "  r: {part: lcd1602-pcf8574, address: 0x26}\n",
    "buzzer": NTC
    + "loads:\n"
    + RELAY.format("x")
    + "alarms:\n  z: {part: buzzer, when: [no-reading, forced-rest]}\ncontrol:\n"
    + ENTRY.format("x", ""),
    "a switch by hand": NTC
    + "loads:\n"
    + RELAY.format("x")
    + "hands:\n  h: {part: switch-hand-off-auto, commands: x}\n"
    + "control:\n"
    + ENTRY.format("x", ""),
    "buttons and a float": "probes:\n"
    + _probe("a", "float-switch", "closed")
    + "loads:\n"
    + RELAY.format("x")
    + RELAY.format("y")
    + "hands:\n  h: {part: button, commands: x, does: toggle}\n"
    + "  i: {part: button, commands: x, does: rest}\n"
    + "  j: {part: button, commands: y, does: run-for, for_s: 60}\n"
    + "control:\n"
    + ENTRY.format("x", "")
    + ENTRY.format("y", ""),
    "sounder": NTC
    + "loads:\n"
    + RELAY.format("x")
    + "alarms:\n  z: {part: sounder-piezo, when: [no-reading]}\ncontrol:\n"
    + ENTRY.format("x", ""),
    "text": NTC + LCD + ', rows: ["{a} and {a.now}", "so it is written"]}\n',
    "many fields": "probes:\n"
    + "".join(_probe(n, "ds18b20", "temperature") for n in "abc")
    + "displays:\n"
    + "".join(
        f"  p{n}: {{part: lcd2004-pcf8574, address: {0x20 + n}, "
        f"rows: [{', '.join(4 * [FIELDS])}]}}\n"
        for n in range(6)
    ),
    "one load": NTC + "loads:\n" + RELAY.format("x") + "control:\n" + ENTRY.format("x", ""),
    "four loads": NTC
    + "loads:\n"
    + "".join(RELAY.format(n) for n in "wxyz")
    + "control:\n"
    + "".join(ENTRY.format(n, EXTRAS) for n in "wxyz"),
}


def _measure(text: str, tmp_path: Path) -> tuple[memory.Memory, memory.Memory]:
    circuit = circuit_of(text)
    made = compiled(circuit, tmp_path)
    return memory.estimate(circuit), memory.Memory(made.flash_bytes, made.ram_bytes)


def _hold(told: memory.Memory, true: memory.Memory) -> None:
    for name in ("flash_bytes", "ram_bytes"):
        estimate, truth = getattr(told, name), getattr(true, name)
        assert truth <= estimate, f"{name}: {estimate} told, {truth} in truth"
        assert estimate <= 1.25 * truth + 400, f"{name}: {estimate} told, {truth} in truth"


@pytest.mark.slow
@pytest.mark.parametrize("board", AVR_BOARDS)
@pytest.mark.parametrize("case", CASES)
def test_estimate_stands_just_above_the_truth(board: str, case: str, tmp_path: Path) -> None:
    _hold(*_measure(f"{HEAD}board: {board}\n{CASES[case]}", tmp_path))


@pytest.mark.slow
@pytest.mark.parametrize("board", AVR_BOARDS)
@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_estimate_of_the_examples(board: str, name: str, tmp_path: Path) -> None:
    _hold(*_measure(example_text(name, board), tmp_path))
