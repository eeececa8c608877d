"""The host engine against the simulated chip and the reference model, on every board.

Scenes, scenarios and assertions are those of the chip tests: only the engine
under them is another.  Where both engines can run, they must tell the same.
"""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from buildkit import control, sketch
from buildkit.circuit import Circuit
from buildkit.rehearsal import compiler, host, toolchain
from buildkit.rehearsal.host import HostRun
from buildkit.rehearsal.signals import Scenario
from tests.chip_world import (
    AVR_BOARDS,
    CO2_REQUEST,
    EXAMPLE_NAMES,
    Outcome,
    World,
    assert_same,
    circuit_of,
    co2_answer,
    compiled,
    example_text,
    frame32,
    hang_after,
    in_each_pass,
    never_ran_before,
    sht_reply,
)
from tests.outside import test_chip_examples
from tests.outside.test_chip_examples import SCENES
from tests.outside.test_memory import CASES

pytestmark = pytest.mark.slow

BOARDS = sorted(path.stem for path in (Path(__file__).parents[2] / "boards").glob("*.yaml"))


def _written(circuit: Circuit, into: Path, text: str = "") -> Path:
    ino = into / f"{circuit.build.name}.ino"
    ino.write_text(text or sketch.render(circuit), encoding="utf-8")
    return ino


def _on_host(world: World, ino: Path, until_s: float) -> Outcome:
    seen = host.run(ino, world.circuit, world.scenario, until_s)
    model = control.run(world.circuit.build, sorted(world.told), round(until_s * 1000))
    return Outcome(world, seen, model)


@pytest.fixture
def on_host(monkeypatch: pytest.MonkeyPatch) -> Callable[[str, str, Path], Outcome]:
    """A scene of the chip tests, run by the host engine instead."""

    def run(name: str, board: str, into: Path) -> Outcome:
        with monkeypatch.context() as patch:
            patch.setattr(World, "run", _on_host)
            patch.setattr(test_chip_examples, "compiled", _written)
            return SCENES[name](board, into)

    return run


def _host_run(outcome: Outcome) -> HostRun:
    assert isinstance(outcome.seen, HostRun)
    return outcome.seen


# --- both engines, one scene --------------------------------------------------------


@pytest.mark.parametrize("board", AVR_BOARDS)
@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_engines_agree_change_by_change(
    name: str, board: str, tmp_path: Path, on_host: Callable[[str, str, Path], Outcome]
) -> None:
    by_chip, by_host = SCENES[name](board, tmp_path), on_host(name, board, tmp_path)
    for load in by_chip.world.circuit.build.loads:
        chip_edges, host_edges = by_chip.switched(load), by_host.switched(load)
        assert [state for _, state in host_edges] == [state for _, state in chip_edges]
        for (chip_s, _), (host_s, _) in zip(chip_edges, host_edges, strict=True):
            assert host_s == pytest.approx(chip_s, abs=0.006)
    for display in by_chip.world.circuit.build.displays.values():
        if display.use.address is not None:
            for t_s in (40, 98, 220, 300):
                assert by_host.rows_at(t_s, display.use.name) == by_chip.rows_at(
                    t_s, display.use.name
                )
    assert [r.cause for r in by_host.seen.resets] == [r.cause for r in by_chip.seen.resets]
    chip_rows, host_rows = _rows_by_probe(by_chip), _rows_by_probe(by_host)
    assert host_rows.keys() == chip_rows.keys()
    for probe, rows in host_rows.items():
        # At the very end one of the two may just have logged one more.
        count = min(len(rows), len(chip_rows[probe]))
        assert abs(len(rows) - len(chip_rows[probe])) <= 1
        assert rows[:count] == chip_rows[probe][:count]


def _rows_by_probe(outcome: Outcome) -> dict[str, list[list[str]]]:
    """The log in all but its milliseconds; rows of two probes may change places.

    The load's state beside a reading is left out: where a wait ends with the
    very millisecond of a reading, either may come first. Changes have rows of
    their own, which stay.
    """
    rows: dict[str, list[list[str]]] = {}
    for row in outcome.log():
        rows.setdefault(row[1], []).append(row[2:4] if row[1] else row[2:])
    return rows


