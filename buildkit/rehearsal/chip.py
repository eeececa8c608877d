"""Runs a compiled sketch on a simulated AVR chip, instruction by instruction.

The work is done by a small C program beside this file, linked with the simulator
library and built on first use. It reads a scenario (lines made by
`signals.Scenario`) and writes one line for each event:

    p CYCLE PIN STATE          what the chip does with a watched pin has changed
    u CYCLE INDEX HEX          byte given to a UART
    t CYCLE PIN HEX            byte sent by moving a pin
    U CYCLE usb HEX            bytes sent over native USB
    o CYCLE INDEX              a received byte was overwritten before it was read
    b CYCLE INDEX SET COMING   bytes come at another speed than the UART is set to
    w|r CYCLE ADDRESS HEX      two-wire transfer, ended (write, read)
    n CYCLE ADDRESS w|r        two-wire address not answered
    a CYCLE ADDRESS            two-wire bus lost to a line held low
    1 CYCLE PIN WHAT DETAIL    1-Wire reset, command, or slot of doubtful length
    m CYCLE ADDRESS HEX        memory asked for
    R CYCLE CAUSE              the chip starts (again)
    x CYCLE TEXT               the program went astray
    s NAME VALUE               closing figures
"""

from __future__ import annotations

import subprocess
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.toolchain import build_host_program, symbol_addresses

USB = 9
"""Stands for the native USB port wherever a UART index is asked for."""


class ChipFailed(Exception):
    """The chip engine could not run the sketch or the scenario."""


@dataclass(frozen=True)
class PinChange:
    """From `t_us` on the chip leaves `pin` "float" or "pullup", or drives it "low" or "high"."""

    t_us: float
    pin: str
    state: str


@dataclass(frozen=True)
class UartByte:
    """The sketch gave `byte` to UART `index` at `t_us`; it is on the wire one byte's time later."""

    t_us: float
    index: int
    byte: int


@dataclass(frozen=True)
class PinByte:
    """The sketch sent `byte` by moving `pin` itself; its stop bit was seen at `t_us`."""

    t_us: float
    pin: str
    byte: int


@dataclass(frozen=True)
class UartTrouble:
    """A byte sent to UART `index` was lost: "overrun" or "wrong speed" (told once)."""

    t_us: float
    index: int
    what: str
    detail: str


@dataclass(frozen=True)
class I2cTransfer:
    """A two-wire transfer that ended at `t_us`; `kind` is "write", "read", "refused" or "lost".

    "refused": nobody answered the address; `data` is empty. "lost": a line was held low.
    """

    t_us: float
    address: int
    kind: str
    data: bytes


@dataclass(frozen=True)
class OneWireEvent:
    """On the 1-Wire `pin`: "reset" (answered, silent), "command" (hex), "slot" (doubtful, us)."""

    t_us: float
    pin: str
    what: str
    detail: str


@dataclass(frozen=True)
class Memory:
    """Bytes of a variable, as asked for."""

    t_us: float
    variable: str
    data: bytes


@dataclass(frozen=True)
class Reset:
    """The chip started at `t_us`, because of "power", "external" or "watchdog"."""

    t_us: float
    cause: str


@dataclass(frozen=True)
class ChipRun:
    """All that was seen. Times are microseconds since the chip first started."""

    pins: tuple[PinChange, ...]
    uart: Sequence[UartByte]
    """UART index 9 (`USB`) is the native USB port."""
    pin_serial: tuple[PinByte, ...]
    uart_troubles: tuple[UartTrouble, ...]
    i2c: Sequence[I2cTransfer]
    onewire: tuple[OneWireEvent, ...]
    memory: tuple[Memory, ...]
    resets: tuple[Reset, ...]
    complaints: tuple[str, ...]
    simulated_s: float
    cycles: int
    asleep_fraction: float
    lowest_stack: int
    stack_bytes: int
    untouched_ram_bytes: int
    ended: str
    """"running", "asleep", "halted" (asleep with interrupts off) or "crashed"."""

    def uart_bytes(self, index: int) -> bytes:
        """All bytes that the sketch sent through UART `index`."""
        return bytes(event.byte for event in self.uart if event.index == index)

    def uart_text(self, index: int) -> str:
        """The same as text; bytes that are not ASCII show as \\xNN."""
        return self.uart_bytes(index).decode("ascii", "backslashreplace")

    def uart_lines(self, index: int) -> list[tuple[float, str]]:
        """Lines sent through UART `index`, each with the time (us) of its first byte."""
        lines: list[tuple[float, str]] = []
        text, began_us = bytearray(), 0.0
        for event in self.uart:
            if event.index != index:
                continue
            if not text:
                began_us = event.t_us
            text.append(event.byte)
            if event.byte == ord("\n"):
                lines.append((began_us, text.decode("ascii", "backslashreplace").rstrip("\r\n")))
                text.clear()
        return lines

    def i2c_writes(self, address: int, since_us: float = 0.0) -> list[tuple[float, bytes]]:
        """Writes that the device at `address` took, each with its time (us)."""
        return [
            (event.t_us, event.data)
            for event in self.i2c
            if event.kind == "write" and event.address == address and event.t_us >= since_us
        ]

    def pin_changes(self, pin: str) -> list[tuple[float, str]]:
        """Time (us) and new state for each change of a watched pin."""
        return [(event.t_us, event.state) for event in self.pins if event.pin == pin]


