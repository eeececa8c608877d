"""How parts put readings on their wires, as their own ``stimulus.py`` says.

A part that measures has ``stimulus.py`` in its folder, written after its data
sheet and apart from its sketch code, so that each proves the other.  It has

- ``SENDS``: True when the part sends each reading by itself, False when it is asked;
- ``reading(wires, t_s, until_s, steps)``: a good reading of so many steps.  Of a
  part that sends, its last bit comes at ``t_s``; one that is asked answers so from
  ``t_s`` on, whatever it did before, and nothing else is put before ``until_s``;
- ``spoilt(wires, t_s, until_s, steps)``: the same reading broken in a way that the
  sketch must tell: a wrong checksum, a shorted lead;
- ``always_reads(wires)``: why whatever stands on its wires is a reading, so that none
  can be broken and it needs no ``spoilt``; "" unless given;
- ``silent(wires, t_s)``: from ``t_s`` on it is not there; a part that sends needs none;
- ``cut(wires)``: the steps that it reads with its wire cut; None, and that is so
  unless given, when a cut wire is no reading;
- ``late_s(wires)``: seconds from when a reading is due (or sent) to when the sketch
  has it; 0 unless given;
- ``pace_s(wires)``: seconds between two readings of a part that sends, when it gives
  them no sooner; 0 unless given;
- ``begin(wires)``: what stands on its wires at power-up; nothing unless given.

What parts on the I2C bus have in common is in ``answering``.

A file of one's own folder of tables is run as Python: take such folders only
from people whom you would trust with a program.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from types import ModuleType

from buildkit.circuit import Circuit, SerialLink
from buildkit.model import Part, Pin, Quantity, Use
from buildkit.rehearsal.signals import Scenario

_BITS = 10  # of a byte on a serial wire: start, eight, stop
_NEEDED = ("SENDS", "reading")
PASSES_S = 0.004  # some passes of the sketch, whose clock begins a little after power-up


class NoStimulus(Exception):
    """A part whose readings cannot be played, and what to do about it."""


@dataclass(frozen=True)
class Wires:
    """The wires of one probe, as its stimulus sees them."""

    use: Use
    circuit: Circuit
    scenario: Scenario

    @cached_property
    def quantity(self) -> Quantity:
        """What is read of the part."""
        return self.circuit.build.probes[self.use.name].quantity

    @property
    def every_s(self) -> float:
        """Seconds between two readings, as the build asks for them."""
        return self.circuit.build.probes[self.use.name].every_s

    @property
    def address(self) -> int:
        """Its bus address."""
        assert self.use.address is not None
        return self.use.address

    @property
    def feed_mv(self) -> int:
        """Millivolts of the rail that feeds it."""
        rail = self.circuit.feed(self.use) or self.circuit.io_rail
        return round(rail.volts * 1000)

    def figure(self, name: str) -> float:
        """A figure of the part, the builder's own laid over it."""
        return self.use.figure(name)

    def pin(self, terminal: str) -> Pin:
        """The board's pin on a terminal."""
        wire = self.circuit.wire(self.use, terminal)
        if wire is None or wire.pin is None:
            raise NoStimulus(f"{self.use.name} {terminal} has no pin; check the build first.")
        return wire.pin

    def port(self, terminal: str) -> str:
        """The chip's own name of that pin."""
        return self.pin(terminal).port

    def level(self, t_s: float, terminal: str, level: int | None) -> None:
        """Drive a terminal low (0) or high (1), or let go of it (None)."""
        self.scenario.level(t_s, self.port(terminal), level)

    def contact(self, t_s: float, terminal: str, closed: bool, *, bounces: bool = True) -> None:
        """A contact to ground closes or opens, and bounces each millisecond on the way there."""
        count = int(self.figure("bounce_ms")) if bounces else 0
        for n in range(count + 1):
            settled = n == count or (count - n) % 2 == 0
            self.level(t_s + n / 1000, terminal, 0 if closed == settled else None)

    def adc_mv(self, t_s: float, terminal: str, mv: float) -> None:
        """Millivolts on an analog terminal; the pin gets what a divider in its wire leaves."""
        channel, wire = self.pin(terminal).adc, self.circuit.wire(self.use, terminal)
        assert channel is not None
        assert wire is not None
        passage = self.circuit.passage(wire)
        left = mv if passage is None else passage.high_v(mv / 1000, "board") * 1000
        self.scenario.adc_mv(t_s, channel, round(left))

    def i2c(self, t_s: float, after: bytes, data: bytes) -> None:
        """From now on it is on the bus, and after this command it answers so."""
        self.scenario.i2c_present(t_s, self.address)
        self.scenario.i2c_reply(t_s, self.address, data, after=after)

    def i2c_gone(self, t_s: float) -> None:
        """From now on it does not answer its address."""
        self.scenario.i2c_present(t_s, self.address, False)

    @cached_property
    def baud(self) -> int:
        """The speed of its serial wire."""
        return int(self.figure("serial_baud"))

    def serial_s(self, count: int) -> float:
        """Seconds that so many bytes take on its serial wire."""
        return count * _BITS / self.baud

    def serial(self, first_bit_s: float, data: bytes) -> None:
        """Bytes to the board, one after the other."""
        where = self._ends[1]
        if isinstance(where, int):
            self.scenario.uart_bytes(first_bit_s, where, data, self.baud)
        else:
            self.scenario.pin_bytes(first_bit_s, where, data, self.baud)

    def answer(self, t_s: float, request: bytes, reply: bytes, after_s: float) -> None:
        """From now on the board's request brings this reply; an empty one ends the answers."""
        sent_by, into = self._ends
        assert sent_by is not None
        self.scenario.answer(
            t_s, request, reply, sent_by=sent_by, into=into, baud=self.baud, after_s=after_s
        )

    @cached_property
    def _ends(self) -> tuple[int | str | None, int | str]:
        link = self._link
        if link.port is not None:
            index = int(link.port.removeprefix("Serial") or 0)
            return index, index
        assert link.rx is not None
        return (link.tx.port if link.tx else None), link.rx.port

    @cached_property
    def _link(self) -> SerialLink:
        return next(link for link in self.circuit.serial_links if link.use.name == self.use.name)