CO2 = """build: air
board: {board}
supply: {{rail: 5V, max_ma: 2000}}
probes:
  air: {{part: co2-ndir-uart9, value: co2, every_s: 5, average: 3}}
loads:
  fan: {{part: relay-module-active-low}}
control:
  - {{drive: fan, by: air, start_at: 1000, stop_at: 800, if_no_reading: off, no_reading_after_s: 60}}
"""


@pytest.mark.parametrize("board", ["atmega328p-5v", "atmega2560-5v"])
def test_engines_agree_on_questions_and_answers(board: str, tmp_path: Path) -> None:
    world = World(circuit_of(CO2.format(board=board)))
    link = world.circuit.serial_links[0]
    assert link.rx is not None
    assert link.tx is not None
    ends = [link.tx.port, link.rx.port] if link.port is None else [int(link.port[6:])] * 2
    if link.port is None:
        world.scenario.listen(link.tx.port)
    for t_s, ppm in ((0, 600), (250, 1200), (300, 700)):
        world.scenario.answer(
            t_s, CO2_REQUEST, co2_answer(ppm), sent_by=ends[0], into=ends[1], after_s=0.02
        )
    by_chip = world.run(compiled(world.circuit, tmp_path), 340)
    by_host = _on_host(world, _written(world.circuit, tmp_path), 340)
    chip_edges, host_edges = by_chip.switched("fan"), by_host.switched("fan")
    assert [state for _, state in chip_edges] == ["on", "off"]
    assert [state for _, state in host_edges] == ["on", "off"]
    for (chip_s, _), (host_s, _) in zip(chip_edges, host_edges, strict=True):
        assert host_s == pytest.approx(chip_s, abs=0.02)
    chip_bytes = bytes(event.byte for event in by_chip.seen.pin_serial)
    host_bytes = bytes(event.byte for event in by_host.seen.pin_serial)
    assert host_bytes == chip_bytes


def test_the_clock_jumps_alike_on_both(tmp_path: Path) -> None:
    world = World(circuit_of(example_text("kitchen-hood", "atmega328p-5v")))
    for begin, end, steps in ((1, 90, 40), (90, 150, 4), (150, 330, 40)):
        world.frames("smoke", (t + 0.2 for t in range(begin, end)), steps)
    world.scenario.poke(70, "timer0_millis", (2**32 - 5_000).to_bytes(4, "little"))
    by_chip = world.run(compiled(world.circuit, tmp_path), 330)
    by_host = _on_host(world, _written(world.circuit, tmp_path), 330)
    chip_edges, host_edges = by_chip.switched("hood"), by_host.switched("hood")
    assert [state for _, state in host_edges] == [state for _, state in chip_edges]
    assert [t for t, _ in host_edges] == pytest.approx([t for t, _ in chip_edges], abs=0.006)


# --- every board ----------------------------------------------------------------------


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("name", EXAMPLE_NAMES)
def test_every_example_on_every_board_is_the_model(
    name: str, board: str, tmp_path: Path, on_host: Callable[[str, str, Path], Outcome]
) -> None:
    outcome = on_host(name, board, tmp_path)
    seen = _host_run(outcome)
    for load in outcome.world.circuit.build.loads:
        # At 8 MHz the core's clock moves in steps of 2.048 ms and each question is
        # put from the step before: a tenth of a second in five minutes.
        assert_same(outcome, load, within_s=0.15 if board == "atmega328p-3v3-stick" else 0.02)
        assert len(outcome.switched(load)) == 5
        # From reset on, through the step from input to output.
        never_ran_before(outcome, load, 59.9)
    assert seen.bytes_lost == 0
    assert not seen.uart_troubles
    assert 0 < seen.longest_loop_ms < 25
    assert not [event for event in seen.onewire if event.what == "slot"]


