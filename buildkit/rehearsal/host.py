"""Runs a written sketch on this computer, in virtual time, whatever its board.

The sketch is compiled natively with the C++ files of ``host/``, which stand in
for the board's core and play the world around it: pins, serial bytes at their
spacing, devices on the two-wire bus, 1-Wire thermometers, analog voltages, the
watchdog.  Scenario and result are those of ``chip``, so that a caller need not
know which engine ran.  What the host engine cannot tell (instruction times,
stack, flash) only the chip engine can.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
import subprocess
import tempfile
from bisect import bisect_left
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import overload

from buildkit.circuit import Circuit
from buildkit.model import Board
from buildkit.rehearsal import chip, compiler, toolchain
from buildkit.rehearsal.chip import USB, ChipRun, I2cTransfer, UartByte
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.toolchain import ToolchainMissing, cached

_HERE = Path(__file__).parent / "host"
_FLAGS = ("-std=gnu++17", "-O2", "-fno-pie", "-fno-common", "-fno-threadsafe-statics")
# Arithmetic goes round as on the boards, and an endless loop in the sketch must stay one.
_SKETCH_FLAGS = ("-fwrapv", "-fno-strict-aliasing")
# How the engine finds the variable that every pass of a written sketch sets.
_PASS_CLOCK = "\nuint32_t *host_pass_clock() { return &now_ms; }\n"
_MAY_FLAGS = ("-fno-finite-loops",)  # where the compiler knows them
_CLOCK = "1"  # the engine's own word for the millisecond counter
_CLOCK_NAMES = ("timer0_millis", "millis")


class HostFailed(Exception):
    """The host engine could not run the sketch or the scenario."""


@dataclass(frozen=True)
class HostRun(ChipRun):
    """A run on this computer: what ``ChipRun`` has, and what only virtual time can tell."""

    longest_loop_ms: float = 0.0
    """The longest pass through loop(), its sleep left out, in virtual time."""
    bytes_lost: int = 0
    """Serial bytes that came and were never read: buffer full, or interrupts off too long."""
    passes: int = 0

    def uart_bytes(self, index: int) -> bytes:
        """All bytes that the sketch sent through UART `index`."""
        return b"".join(data for _, at, data in _pieces(self) if at == index)

    def uart_lines(self, index: int) -> list[tuple[float, str]]:
        """Lines sent through UART `index`, each with the time (us) of its first byte."""
        lines: list[tuple[float, str]] = []
        text, began_us = b"", 0.0
        for t_us, at, data in _pieces(self):
            if at != index:
                continue
            began_us = began_us if text else t_us
            text += data
            if text.endswith(b"\n"):
                lines.append((began_us, text.decode("ascii", "backslashreplace").rstrip("\r\n")))
                text = b""
        return lines

    def i2c_writes(self, address: int, since_us: float = 0.0) -> list[tuple[float, bytes]]:
        """Writes that the device at `address` took, each with its time (us)."""
        assert isinstance(self.i2c, Transfers)
        return list(self.i2c.writes(address, since_us))


class SentBytes(Sequence[UartByte]):
    """Bytes sent over days, kept as the lines in which they went out and told one by one."""

    def __init__(self, pieces: list[tuple[float, int, bytes]]) -> None:
        self.pieces = pieces

    def __len__(self) -> int:
        return sum(len(data) for _, _, data in self.pieces)

    def __iter__(self) -> Iterator[UartByte]:
        for t_us, index, data in self.pieces:
            for byte in data:
                yield UartByte(t_us, index, byte)

    @overload
    def __getitem__(self, at: int) -> UartByte: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[UartByte]: ...
    def __getitem__(self, at: int | slice) -> UartByte | Sequence[UartByte]:
        return tuple(self)[at]


class Transfers(Sequence[I2cTransfer]):
    """Transfers of days on the two-wire bus, kept as the engine's lines and told one by one."""

    def __init__(self, lines: list[str]) -> None:
        self.lines = lines

    def __len__(self) -> int:
        return len(self.lines)

    def __iter__(self) -> Iterator[I2cTransfer]:
        return (_transfer(line) for line in self.lines)

    @overload
    def __getitem__(self, at: int) -> I2cTransfer: ...
    @overload
    def __getitem__(self, at: slice) -> Sequence[I2cTransfer]: ...
    def __getitem__(self, at: int | slice) -> I2cTransfer | Sequence[I2cTransfer]:
        return Transfers(self.lines[at]) if isinstance(at, slice) else _transfer(self.lines[at])

    def writes(self, address: int, since_us: float = 0.0) -> Iterator[tuple[float, bytes]]:
        """Writes that the device at `address` took, each with its time (us)."""
        first = bisect_left(self.lines, since_us * 1000, key=lambda line: int(line.split(" ")[1]))
        known: dict[str, bytes] = {}  # there are few different ones
        wanted = f"{address:02x}"
        for line in islice(self.lines, first, None):
            if line[0] == "w":
                _, at, who, data = line.split(" ")
                if who == wanted:
                    if data not in known:
                        known[data] = chip.from_hex(data)
                    yield int(at) / 1000, known[data]


