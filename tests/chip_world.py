"""The world around a written sketch on the simulated chip: parts wired as the circuit says.

Readings come as (seconds, steps); how a part puts them on its wires follows
its data sheet, in the part's stimulus.py, apart from the sketch's own reading of
them.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from types import ModuleType

from buildkit import buildfile, control, document, seating, sketch
from buildkit.circuit import Circuit
from buildkit.model import Use
from buildkit.rehearsal import chip, lcd, playing, stimuli, toolchain
from buildkit.rehearsal import outcome as seen_outcome
from buildkit.rehearsal.chip import ChipRun
from buildkit.rehearsal.engines import core_of
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.toolchain import Compiled
from buildkit.tables import Tables

EXAMPLES = Path(__file__).parent.parent / "examples"
AVR_BOARDS = (
    "atmega328p-5v",
    "atmega328p-5v-stick",
    "atmega328p-3v3-stick",
    "atmega32u4-5v",
    "atmega32u4-5v-stick",
    "atmega2560-5v",
)
EXAMPLE_NAMES = ("kitchen-hood", "reed-room", "seedling-mat")


@cache
def tables() -> Tables:
    """The tables of the checkout."""
    return Tables()


def example_text(name: str, board: str) -> str:
    """An example's text for another board: its pins are left open there."""
    text = (EXAMPLES / f"{name}.yaml").read_text(encoding="utf-8")
    own = re.search(r"^board: (\S+)", text, re.MULTILINE)
    assert own is not None
    if own.group(1) != board:
        text = re.sub(r"^ +wires: .*\n", "", text, flags=re.MULTILINE)
    return text.replace(own.group(0), f"board: {board}")


def circuit_of(text: str, name: str = "test.yaml") -> Circuit:
    """The seated circuit of a build's text."""
    build = buildfile.from_tree(document.parse(text.encode(), name), tables())
    circuit = seating.seat(build)
    assert not circuit.unseated
    return circuit


def in_each_pass(text: str, line: str) -> str:
    """A sketch's text with a line more, once a pass has taken its time."""
    head = "void loop() {\n  now_ms = millis();\n"
    assert text.count(head) == 1
    return text.replace(head, f"{head}  {line}\n")


def hang_after(text: str, at_ms: int) -> str:
    """The sketch with an endless loop in a pass after ``at_ms``, once a power-up."""
    return in_each_pass(text, f"if (now_ms > {at_ms}UL) for (;;) {{}}")


def logs_by_usb(circuit: Circuit) -> bool:
    """Whether the log leaves by native USB, where nobody listens in these tests."""
    return circuit.board.serial_ports[circuit.board.log_port] == "usb"


def slowness(circuit: Circuit) -> float:
    """How much slower the board's clock is than 16 MHz."""
    return 16e6 / circuit.board.figure("clock_hz")


def compiled(circuit: Circuit, into: Path) -> Compiled:
    """The circuit's sketch, compiled with warnings as errors."""
    ino = into / circuit.build.name / f"{circuit.build.name}.ino"
    ino.parent.mkdir(parents=True, exist_ok=True)
    ino.write_text(sketch.render(circuit), encoding="utf-8")
    return toolchain.compile_sketch(ino, core_of(circuit), ino.parent)


# --- what parts put on their wires ---------------------------------------------


def stimulus(part: str) -> ModuleType:
    """What a part's own stimulus.py has."""
    return stimuli.module(tables().part(part))


frame32 = stimulus("pm-frame32").frame
spoilt = stimulus("pm-frame32").broken
sht_reply = stimulus("sht3x").reply
sht4_reply = stimulus("sht4x").reply
CO2_REQUEST = stimulus("co2-ndir-uart9").REQUEST
co2_answer = stimulus("co2-ndir-uart9").answer


def ntc_mv(use: Use, celsius: float, supply_mv: int = 5000) -> int:
    """The divider's millivolts at a temperature."""
    ohms = stimulus("ntc-divider").ohms(use.figure, celsius)
    return round(supply_mv * ohms / (ohms + use.figure("series_ohms")))


# --- a run ----------------------------------------------------------------------