@pytest.mark.parametrize("board", BOARDS)
def test_a_hang_rests_the_load_on_every_board(board: str, tmp_path: Path) -> None:
    world = World(circuit_of(example_text("kitchen-hood", board)))
    world.frames("smoke", (t + 0.2 for t in range(1, 90)), 40)
    text = hang_after(sketch.render(world.circuit), 70_000)
    outcome = _on_host(world, _written(world.circuit, tmp_path, text), 88)
    edges = outcome.switched("hood")
    assert [state for _, state in edges] == ["on", "off"]
    assert edges[1][0] == pytest.approx(72, abs=0.3)
    causes = [reset.cause for reset in outcome.seen.resets]
    survives = world.circuit.board.bootloader.survives_watchdog
    assert causes == (["power", "watchdog"] if survives else ["power"])


@pytest.mark.parametrize("board", ["esp8266-12e-dev", "esp32-wroom-dev38", "atmega328p-5v"])
def test_the_log_says_why_the_board_started(board: str, tmp_path: Path) -> None:
    world = World(circuit_of(example_text("kitchen-hood", board)))
    world.scenario.reset(5)
    text = hang_after(sketch.render(world.circuit), 20_000)
    outcome = _on_host(world, _written(world.circuit, tmp_path, text), 40)
    reasons = [row[5] for row in outcome.log() if row[5].startswith("reset")]
    assert reasons == ["reset: power-on", "reset: button", "reset: watchdog"]


@pytest.mark.parametrize("line", ["sda", "scl"])
@pytest.mark.parametrize("board", BOARDS)
def test_a_bus_held_low_ends_on_every_board(board: str, line: str, tmp_path: Path) -> None:
    world = World(circuit_of(example_text("reed-room", board)))
    scenario = world.scenario
    scenario.i2c_busy(0, 0x44, 15_000)
    scenario.i2c_reply(0, 0x44, sht_reply(4000), after=b"\x24\x00")
    scenario.i2c_hold(100.5, line)
    scenario.i2c_hold(150.5, None)
    outcome = _on_host(world, _written(world.circuit, tmp_path), 260)
    edges = outcome.switched("mist")
    assert [state for _, state in edges] == ["on", "off", "on"]
    assert edges[1][0] == pytest.approx(120, abs=2.5)
    assert 180 - 1 <= edges[2][0] <= 180 + 8
    assert [reset.cause for reset in outcome.seen.resets] == ["power"]
    # One transfer that meets the held bus may wait for its core's patience.
    assert _host_run(outcome).longest_loop_ms < 110


@pytest.mark.parametrize("board", BOARDS)
def test_a_slave_cut_off_in_a_byte_is_clocked_free(board: str, tmp_path: Path) -> None:
    world = World(circuit_of(example_text("reed-room", board)))
    scenario = world.scenario
    scenario.i2c_busy(0, 0x44, 15_000)
    scenario.i2c_reply(0, 0x44, sht_reply(4000), after=b"\x24\x00")
    scenario.i2c_hold(100.5, "sda", clocks=5)
    outcome = _on_host(world, _written(world.circuit, tmp_path), 140)
    assert [state for _, state in outcome.switched("mist")] == ["on"]
    later = [event for event in outcome.seen.i2c if event.address == 0x44 and event.t_us > 103e6]
    assert later
    assert {event.kind for event in later} == {"write", "read"}


# One case for each part's own code; the AVR compiler has the others too.
PARTS = (
    "nothing", "dust", "humid", "wire", "bead", "display", "humid, one command",
    "humid, twenty bits", "air on the bus", "weather", "air by serial", "float", "motion", "flow",
    "volts", "loop", "four rows", "six wires", "dots", "buzzer", "sounder", "one load",
)  # fmt: skip


@pytest.mark.parametrize("board", ["esp8266-12e-dev", "esp32-wroom-dev38", "rp2040-stick",
                                   "samd21-3v3", "stm32f103-stick", "ra4m1-5v"])  # fmt: skip