@dataclass(frozen=True, slots=True)
class Stimulus:
    """What a part's ``stimulus.py`` says."""

    sends: bool
    reading: Callable[[Wires, float, float, int], None]
    spoilt: Callable[[Wires, float, float, int], None]
    silent: Callable[[Wires, float], None]
    late_s: Callable[[Wires], float]
    begin: Callable[[Wires], None]
    always_reads: Callable[[Wires], str]
    cut: Callable[[Wires], int | None]
    pace_s: Callable[[Wires], float]


def of(part: Part) -> Stimulus:
    """How a part puts its readings on its wires.  Raises NoStimulus."""
    said = module(part)
    lacking = [name for name in _NEEDED if not hasattr(said, name)]
    if not (hasattr(said, "spoilt") or hasattr(said, "always_reads")):
        lacking += ["spoilt"]
    if not lacking and not said.SENDS and not hasattr(said, "silent"):
        lacking = ["silent"]
    if lacking:
        raise NoStimulus(f"{said.__file__} has no {', '.join(lacking)}.")
    return Stimulus(
        said.SENDS,
        said.reading,
        getattr(said, "spoilt", said.reading),
        getattr(said, "silent", lambda wires, t_s: None),
        getattr(said, "late_s", lambda wires: 0.0),
        getattr(said, "begin", lambda wires: None),
        getattr(said, "always_reads", lambda wires: ""),
        getattr(said, "cut", lambda wires: None),
        getattr(said, "pace_s", lambda wires: 0.0),
    )


def module(part: Part) -> ModuleType:
    """A part's ``stimulus.py``, run once.  Raises NoStimulus."""
    return _module(Path(part.folder) / "stimulus.py", part.id)


@cache
def _module(path: Path, part_id: str) -> ModuleType:
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise NoStimulus(
            f"Readings of part '{part_id}' cannot be played yet: {path} is not there. "
            "Rehearse a build without it, or write that file; "
            "buildkit/rehearsal/stimuli.py says what belongs in it."
        ) from None
    made = ModuleType(f"stimulus of {part_id}")
    made.__file__ = str(path)
    # Not by the import system, which would leave a compiled copy in the part's folder.
    exec(compile(text, str(path), "exec"), made.__dict__)
    return made
