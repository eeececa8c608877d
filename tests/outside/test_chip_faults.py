"""What must not hurt: hangs, rollover, unplugged wires, resets, on the simulated chip."""

from __future__ import annotations

from pathlib import Path

import pytest

from buildkit import sketch
from buildkit.rehearsal import chip, toolchain
from tests.chip_world import (
    AVR_BOARDS,
    World,
    assert_same,
    circuit_of,
    compiled,
    core_of,
    example_text,
    hang_after,
    never_ran_before,
    sht_reply,
    slowness,
)
from tests.outside.test_chip_moved import SCENES

pytestmark = pytest.mark.slow


def _until_running(name: str, board: str) -> World:
    """The hood, with frames that make it run from 60 s on."""
    world = World(circuit_of(example_text(name, board)))
    world.frames("smoke", (t + 0.2 for t in range(1, 90)), 40)
    return world


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_a_hang_rests_the_load_and_resets_or_halts(board: str, tmp_path: Path) -> None:
    world = _until_running("kitchen-hood", board)
    ino = tmp_path / "hang" / "hang.ino"
    ino.parent.mkdir()
    ino.write_text(hang_after(sketch.render(world.circuit), 70_000), encoding="utf-8")
    made = toolchain.compile_sketch(ino, core_of(world.circuit), ino.parent)
    outcome = world.run(made, 85)
    edges = outcome.switched("hood")
    assert [state for _, state in edges] == ["on", "off"]
    # The watchdog waits 2 s after the last pass.
    assert edges[1][0] == pytest.approx(72, abs=0.3)
    causes = [reset.cause for reset in outcome.seen.resets]
    if world.circuit.board.bootloader.survives_watchdog:
        assert causes == ["power", "watchdog"]
    else:
        assert causes == ["power"]
    if board == "atmega328p-5v":
        reasons = [row[5] for row in outcome.log() if row[5].startswith("reset")]
        assert reasons == ["reset: power-on", "reset: watchdog"]
        assert [row[0] for row in outcome.log()].count("ms") == 2


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_the_millisecond_counter_rolls_over_unnoticed(board: str, tmp_path: Path) -> None:
    world = _until_running("kitchen-hood", board)
    world.frames("smoke", (t + 0.2 for t in range(90, 150)), 4)
    world.frames("smoke", (t + 0.2 for t in range(150, 330)), 40)
    # At 70 s the counter is set 5 s before its end: all waits go across it.
    world.scenario.poke(70, "timer0_millis", (2**32 - 5_000).to_bytes(4, "little"))
    outcome = world.run(compiled(world.circuit, tmp_path), 330)
    edges = outcome.switched("hood")
    # To the sketch a long time has passed at 70 s: the frame of second 70 comes
    # after a silence of weeks, so the hood rests and starts anew; from there on
    # every wait is the model's, across the roll-over at 75 s.
    assert [state for _, state in edges] == ["on", "off", "on"]
    assert edges[1][0] == pytest.approx(70, abs=0.1)
    # The fourth 40 after second 150 brings the average to 18.4.
    assert edges[2][0] == pytest.approx(153.2, abs=0.3)
    never_ran_before(outcome, "hood", 60)
    assert outcome.seen.resets[-1].cause == "power"


def test_waits_hold_across_the_roll_over(tmp_path: Path) -> None:
    """The counter starts 20 s before its end; nothing else is touched."""
    world = World(circuit_of(example_text("kitchen-hood", "atmega328p-5v")))
    shift = 2**32 - 45_000
    text = sketch.render(world.circuit)
    # The sketch sees a clock that was 45 s from its end at power-up, all timers included.
    for old, new in {
        "millis()": "(millis() + SHIFT_MS)",
        "#include <Arduino.h>": f"#include <Arduino.h>\n#define SHIFT_MS {shift}UL",
        "uint32_t from_ms;": "uint32_t from_ms = SHIFT_MS;",
        "now_ms < warm_up_ms": "now_ms - SHIFT_MS < warm_up_ms",
        "if (now_ms < 2000)": "if (now_ms - SHIFT_MS < 2000)",
    }.items():
        assert old in text
        text = text.replace(old, new)
    spans = [(1, 60, 5), (60, 100, 40), (100, 240, 4), (240, 262, 40)]
    for begin, end, steps in spans:
        world.frames("smoke", (t + 0.2 for t in range(begin, end)), steps)
    ino = tmp_path / "late" / "late.ino"
    ino.parent.mkdir()
    ino.write_text(_with_constructors(text), encoding="utf-8")
    made = toolchain.compile_sketch(
        ino, core_of(world.circuit), ino.parent, warnings_as_errors=False
    )
    outcome = world.run(made, 300)
    assert_same(outcome, "hood", within_s=1.0)
    assert len(outcome.switched("hood")) >= 2