def _transfer(line: str) -> I2cTransfer:
    kind, at, *words = line.split(" ")
    return chip.transfer(kind, int(at) / 1000, words)


def _pieces(run_: ChipRun) -> list[tuple[float, int, bytes]]:
    assert isinstance(run_.uart, SentBytes)
    return run_.uart.pieces


def run(
    ino: Path, board: Board | Circuit, scenario: Scenario, until_s: float, *, buses: bool = True
) -> HostRun:
    """Run the sketch `ino` as on `board` from power-up until `until_s`, and tell what was seen.

    Without `buses`, transfers on the two-wire and 1-Wire bus are left out of the result, which
    over days are millions.  Raises HostFailed, ToolchainMissing or CompileFailed.
    """
    board = board.board if isinstance(board, Circuit) else board
    with tempfile.TemporaryDirectory(prefix="buildkit-host-") as folder:
        return play(compile_sketch(ino, board, Path(folder)), scenario, until_s, buses=buses)


def play(program: Path, scenario: Scenario, until_s: float, *, buses: bool = True) -> HostRun:
    """Run a program that ``compile_sketch`` made, as ``run`` does.  Raises HostFailed."""
    addresses = _addresses(program, scenario)
    names = {value: name for name, value in addresses.items()}
    with tempfile.TemporaryDirectory(prefix="buildkit-play-") as folder:
        given, said = Path(folder) / "scenario", Path(folder) / "said"
        given.write_text(scenario.to_text(until_s, addresses), encoding="utf-8")
        # What it reports is sorted while it runs: days of it take seconds.
        with (
            given.open(encoding="utf-8") as stdin,
            said.open("w", encoding="utf-8") as stderr,
            subprocess.Popen(
                [str(program)], stdin=stdin, stdout=subprocess.PIPE, stderr=stderr,
                text=True, errors="replace",
            ) as running,
        ):  # fmt: skip
            assert running.stdout is not None
            sorted_ = _sorted(running.stdout, buses)
        if running.returncode != 0:
            why = said.read_text(encoding="utf-8", errors="replace").strip()
            why = why or f"it stopped with code {running.returncode}"
            raise HostFailed(f"The host engine could not run the sketch: {why}")
    return _parse(*sorted_, names, buses)


# --- compiling ----------------------------------------------------------------


def compile_sketch(ino: Path, board: Board, into: Path) -> Path:
    """The program made of a sketch and the engine, for this computer.

    A warning about the sketch is an error.  Raises ToolchainMissing or CompileFailed.
    """
    cxx = compiler.find()
    text = _narrow(ino.read_text(encoding="utf-8"))
    source, object_, program = into / "sketch.cpp", into / "sketch.o", into / "sketch"
    # The sketch's own variables get sections of their own, so that the engine
    # can take a pass back and start the sketch anew.
    told = _PASS_CLOCK if "\nstatic uint32_t now_ms;" in text else ""
    source.write_text(f'{cxx.apart()}#line 1 "{ino.name}"\n{text}{told}', encoding="utf-8")
    clock = f"#define HOST_CLOCK_HZ {int(board.figure('clock_hz'))}\n"
    (into / "clock.h").write_text(f"#pragma once\n{clock}", encoding="utf-8")
    (into / "board.h").write_text(_board_header(board), encoding="utf-8")
    family = f"-DHOST_{board.core.family.upper()}"
    flags = [*_FLAGS, *_SKETCH_FLAGS, *filter(cxx.knows, _MAY_FLAGS)]
    toolchain.run(
        [*cxx.command, *flags, "-Wall", "-Wextra", "-Werror", family, f"-I{into}",
         "-isystem", str(_HERE), "-c", str(source), "-o", str(object_)],
        f"{ino.name} does not compile on this computer",
    )  # fmt: skip
    cxx.set_apart(object_)
    engine = _engine(cxx, board, into)
    toolchain.run(
        [*cxx.command, "-no-pie", str(object_), str(engine), "-o", str(program)],
        f"{ino.name} does not link on this computer",
    )
    return program


def _engine(cxx: compiler.Compiler, board: Board, into: Path) -> Path:
    """The engine compiled for a board, as one object in the cache."""
    headers = {name: (into / name).read_text(encoding="utf-8") for name in ("board.h", "clock.h")}
    sources = sorted(_HERE.glob("*.cpp"))
    content = [path.read_text(encoding="utf-8") for path in sorted(_HERE.rglob("*.*"))]
    key = hashlib.sha256(
        "\0".join([*headers.values(), cxx.version(), board.core.family, *content, *_FLAGS]).encode()
    )

    def build(made: Path) -> None:
        folder = made.parent
        for name, header in headers.items():
            (folder / name).write_text(header, encoding="utf-8")
        family = f"-DHOST_{board.core.family.upper()}"

        def one(path: Path) -> str:
            target = folder / f"{path.stem}.o"
            toolchain.run(
                [*cxx.command, *_FLAGS, "-Wall", "-Wextra", "-Werror", family, f"-I{folder}",
                 f"-I{_HERE}", "-c", str(path), "-o", str(target)],
                "the host engine does not compile",
            )  # fmt: skip
            return str(target)

        with ThreadPoolExecutor(os.cpu_count()) as pool:
            objects = list(pool.map(one, sources))
        toolchain.run(
            [*cxx.command, "-no-pie", "-r", "-nostdlib", *objects, "-o", str(made)],
            "the host engine does not link",
        )

    return cached(f"host-{board.core.family}-{key.hexdigest()[:16]}.o", build)