@pytest.mark.parametrize("case", PARTS)
def test_every_part_compiles_without_a_warning(board: str, case: str, tmp_path: Path) -> None:
    text = f"build: m\nboard: {board}\nsupply: {{rail: 5V, max_ma: 2000}}\n{CASES[case]}"
    circuit = circuit_of(text)
    assert host.compile_sketch(_written(circuit, tmp_path), circuit.board, tmp_path).is_file()


# --- long runs --------------------------------------------------------------------------


def test_no_serial_byte_is_lost_in_a_day_of_a_display_rewritten_each_second(tmp_path: Path) -> None:
    world = World(circuit_of(example_text("kitchen-hood", "atmega328p-5v")))
    frames = [frame32(steps) for steps in (1, 12, 123)]
    for t in range(1, 86_400):
        world.serial(t + 0.2, "smoke", frames[t % 3])
    began = time.monotonic()
    seen = host.run(
        _written(world.circuit, tmp_path), world.circuit, world.scenario, 86_400, buses=False
    )
    assert time.monotonic() - began < 60
    assert seen.bytes_lost == 0
    assert seen.longest_loop_ms < 25
    readings = [line for _, line in seen.uart_lines(0) if ",smoke," in line]
    assert len(readings) == 86_399
    assert not [line for line in readings if ",smoke,," in line]


# --- refusals ------------------------------------------------------------------------------


def test_nonsense_is_refused(tmp_path: Path) -> None:
    circuit = circuit_of(example_text("kitchen-hood", "atmega328p-5v"))
    ino = _written(circuit, tmp_path)
    scenario = Scenario()
    scenario.level(0, "PX9", 1)
    with pytest.raises(host.HostFailed, match="no pin 'PX9'"):
        host.run(ino, circuit, scenario, 1)
    scenario = Scenario()
    scenario.poke(0, "no_such", b"\0")
    with pytest.raises(host.HostFailed, match="no variable 'no_such'"):
        host.run(ino, circuit, scenario, 1)
    spoilt = sketch.render(circuit).replace("void setup() {", "void setup() {\n  int unused;")
    with pytest.raises(toolchain.CompileFailed, match="unused"):
        host.run(_written(circuit, tmp_path, spoilt), circuit, Scenario(), 1)


def test_a_missing_compiler_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    circuit = circuit_of(example_text("kitchen-hood", "atmega328p-5v"))
    ino = _written(circuit, tmp_path)
    monkeypatch.setattr(shutil, "which", lambda _name: None)
    monkeypatch.setattr(compiler, "find_spec", lambda _name: None)
    with pytest.raises(toolchain.ToolchainMissing, match=r"apt-get install g\+\+"):
        host.run(ino, circuit, Scenario(), 1)


def test_overflow_and_wrong_speed_are_told(tmp_path: Path) -> None:
    circuit = circuit_of(example_text("kitchen-hood", "atmega2560-5v"))
    world = World(circuit)
    link = circuit.serial_links[0]
    assert link.port is not None
    port = int(link.port.removeprefix("Serial"))
    world.scenario.uart_bytes(1, port, frame32(5), baud=4800)
    # While delay() holds the sketch up, 96 bytes come into a buffer of 64.
    for t_s in (3.0, 3.04, 3.08):
        world.scenario.uart_bytes(t_s, port, frame32(5))
    text = in_each_pass(sketch.render(circuit), "if (now_ms > 2990 && now_ms < 3100) delay(200);")
    outcome = _on_host(world, _written(circuit, tmp_path, text), 5)
    assert {trouble.what for trouble in outcome.seen.uart_troubles} == {"wrong speed", "overrun"}
    assert _host_run(outcome).bytes_lost == 96 - 63


@pytest.mark.parametrize("board", ["atmega328p-5v", "rp2040-stick", "esp32-s3-dev"])
def test_quiet_time_is_leapt_over(board: str, tmp_path: Path) -> None:
    """What makes days last seconds: of a thousand passes a second, a few are run."""
    circuit = circuit_of(example_text("plant-shelf", board))
    told = _host_run(_on_host(World(circuit), _written(circuit, tmp_path), 600))
    assert 5 < told.passes / 600 < 60
