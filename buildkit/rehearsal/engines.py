"""The written sketch on one of the two engines: this computer, or the simulated chip."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from buildkit import sketch
from buildkit.circuit import Circuit
from buildkit.rehearsal import chip, toolchain
from buildkit.rehearsal.chip import ChipRun
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.toolchain import AvrCore

ENGINES = ("host", "chip")  # the first is taken unless another is asked for

# One pass of loop() is measured on a copy of the sketch that runs beside the
# sketch itself, so that what is rehearsed is what was written.
_LOOP = "void loop() {\n"
_MEASURE = """volatile uint32_t longestPassUs;
void loop() {
  static uint32_t passFrom;
  const uint32_t passNow = micros();
  if (passFrom && passNow - passFrom > longestPassUs) longestPassUs = passNow - passFrom;
  passFrom = passNow;
"""


class CannotRehearse(Exception):
    """The build cannot be rehearsed so; the message says what to do instead."""


@dataclass(frozen=True, slots=True)
class Ran:
    """What was seen of the sketch, and its longest pass where it was measured."""

    engine: str
    seen: ChipRun
    longest_loop_ms: float | None


Runner = Callable[[Scenario, float], Ran]


@contextmanager
def runner(circuit: Circuit, engine: str, into: Path) -> Iterator[Runner]:
    """The sketch made ready in the folder ``into``: call it with a scenario and a time.

    It or the call raises CannotRehearse, toolchain.ToolchainMissing or toolchain.CompileFailed.
    """
    text = sketch.render(circuit)
    if engine == "host":
        # Compiled while the readings are made; the folder is not left before that is over.
        with ThreadPoolExecutor(1) as pool:
            yield _on_host(circuit, _written(text, circuit.build.name, into), pool)
        return
    if circuit.board.core.family != "avr":
        raise CannotRehearse(
            f"the chip engine plays AVR boards only, and {circuit.board.id} is none. "
            "Use --engine host."
        )
    yield _on_chip(circuit, text, into)


def core_of(circuit: Circuit) -> AvrCore:
    """What the compiler is told about the circuit's board."""
    board = circuit.board
    return AvrCore(
        board.core.mcu, int(board.figure("clock_hz")), board.core.variant, board.core.defines
    )


def measuring(text: str) -> str:
    """The sketch with its longest pass so far, sleep included, in `longestPassUs`."""
    assert text.count(_LOOP) == 1
    return text.replace(_LOOP, _MEASURE)


def _written(text: str, name: str, into: Path) -> Path:
    ino = into / name / f"{name}.ino"
    ino.parent.mkdir(parents=True, exist_ok=True)
    ino.write_text(text, encoding="utf-8")
    return ino


def _on_host(circuit: Circuit, ino: Path, pool: ThreadPoolExecutor) -> Runner:
    from buildkit.rehearsal import host

    program = pool.submit(host.compile_sketch, ino, circuit.board, ino.parent)

    def run(scenario: Scenario, until_s: float) -> Ran:
        seen = host.play(program.result(), scenario, until_s)
        return Ran("host", seen, seen.longest_loop_ms)

    return run


def _on_chip(circuit: Circuit, text: str, into: Path) -> Runner:
    core, name = core_of(circuit), circuit.build.name
    with ThreadPoolExecutor() as pool:
        written, measured = pool.map(
            lambda pair: toolchain.compile_sketch(_written(pair[0], name, into / pair[1]), core, into / pair[1]),
            [(text, "written"), (measuring(text), "measured")],
        )  # fmt: skip

    def run(scenario: Scenario, until_s: float) -> Ran:
        asking = Scenario(list(scenario.lines))
        asking.peek(max(0.0, until_s - 0.001), "longestPassUs", 4)
        with ThreadPoolExecutor() as pool:
            seen, also = pool.map(
                lambda pair: chip.run(pair[0].elf, core.mcu, core.clock_hz, pair[1], until_s),
                [(written, scenario), (measured, asking)],
            )
        if seen.complaints:
            raise chip.ChipFailed(f"the sketch went astray: {seen.complaints[0]}")
        longest_us = int.from_bytes(also.memory[-1].data, "little") if also.memory else None
        return Ran("chip", seen, None if longest_us is None else longest_us / 1000)

    return run