def run(elf: Path, mcu: str, clock_hz: int, scenario: Scenario, until_s: float) -> ChipRun:
    """Run `elf` on the chip `mcu` from power-up until `until_s`, and tell what was seen.

    Raises ChipFailed, ToolchainMissing, or CompileFailed when the engine cannot be built.
    """
    addresses = _addresses(elf, scenario)
    program = engine()
    done = subprocess.run(
        [str(program), str(elf), mcu, str(clock_hz)],
        input=scenario.to_text(until_s, addresses),
        capture_output=True,
        text=True,
        errors="replace",
        check=False,
    )
    if done.returncode != 0:
        said = done.stderr.strip() or f"it stopped with code {done.returncode}"
        raise ChipFailed(f"The chip engine could not run {elf.name}: {said}")
    return parse(done.stdout, clock_hz, {value: name for name, value in addresses.items()})


def engine() -> Path:
    """The engine program, built when it is not in the cache yet.

    Raises ToolchainMissing or CompileFailed.
    """
    here = Path(__file__).parent
    return build_host_program(
        sorted(here.glob("chip_*.c")), sorted(here.glob("chip_*.h")), "chip-engine"
    )


def _addresses(elf: Path, scenario: Scenario) -> dict[str, int]:
    wanted = sorted(set(scenario.variables()))
    if not wanted:
        return {}
    known = symbol_addresses(elf)
    for name in wanted:
        if name not in known:
            raise ChipFailed(
                f"{elf.name} has no variable '{name}'; the compiler may have dropped it."
            )
    return {name: known[name] for name in wanted}


def parse(text: str, clock_hz: int, names: Mapping[int, str]) -> ChipRun:
    """The result that lines of an engine tell; `names` are the variables at its addresses."""
    us = 1_000_000 / clock_hz
    by_kind: dict[str, list[tuple[float, list[str]]]] = {kind: [] for kind in "putUob1mRx"}
    i2c: list[I2cTransfer] = []
    figures: dict[str, str] = {}
    for line in text.splitlines():
        kind, *words = line.split()
        if kind == "s":
            figures[words[0]] = words[1]
        elif kind in "wrna":
            i2c.append(transfer(kind, int(words[0]) * us, words[1:]))
        else:
            by_kind[kind].append((int(words[0]) * us, words[1:]))
    cycles = int(figures["cycles"])
    return ChipRun(
        pins=tuple(PinChange(t, pin, state) for t, (pin, state) in by_kind["p"]),
        uart=_uart(by_kind["u"], by_kind["U"]),
        pin_serial=tuple(PinByte(t, pin, int(byte, 16)) for t, (pin, byte) in by_kind["t"]),
        uart_troubles=_uart_troubles(by_kind["o"], by_kind["b"]),
        i2c=tuple(i2c),
        onewire=tuple(OneWireEvent(t, *words) for t, words in by_kind["1"]),
        memory=tuple(
            Memory(t, names[int(address)], from_hex(data)) for t, (address, data) in by_kind["m"]
        ),
        resets=tuple(Reset(t, cause) for t, (cause,) in by_kind["R"]),
        complaints=tuple(f"{t / 1e6:.6f} s: {' '.join(words)}" for t, words in by_kind["x"]),
        simulated_s=cycles / clock_hz,
        cycles=cycles,
        asleep_fraction=int(figures["asleep_cycles"]) / cycles if cycles else 0.0,
        lowest_stack=int(figures["lowest_stack"]),
        stack_bytes=int(figures["ram_end"]) - int(figures["lowest_stack"]),
        untouched_ram_bytes=int(figures["untouched_ram_bytes"]),
        ended=figures["ended"],
    )


def transfer(kind: str, t_us: float, words: Sequence[str]) -> I2cTransfer:
    """A transfer on the two-wire bus, of the words of an engine's line after its time."""
    address = int(words[0], 16)
    if kind in "na":
        return I2cTransfer(t_us, address, "refused" if kind == "n" else "lost", b"")
    return I2cTransfer(t_us, address, "write" if kind == "w" else "read", from_hex(words[1]))


def _uart(
    uart: list[tuple[float, list[str]]], usb: list[tuple[float, list[str]]]
) -> tuple[UartByte, ...]:
    sent = [UartByte(t, int(index), int(byte, 16)) for t, (index, byte) in uart]
    sent += [UartByte(t, USB, byte) for t, (_, data) in usb for byte in from_hex(data)]
    return tuple(sorted(sent, key=lambda event: event.t_us))


def _uart_troubles(
    overruns: list[tuple[float, list[str]]], speeds: list[tuple[float, list[str]]]
) -> tuple[UartTrouble, ...]:
    troubles = [UartTrouble(t, int(index), "overrun", "") for t, (index,) in overruns]
    troubles += [
        UartTrouble(t, int(index), "wrong speed", f"set to {is_set} baud, bytes come at {coming}")
        for t, (index, is_set, coming) in speeds
    ]
    return tuple(sorted(troubles, key=lambda trouble: trouble.t_us))


def from_hex(text: str) -> bytes:
    """Bytes as the engines write them; "-" stands for none."""
    return b"" if text == "-" else bytes.fromhex(text)