def _board_header(board: Board) -> str:
    """Ports, pins and names of a board as the engine's board.h."""
    lines = [
        "#pragma once",
        f"#define HOST_ADC_BITS {int(board.figure('adc_bits'))}",
        f"#define HOST_ADC_MV {round(board.figure('adc_reference_v') * 1000)}",
    ]
    objects = []
    for port, kind in board.serial_ports.items():
        index = USB if kind == "usb" else int(re.sub(r"\D", "", port) or 0)
        lines.append(f"extern HardwareSerial {port};")
        objects.append(f"HardwareSerial {port}({index});")
    names: dict[str, int] = {}
    facts = []
    for pin in board.pins.values():
        names.setdefault(pin.code, pin.number)
        resets = {"up": "u", "down": "d"}.get(pin.at_reset or "", "-")
        adc = -1 if pin.adc is None else pin.adc
        facts.append(f"{{ \"{pin.port}\", {pin.number}, {adc}, '{resets}' }}")
    bus = [board.role_pin(role) for role in ("Wire.sda", "Wire.scl")]
    for name, pin_ in zip(("SDA", "SCL"), bus, strict=True):
        if pin_ is not None:
            names[name] = pin_.number
    unused = board.core.unused_tx
    if unused is not None:
        names.setdefault(unused, 255)
    for name, number in names.items():
        if name.isidentifier():
            lines.append(f"[[maybe_unused]] static const uint8_t {name} = {number};")
    sda, scl = (-1 if pin_ is None else pin_.number for pin_ in bus)
    lines.append(f"#define HOST_PORTS {' '.join(objects)} \\")
    lines.append(f"  extern const host::PinFacts host_pins[] = {{ {', '.join(facts)} }}; \\")
    lines.append(f"  extern const int host_pin_count = {len(facts)}; \\")
    lines.append(f"  extern const int host_sda = {sda}, host_scl = {scl};")
    return "\n".join(lines) + "\n"


def _narrow(text: str) -> str:
    """The sketch with its long constants 32 bits wide, as the boards have them."""

    def put(found: re.Match[str]) -> str:
        if found.group("digits") is None:
            return found.group()
        return f"{'U' if found.group('kind') == 'UL' else ''}INT32_C({found.group('digits')})"

    pattern = r'"(?:\\.|[^"\\\n])*"|//[^\n]*|\b(?P<digits>0[xX][0-9A-Fa-f]+|\d+)(?P<kind>UL|L)\b'
    return re.sub(pattern, put, text)


# --- the scenario's and the result's text ------------------------------------------


def _addresses(program: Path, scenario: Scenario) -> dict[str, int]:
    wanted = set(scenario.variables())
    known = dict.fromkeys(_CLOCK_NAMES, int(_CLOCK))
    if wanted - known.keys():
        known = _variables(program) | known
    for name in sorted(wanted):
        if name not in known:
            raise HostFailed(f"The sketch has no variable '{name}'.")
    return {name: known[name] for name in sorted(wanted)}


def _variables(program: Path) -> dict[str, int]:
    nm = shutil.which("nm")
    if nm is None:
        raise ToolchainMissing("To look into a sketch's variables takes 'nm', of binutils.")
    return toolchain.variables(nm, program)


def _sorted(report: Iterable[str], buses: bool) -> tuple[list[str], list[str]]:
    """Lines about transfers on the two-wire bus, and the others."""
    transfers: list[str] = []
    others: list[str] = []
    # Most lines of a long run are transfers, and nobody may ask for them.
    for line in report:
        if line[0] not in "wrna":
            others.append(line[:-1])
        elif buses:
            transfers.append(line[:-1])
    return transfers, others


def _parse(transfers: list[str], others: list[str], names: dict[int, str], buses: bool) -> HostRun:
    pieces: list[tuple[float, int, bytes]] = []
    rest: list[str] = []
    figures: dict[str, int] = {}
    for line in others:
        kind = line[0]
        if kind in "uU":
            _, at, index, data = line.split(" ")
            port = USB if kind == "U" else int(index)
            pieces.append((int(at) / 1000, port, bytes.fromhex(data)))
        elif kind == "s" and line.split()[1] in ("passes", "longest_pass_ns", "bytes_lost"):
            _, name, value = line.split()
            figures[name] = int(value)
        elif buses or kind != "1":
            rest.append(line)
    seen = chip.parse("\n".join(rest), 1_000_000_000, names)
    given = {name: getattr(seen, name) for name in ChipRun.__dataclass_fields__}
    return HostRun(
        **{**given, "uart": SentBytes(pieces), "i2c": Transfers(transfers)},
        longest_loop_ms=figures["longest_pass_ns"] / 1e6,
        bytes_lost=figures["bytes_lost"],
        passes=figures["passes"],
    )