@dataclass
class World:
    """A circuit, the scenario that fills up around it, and what the model is told."""

    circuit: Circuit
    scenario: Scenario = field(default_factory=Scenario)
    told: list[control.Reading] = field(default_factory=list)

    def __post_init__(self) -> None:
        for load in self.circuit.build.loads:
            self.scenario.watch(self.load_port(load))
        for use in self.circuit.uses_talking("i2c"):
            assert use.address is not None
            self.scenario.i2c_present(0, use.address)
        for link in self.circuit.serial_links:
            if link.port is None and link.rx is not None:
                self.scenario.level(0, link.rx.port, 1)

    def port(self, name: str, terminal: str) -> str:
        """The chip's own name of the pin on a terminal."""
        use = next(use for use in self.circuit.build.uses() if use.name == name)
        wire = self.circuit.wire(use, terminal)
        assert wire is not None
        assert wire.pin is not None
        return wire.pin.port

    def channel(self, probe: str) -> int:
        """The analog channel on which a probe's OUT arrives."""
        wire = self.circuit.wire(self.circuit.build.probes[probe].use, "OUT")
        assert wire is not None
        assert wire.pin is not None
        assert wire.pin.adc is not None
        return wire.pin.adc

    def bead(self, t_s: float, probe: str, celsius: float) -> None:
        """From now on a thermistor is at a temperature."""
        use = self.circuit.build.probes[probe].use
        self.scenario.adc_mv(t_s, self.channel(probe), ntc_mv(use, celsius))

    def load_port(self, load: str) -> str:
        """The chip's own name of a load's pin."""
        return playing.load_port(self.circuit, load)

    def serial(self, t_s: float, name: str, data: bytes) -> float:
        """Bytes from a serial part; seconds at which the last bit has come."""
        link = next(link for link in self.circuit.serial_links if link.use.name == name)
        assert link.rx is not None
        if link.port is None:
            self.scenario.pin_bytes(t_s, link.rx.port, data)
        else:
            self.scenario.uart_bytes(t_s, int(link.port.removeprefix("Serial")), data)
        return t_s + len(data) * 10 / 9600

    def frames(self, name: str, seconds: Iterable[float], steps: int) -> None:
        """Good frames at the given seconds, each told to the model when its last bit has come."""
        quantity = self.circuit.build.probes[name].quantity.name
        for t_s in seconds:
            came_s = self.serial(t_s, name, frame32(steps, quantity))
            self.told.append((round(came_s * 1000), name, steps))

    def polled(self, name: str, times: Iterable[float], steps: int | None, late_s: float) -> None:
        """What the model is told of a part that the sketch asks: a reading at each time."""
        self.told += [(round((t_s + late_s) * 1000), name, steps) for t_s in times]

    def run(self, compiled_: Compiled, until_s: float) -> Outcome:
        """Rehearse, and let the model decide on the same readings."""
        core = core_of(self.circuit)
        seen = chip.run(compiled_.elf, core.mcu, core.clock_hz, self.scenario, until_s)
        assert seen.complaints == ()
        model = control.run(self.circuit.build, sorted(self.told), round(until_s * 1000))
        return Outcome(self, seen, model)


@dataclass(frozen=True)
class Outcome:
    """What the chip did, and what the model would have done."""

    world: World
    seen: ChipRun
    model: control.Model

    def switched(self, load: str) -> list[tuple[float, str]]:
        """Seconds and new state (on, off) of a load, as its pin shows them."""
        return seen_outcome.switched(self.world.circuit, self.seen, load)

    def expected(self, load: str) -> list[tuple[float, str]]:
        """The same as the model has it."""
        return [(c.t_ms / 1000, c.state) for c in self.model.changes if c.load == load]

    def states_before(self, load: str, t_s: float) -> set[str]:
        """Every state that the load's pin was in before a moment: float, pullup, low, high."""
        port = self.world.load_port(load)
        return {state for t_us, state in self.seen.pin_changes(port) if t_us < t_s * 1e6}

    def log(self, index: int = 0) -> list[list[str]]:
        """Rows of the sketch's log, split at commas."""
        return [line.split(",") for _, line in self.seen.uart_lines(index)]

    def rows_at(self, t_s: float, display: str = "panel") -> list[str]:
        """The rows of a character display at a moment."""
        use = self.world.circuit.build.displays[display].use
        assert use.address is not None
        writes = [w for w in self.seen.i2c_writes(use.address) if w[0] <= t_s * 1e6]
        columns, count = int(use.figure("columns_count")), int(use.figure("rows_count"))
        return lcd.decode_rows(writes, columns, count)


def assert_same(outcome: Outcome, load: str, within_s: float) -> None:
    """The load's edges are the model's, each within one reading."""
    seen, expected = outcome.switched(load), outcome.expected(load)
    assert [state for _, state in seen] == [state for _, state in expected], (seen, expected)
    for (seen_s, state), (expected_s, _) in zip(seen, expected, strict=True):
        assert abs(seen_s - expected_s) <= within_s, (state, seen_s, expected_s)


def never_ran_before(outcome: Outcome, load: str, t_s: float) -> None:
    """From reset to a moment the load's pin was never at the level that runs it."""
    switching = outcome.world.circuit.build.loads[load].use.part.switching
    assert switching is not None
    # An active-high input must not be pulled up either.
    runs = {"high": {"high", "pullup"}, "low": {"low"}}[switching.active]
    states: Sequence[str] = sorted(outcome.states_before(load, t_s))
    assert states
    assert not runs & set(states), states