def _with_constructors(text: str) -> str:
    """A Timer with a first value is no aggregate in C++11, so it gets constructors."""
    plain = "  uint32_t from_ms = SHIFT_MS;\n  bool done;\n"
    assert plain in text
    made = "  bool done = false;\n  Timer() {}\n  Timer(int, bool over) : done(over) {}\n"
    return text.replace(plain, "  uint32_t from_ms = SHIFT_MS;\n" + made, 1)


@pytest.mark.parametrize("line", ["sda", "scl"])
def test_a_bus_held_low_ends_in_silence_and_comes_back(line: str, tmp_path: Path) -> None:
    world = World(circuit_of(example_text("reed-room", "atmega328p-5v")))
    scenario = world.scenario
    scenario.i2c_busy(0, 0x44, 15_000)
    scenario.i2c_reply(0, 0x44, sht_reply(4000), after=b"\x24\x00")
    scenario.i2c_hold(100.5, line)
    scenario.i2c_hold(150.5, None)
    for t in range(2, 260, 2):
        held = 100.5 <= t < 151
        world.polled("air", [t], None if held else 4000, late_s=0.02)
    outcome = world.run(compiled(world.circuit, tmp_path), 260)
    edges = outcome.switched("mist")
    assert [state for _, state in edges] == ["on", "off", "on"]
    assert edges[1][0] == pytest.approx(120, abs=2.5)  # 20 s after the last reading
    # Pauses between tries have grown to 6.3 s at most, then ten readings refill the window.
    assert 180 - 1 <= edges[2][0] <= 180 + 8
    assert [reset.cause for reset in outcome.seen.resets] == ["power"]


@pytest.mark.parametrize("board", AVR_BOARDS)
def test_reset_button_and_bootloader_leave_the_load_at_rest(board: str, tmp_path: Path) -> None:
    world = _until_running("kitchen-hood", board)
    world.scenario.bootloader(1.0, clears_cause=True)
    world.scenario.reset(75)
    outcome = world.run(compiled(world.circuit, tmp_path), 88)
    edges = outcome.switched("hood")
    assert [state for _, state in edges] == ["on", "off"]
    assert edges[1][0] == pytest.approx(75, abs=0.001 * slowness(world.circuit))
    never_ran_before(outcome, "hood", 60)


DEEPEST = [("kitchen-hood", board) for board in AVR_BOARDS]
DEEPEST += [("reed-room", "atmega328p-5v"), ("reed-room", "atmega32u4-5v")]
DEEPEST += [("seedling-mat", "atmega328p-5v")]


@pytest.mark.parametrize(("name", "board"), DEEPEST)
def test_a_quarter_of_the_ram_is_never_touched(name: str, board: str, tmp_path: Path) -> None:
    """A hang where the calls are deepest, so that every interrupt comes on top of them.

    A digit of a number on its way into a display row is that place. For two seconds
    the timer, the part's bytes and the log interrupt there, then the watchdog does.
    """
    world = World(circuit_of(example_text(name, board)))
    load = SCENES[name](world)
    text = sketch.render(world.circuit)
    for head, more in {
        "static void put(char c) {\n": "  if (drawing && c >= '0' && c <= '9') for (;;) {}\n",
        "static void compose_panel(char *text) {\n": "  drawing = millis() > 62500UL;\n",
        "static char *pen, *penEnd;\n": "static volatile bool drawing;\n",
    }.items():
        assert text.count(head) == 1
        text = text.replace(head, head + more)
    ino = tmp_path / "deep" / "deep.ino"
    ino.parent.mkdir()
    ino.write_text(text, encoding="utf-8")
    made = toolchain.compile_sketch(ino, core_of(world.circuit), ino.parent)
    outcome = world.run(made, 68)
    assert [state for _, state in outcome.switched(load)] == ["on", "off"]
    assert outcome.switched(load)[1][0] == pytest.approx(64.6, abs=0.2)
    ram = world.circuit.board.figure("ram_bytes")
    stack, free = outcome.seen.stack_bytes, outcome.seen.untouched_ram_bytes
    print(f"\n{name} on {board}: stack {stack} bytes, {free / ram:.0%} of the RAM untouched")
    assert stack > 40
    assert free >= 0.25 * ram


def test_the_chip_engine_refuses_nonsense(tmp_path: Path) -> None:
    with pytest.raises(chip.ChipFailed):
        chip.run(tmp_path / "none.elf", "atmega328p", 16_000_000, World(
            circuit_of(example_text("kitchen-hood", "atmega328p-5v"))).scenario, 1)  # fmt: skip
