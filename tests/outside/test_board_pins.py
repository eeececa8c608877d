"""Every cell of the AVR pin tables against what the core and the chip's maker publish.

The core's tables and macros are compiled and never run: a probe lays their
values into named sections of an object file, which are then read back.  What
the core does not know (which port pins a UART has) is compared with the
maker's device description.
"""

from __future__ import annotations

import re
import struct
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, replace
from functools import cache
from pathlib import Path

import pytest

from buildkit.model import Board, Figure, Hazard, Pin
from buildkit.tables import ALL_ABILITIES, Tables

CORE = Path("/usr/share/arduino/hardware/arduino/avr")
AVR_BOARDS = [b for b in Tables().board_ids() if Tables().board(b).core.family == "avr"]

# Functions of each port pin, from the maker's device description files (ATDF) as
# mirrored in github avr-rust/avr-mcu 40d15c1, packs/atmega/: instances USARTn, TWI,
# SPI, TCn (without inverted outputs), ADC and EXINT.  `boot` is BOOT_SECTION_1.
ATDF = {
    "ATmega328P": """
        PB0 PCINT0; PB1 OC1A PCINT1; PB2 OC1B PCINT2 SS; PB3 OC2A PCINT3 MOSI; PB4 PCINT4 MISO;
        PB5 PCINT5 SCK; PB6 PCINT6; PB7 PCINT7; PC0 ADC0 PCINT8; PC1 ADC1 PCINT9;
        PC2 ADC2 PCINT10; PC3 ADC3 PCINT11; PC4 SDA ADC4 PCINT12; PC5 SCL ADC5 PCINT13;
        PC6 PCINT14; PD0 RXD0 PCINT16; PD1 TXD0 PCINT17; PD2 PCINT18 INT0; PD3 OC2B INT1 PCINT19;
        PD4 PCINT20; PD5 OC0B PCINT21; PD6 OC0A PCINT22; PD7 PCINT23; ADC6 ADC6; ADC7 ADC7
    """,  # ADC6 and ADC7 are from memory: the file leaves these two pads out
    "ATmega32U4": """
        PB0 SS PCINT0; PB1 SCK PCINT1; PB2 MOSI PCINT2; PB3 MISO PCINT3; PB4 PCINT4 ADC11;
        PB5 OC1A PCINT5 ADC12; PB6 OC1B OC4B PCINT6 ADC13; PB7 OC0A OC1C PCINT7; PC6 OC3A;
        PC7 OC4A; PD0 OC0B INT0 SCL; PD1 INT1 SDA; PD2 RXD1 INT2; PD3 TXD1 INT3; PD4 ADC8; PD5;
        PD6 ADC9; PD7 OC4D ADC10; PE2; PE6 INT6; PF0 ADC0; PF1 ADC1; PF4 ADC4; PF5 ADC5;
        PF6 ADC6; PF7 ADC7
    """,
    "ATmega2560": """
        PA0; PA1; PA2; PA3; PA4; PA5; PA6; PA7; PB0 SS PCINT0; PB1 SCK PCINT1; PB2 MOSI PCINT2;
        PB3 MISO PCINT3; PB4 OC2A PCINT4; PB5 OC1A PCINT5; PB6 OC1B PCINT6; PB7 OC0A OC1C PCINT7;
        PC0; PC1; PC2; PC3; PC4; PC5; PC6; PC7; PD0 SCL INT0; PD1 SDA INT1; PD2 RXD1 INT2;
        PD3 TXD1 INT3; PD4; PD5; PD6; PD7; PE0 RXD0 PCINT8; PE1 TXD0; PE2; PE3 OC3A;
        PE4 OC3B INT4; PE5 OC3C INT5; PE6 INT6; PE7 INT7; PF0 ADC0; PF1 ADC1; PF2 ADC2; PF3 ADC3;
        PF4 ADC4; PF5 ADC5; PF6 ADC6; PF7 ADC7; PG0; PG1; PG2; PG3; PG4; PG5 OC0B;
        PH0 RXD2; PH1 TXD2; PH2; PH3 OC4A; PH4 OC4B; PH5 OC4C; PH6 OC2B; PH7; PJ0 RXD3 PCINT9;
        PJ1 TXD3 PCINT10; PJ2 PCINT11; PJ3 PCINT12; PJ4 PCINT13; PJ5 PCINT14; PJ6 PCINT15; PJ7;
        PK0 PCINT16 ADC8; PK1 PCINT17 ADC9; PK2 PCINT18 ADC10; PK3 PCINT19 ADC11;
        PK4 PCINT20 ADC12; PK5 PCINT21 ADC13; PK6 PCINT22 ADC14; PK7 PCINT23 ADC15; PL0; PL1;
        PL2; PL3 OC5A; PL4 OC5B; PL5 OC5C; PL6; PL7
    """,
}
SMALLEST_BOOT_BYTES = {"ATmega328P": 512, "ATmega32U4": 512, "ATmega2560": 1024}  # ATDF

# Pins that the core numbers although no header carries them, and why they are not in the table.
OFF_HEADER = {
    ("atmega328p-5v", 20): "ADC6 is not on the 28-pin chip of this board",
    ("atmega328p-5v", 21): "ADC7 is not on the 28-pin chip of this board",
    ("atmega32u4-5v", 17): "PB0 drives the receive LED of USB",
    ("atmega32u4-5v", 30): "PD5 drives the transmit LED of USB",
    ("atmega32u4-5v-stick", 17): "PB0 drives the receive LED of USB, and so does the header's SS",
    ("atmega32u4-5v-stick", 30): "PD5 drives the transmit LED of USB",
}

# Printed names that the core does not know: they must stand on the pin with this
# line of a serial port, after the maker's description.
PRINTED_LINES = {
    "RX": "RXD", "TX": "TXD", "RX0": "RXD", "TX1": "TXD", "RXI": "RXD", "TXO": "TXD",
}  # fmt: skip

# Rows of the sticks as others drew them: up along one side, away from the USB end first,
# then down the other.  A pin bears the drawing's own name.
ROWS = {
    # github KiCad/kicad-symbols 4e17d75, MCU_Module.lib, pins 1 to 30
    "atmega328p-5v-stick": """
        TX1 RX0 RESET GND D2 D3 D4 D5 D6 D7 D8 D9 D10 D11 D12
        D13 3V3 AREF A0 A1 A2 A3 A4 A5 A6 A7 5V RESET GND VIN
    """,
    # github sparkfun/Arduino_Pro_Mini_328 bcf8de4, board file: signals of JP6 and JP7 by place
    "atmega328p-3v3-stick": """
        D10 MOSI MISO SCK A0 A1 A2 A3 VCC RESET GND RAW
        TXO RXI RESET GND D2 D3 D4 D5 D6 D7 D8 D9
    """,
}
OTHER_NAMES = {"RST": "RESET", "REF": "AREF", "3V": "3V3"}

BUS_ROLES = {
    "SDA": "Wire.sda", "SCL": "Wire.scl",
    "SS": "SPI.ss", "MOSI": "SPI.mosi", "MISO": "SPI.miso", "SCK": "SPI.sck",
}  # fmt: skip
COUNTS = (
    "NUM_DIGITAL_PINS", "RAMEND - RAMSTART + 1", "FLASHEND + 1L", "F_CPU",
    "(uint16_t)&PCICR", "(uint16_t)&PCMSK0", "LED_BUILTIN", *BUS_ROLES,
)  # fmt: skip
MACROS = (
    "(uint16_t)digitalPinToPCICR({0})", "digitalPinToPCICRbit({0})",
    "(uint16_t)digitalPinToPCMSK({0})", "digitalPinToPCMSKbit({0})",
    "digitalPinToInterrupt({0})", "digitalPinHasPWM({0})",
)  # fmt: skip
MOST_PINS = 80  # more than any AVR board of the core has
PORTS = "ABCDEFGHJKL"
TIMERS = [f"TIMER{n}{c}" for n, last in enumerate("BCBCDC") for c in "ABCD" if c <= last]


@dataclass(frozen=True)
class CorePin:
    """One pin number, as the core's headers describe it."""

    port: str
    timer: str | None
    has_pwm: bool
    interrupt: int | None
    pin_change: int | None  # through the macros that the software serial uses


@dataclass(frozen=True)
class Core:
    """What the probe brought back."""

    pins: tuple[CorePin, ...]
    counts: dict[str, int]
    analog: tuple[int, ...]  # pin numbers of A0, A1, ...
    channels: tuple[int, ...]  # ADC channel of each of them
    codes: dict[str, int]
    log_port: str
    free_ports: frozenset[str]
    usb: bool

    def named(self, name: str) -> int | None:
        """The pin number behind a printed name such as 9, A3 or SDA."""
        if name.isdecimal():
            return int(name) if int(name) < len(self.pins) else None
        if re.fullmatch(r"A\d+", name) and int(name[1:]) < len(self.analog):
            return self.analog[int(name[1:])]
        return self.counts.get(name) if name in BUS_ROLES else None

    def port(self, number: int | None) -> str | None:
        """The port pin of a pin number; None when the core cannot drive it."""
        known = number is not None and 0 <= number < len(self.pins)
        return self.pins[number].port if known and number is not None else None

    def analog_read(self, number: int) -> int | None:
        """The channel that analogRead(number) measures: wiring_analog.c, head of analogRead."""
        index = number - self.analog[0] if number >= self.analog[0] else number
        return self.channels[index] if index < len(self.channels) else None


def probe_source(codes: list[str]) -> str:
    """A C++ file whose data sections hold the core's tables and macros."""

    def table(kind: str, name: str, entries: list[str]) -> str:
        body = "\n".join(f"{entry}," if entry[0] != "#" else entry for entry in entries)
        return f'extern const {kind} {name}[] KEEP(".{name}") = {{\n{body}\n}};'

    def if_defined(names: list[str], then: str) -> list[str]:
        return [x for n in names for x in (f"#ifdef {n}", then.format(n), "#else", "-1", "#endif")]

    opened = [
        "SERIAL_PORT_HARDWARE_OPEN",
        "SERIAL_PORT_HARDWARE_OPEN1",
        "SERIAL_PORT_HARDWARE_OPEN2",
    ]
    free = "".join(f'#ifdef {name}\nSTR({name}) " "\n#endif\n' for name in opened)
    return "\n".join([
        "#define ARDUINO_MAIN\n#include <Arduino.h>",
        "#define KEEP(section_) __attribute__((used, section(section_)))",
        "#define STR(x) STR_(x)\n#define STR_(x) #x",
        table("int32_t", "counts", [f"(int32_t)({count})" for count in COUNTS]),
        table("int16_t", "macros", [
            f"(int16_t)({macro.format(n)})" for n in range(MOST_PINS) for macro in MACROS
        ]),
        table("int16_t", "analog", if_defined([f"PIN_A{n}" for n in range(16)], "{}")),
        table("int16_t", "ports", if_defined([f"PORT{x}" for x in PORTS], "(int16_t)(uint16_t)&{}")),
        table("int16_t", "timers", TIMERS),
        table("int16_t", "codes", codes),
        f'extern const char serial[] KEEP(".serial") = STR(SERIAL_PORT_MONITOR) ";"\n{free}"";',
        "#ifdef CDC_ENABLED\nextern const int16_t usb[] KEEP(\".usb\") = {1};\n#endif",
    ])  # fmt: skip


class Probe:
    """A compiled probe: its sections, and the symbols in the section of PROGMEM tables."""

    def __init__(self, board: Board, codes: list[str]) -> None:
        variant = CORE / "variants" / board.core.variant
        with tempfile.TemporaryDirectory() as folder:
            source, self._object = Path(folder, "probe.cpp"), Path(folder, "probe.o")
            source.write_text(probe_source(codes))
            _run("avr-g++", "-c", "-Os", "-w", "-std=gnu++11", f"-mmcu={board.core.mcu}",
                 f"-DF_CPU={board.figure('clock_hz'):.0f}L", "-DARDUINO=10819", "-DARDUINO_ARCH_AVR",
                 *(f"-D{define}" for define in board.core.defines), f"-I{CORE / 'cores/arduino'}",
                 f"-I{variant}", str(source), "-o", str(self._object))  # fmt: skip
            listing = _run("avr-objdump", "-h", str(self._object)).decode()
            # A value worked out at start-up would read as 0 here.
            assert not re.search(r"\.ctors|\.init_array", listing), listing
            self.sections = {
                n: self._section(n) for n in re.findall(r"^ +\d+ (\S+)", listing, re.M)
            }
            self._symbols = _run("avr-nm", "-S", str(self._object)).decode()

    def _section(self, name: str) -> bytes:
        out = self._object.with_suffix(".bin")
        _run("avr-objcopy", "-O", "binary", f"--only-section={name}",
             f"--set-section-flags={name}=alloc,load,contents", str(self._object), str(out))  # fmt: skip
        return out.read_bytes() if out.exists() else b""

    def numbers(self, name: str, form: str = "h") -> list[int]:
        """The numbers of a section: h is int16_t, i is int32_t."""
        raw = self.sections[f".{name}"]
        return [value for (value,) in struct.iter_unpack(f"<{form}", raw)]

    def table(self, name: str, form: str) -> list[int] | None:
        """A PROGMEM table of the core; None when this variant has none of that name."""
        found = re.search(rf"^(\w+) (\w+) \w {name}$", self._symbols, re.M)
        if not found:
            return None
        start, size = int(found[1], 16), int(found[2], 16)
        raw = self.sections[".progmem.data"][start : start + size]
        return [value for (value,) in struct.iter_unpack(f"<{form}", raw)]


def _run(*command: str) -> bytes:
    done = subprocess.run(command, capture_output=True, check=False)
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stderr.decode()}"
    return done.stdout


@cache
def core_of(board_id: str) -> Core:
    """The core's own view of a board."""
    board = Tables().board(board_id)
    codes = sorted({pin.code for pin in board.pins.values()} | {str(board.core.unused_tx)})
    probe = Probe(board, codes)
    counts = dict(zip(COUNTS, probe.numbers("counts", "i"), strict=True))
    analog = tuple(number for number in probe.numbers("analog") if number >= 0)
    channels = probe.table("analog_pin_to_channel_PGM", "B") or list(range(len(analog)))
    log_port, free = probe.sections[".serial"].rstrip(b"\0").decode().split(";")
    return Core(
        pins=tuple(_core_pins(probe, counts)),
        counts=counts,
        analog=analog,
        channels=tuple(channels),
        codes=dict(zip(codes, probe.numbers("codes"), strict=True)),
        log_port=log_port,
        free_ports=frozenset(free.split()),
        usb=".usb" in probe.sections,
    )


def _core_pins(probe: Probe, counts: dict[str, int]) -> Iterator[CorePin]:
    ports, masks, timers, outputs = (
        probe.table(name, form) or []
        for name, form in (
            ("digital_pin_to_port_PGM", "B"), ("digital_pin_to_bit_mask_PGM", "B"),
            ("digital_pin_to_timer_PGM", "B"), ("port_to_output_PGM", "H"),
        )
    )  # fmt: skip
    letters = dict(zip(probe.numbers("ports"), PORTS, strict=True))
    timer_names = dict(zip(probe.numbers("timers"), TIMERS, strict=True))
    macros = probe.numbers("macros")
    for number in range(counts["NUM_DIGITAL_PINS"]):
        start = number * len(MACROS)
        control, control_bit, mask, bit, interrupt, has_pwm = macros[start : start + len(MACROS)]
        register = mask - counts["(uint16_t)&PCMSK0"]
        if control:  # the three macros must name the same register
            assert (control, control_bit) == (counts["(uint16_t)&PCICR"], register), number
        yield CorePin(
            port=f"P{letters[outputs[ports[number]]]}{masks[number].bit_length() - 1}",
            timer=timer_names.get(timers[number]),
            has_pwm=bool(has_pwm),
            interrupt=interrupt if interrupt >= 0 else None,
            pin_change=8 * register + bit if control else None,
        )


@cache
def functions_of(chip: str, port: str) -> frozenset[str]:
    """The maker's names of what a port pin can do."""
    pads = {entry.split()[0]: frozenset(entry.split()[1:]) for entry in ATDF[chip].split(";")}
    return pads.get(port, frozenset())


def _numbered(functions: frozenset[str], name: str) -> int | None:
    """The 5 of an ADC5; None when there is none."""
    numbers = (f.removeprefix(name) for f in functions if f.startswith(name))
    return next((int(number) for number in numbers if number.isdecimal()), None)


def differences(board: Board, core: Core) -> list[str]:
    """Every cell in which the table departs from the core or the maker's description."""
    found = [
        f"pin {label}: {cell} is {ours!r}, outside it is {theirs!r}"
        for label, pin in board.pins.items()
        for cell, ours, theirs in _cells(label, pin, board, core)
        if ours != theirs
    ]
    table = {pin.number: pin for pin in board.pins.values()}
    ports = {pin.port for pin in board.pins.values()}
    if len(table) < len(board.pins) or len(ports) < len(board.pins):
        found.append("two pins of the table share a number or a port pin")
    for number in sorted({*range(len(core.pins)), *core.analog}):
        there = number in table or _analog_name(number, board, core)
        if there == ((board.id, number) in OFF_HEADER):
            found.append(f"core pin {number} is neither in the table nor explained, or both")
    return found + list(_serial_differences(board, core))


def _analog_name(number: int, board: Board, core: Core) -> bool:
    """True when the number is only a second, analog name of a pin in the table."""
    pin = board.pin(f"A{core.analog.index(number)}") if number in core.analog else None
    return pin is not None and pin.port == core.port(number)


def _cells(label: str, pin: Pin, board: Board, core: Core) -> Iterator[tuple[str, object, object]]:
    """Cell, what the table says, what the outside says."""
    functions = functions_of(board.chip, pin.port)
    code = core.codes.get(pin.code, -1)
    digital = core.pins[pin.number] if pin.number < len(core.pins) else None
    yield "label", pin.label, label
    yield "number", pin.number, _printed(label, board, core)
    yield "port", pin.port, digital.port if digital else f"ADC{core.analog_read(pin.number)}"
    yield "code", core.port(code), pin.port if digital else None
    for alias in pin.aliases:
        yield "aliases", core.port(_printed(alias, board, core)), pin.port
    yield "can", pin.can, ALL_ABILITIES if digital else frozenset()
    yield "adc", pin.adc, _numbered(functions, "ADC")
    if pin.adc is not None:
        yield "code", core.analog_read(code), pin.adc
    yield "pwm", pin.pwm, digital.timer if digital else None
    if digital:
        yield "pwm", pin.pwm is not None, digital.has_pwm
    if pin.pwm:
        yield "pwm", pin.pwm.replace("TIMER", "OC") in functions, True
    yield "interrupt", pin.interrupt, digital.interrupt if digital else None
    yield "interrupt", pin.interrupt is not None, _numbered(functions, "INT") is not None
    yield "pin_change", pin.pin_change, _numbered(functions, "PCINT")
    by_core = core.pins[code].pin_change if 0 <= code < len(core.pins) else None
    yield "soft_rx", pin.soft_rx, by_core is not None
    if by_core is not None:
        yield "pin_change", pin.pin_change, by_core
    yield "roles", set(pin.roles), _roles(pin, functions, core)
    # AVR port pins are tri-stated during reset and share one absolute maximum
    # (ATmega328P data sheet, I/O ports and 29.1, from memory).
    for cell in ("max_v", "at_reset", "adc_limit"):
        yield cell, getattr(pin, cell), None
    yield from _hazard_cells(pin, board, core)


def _printed(name: str, board: Board, core: Core) -> int | None:
    """The pin number behind a name as printed: D9 is 9, TX1 is the pin that sends."""
    line = PRINTED_LINES.get(name)
    for number in range(len(core.pins)) if line else ():
        if _numbered(functions_of(board.chip, core.pins[number].port), line or "") is not None:
            return number
    return core.named(re.sub(r"^D(?=\d+$)", "", name))


def _roles(pin: Pin, functions: frozenset[str], core: Core) -> set[str]:
    """Serial lines after the maker's description, bus lines where the core and it agree."""
    by_maker = {BUS_ROLES[f] for f in functions if f in BUS_ROLES}
    by_core = {role for name, role in BUS_ROLES.items() if core.counts[name] == pin.number}
    roles = by_maker & by_core
    for line in ("RXD", "TXD"):
        uart = _numbered(functions, line)
        if uart is not None:
            roles.add(f"Serial{uart or ''}.{line[:2].lower()}")
    return roles


def _hazard_cells(pin: Pin, board: Board, core: Core) -> Iterator[tuple[str, object, object]]:
    led = any(h.kind == "on-board-circuit" and "LED" in h.why for h in pin.hazards)
    yield "hazards", led, pin.number == core.counts["LED_BUILTIN"]
    upload = [port for port, use in board.serial_ports.items() if use == "upload"]
    shared = any(role.split(".")[0] in upload for role in pin.roles)
    yield "hazards", pin.hazard("upload-serial") is not None, shared


def _serial_differences(board: Board, core: Core) -> Iterator[str]:
    if board.log_port != core.log_port:
        yield f"log_port is {board.log_port}, the core's monitor is {core.log_port}"
    free = {port for port, use in board.serial_ports.items() if use == "free"}
    if free != core.free_ports:
        yield f"free serial ports are {sorted(free)}, the core's are {sorted(core.free_ports)}"
    if set(board.serial_ports) - free != {core.log_port}:
        yield "serial_ports has one that is neither free nor the core's monitor, or lacks it"
    if board.serial_ports.get(core.log_port) != ("usb" if core.usb else "upload"):
        yield f"serial_ports: {core.log_port} is not what the core makes of it"


def boards_txt(identifier: str) -> dict[str, str]:
    """The board's entry in the core's boards.txt, its menu options laid over it."""
    _, _, name, *options = identifier.split(":")
    prefixes = [f"{name}."]
    for option in options[0].split(",") if options else []:
        menu, chosen = option.split("=")
        prefixes.append(f"{name}.menu.{menu}.{chosen}.")
    lines = (CORE / "boards.txt").read_text("utf-8").splitlines()
    return {
        key.removeprefix(prefix): value
        for prefix in prefixes
        for key, _, value in (line.partition("=") for line in lines if line.startswith(prefix))
    }


def toolchain_differences(board: Board, core: Core) -> list[str]:
    """Clock, memory and identifiers against boards.txt, and memory against avr-libc."""
    entry = boards_txt(board.core.identifier)
    wanted = {f"ARDUINO_{entry['build.board']}"}
    for key, define in (("build.vid", "USB_VID"), ("build.pid", "USB_PID")):
        wanted |= {f"{define}={entry[key]}"} if key in entry else set()
    # Bits 2 and 1 of the high fuse halve the boot section with each step (ds, BOOTSZ).
    boot = SMALLEST_BOOT_BYTES[board.chip] << (
        3 - (int(entry["bootloader.high_fuses"], 16) >> 1 & 3)
    )
    compared: dict[str, tuple[object, object]] = {
        "mcu": (board.core.mcu, entry["build.mcu"]),
        "chip": (board.chip.lower(), entry["build.mcu"]),
        "variant": (board.core.variant, entry["build.variant"]),
        "defines": (set(board.core.defines), wanted),
        "clock_hz": (board.figure("clock_hz"), int(entry["build.f_cpu"].rstrip("L"))),
        "flash_bytes": (board.figure("flash_bytes"), int(entry["upload.maximum_size"])),
        "flash_bytes with the boot section": (
            board.figure("flash_bytes") + boot, core.counts["FLASHEND + 1L"],
        ),
        "ram_bytes": (board.figure("ram_bytes"), int(entry["upload.maximum_data_size"])),
        "ram_bytes by avr-libc": (board.figure("ram_bytes"), core.counts["RAMEND - RAMSTART + 1"]),
    }  # fmt: skip
    return [
        f"{k}: {ours}, outside {theirs}" for k, (ours, theirs) in compared.items() if ours != theirs
    ]


def test_the_first_avr_boards_are_compared() -> None:
    """An emptied list would let every test below pass unseen."""
    sticks = {"atmega328p-5v-stick", "atmega328p-3v3-stick", "atmega32u4-5v-stick"}
    assert {"atmega328p-5v", "atmega32u4-5v", "atmega2560-5v"} | sticks <= set(AVR_BOARDS)


@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_every_cell_agrees(board_id: str) -> None:
    assert differences(Tables().board(board_id), core_of(board_id)) == []


@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_clock_memory_and_identifiers_agree(board_id: str) -> None:
    assert toolchain_differences(Tables().board(board_id), core_of(board_id)) == []


@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_the_never_used_sender_is_a_digital_pin(board_id: str) -> None:
    """setTX() in SoftwareSerial.cpp looks it up unchecked, so it must lie in the core's tables."""
    core, sender = core_of(board_id), Tables().board(board_id).core.unused_tx
    assert sender is not None
    assert 0 <= core.codes[sender] < len(core.pins)


def _wrong_hazards(pin: Pin) -> tuple[Hazard, ...]:
    compared = [h for h in pin.hazards if h.kind == "upload-serial" or "LED" in h.why]
    return () if compared else (*pin.hazards, Hazard("upload-serial", "made up"))


def _other_number(there: int | None) -> int:
    return 1 if there == 0 else 0


# For each cell of a pin, a value that is wrong in it.
WRONG: dict[str, Callable[[Pin], object]] = {
    "label": lambda pin: f"{pin.label}9",
    "port": lambda pin: pin.port[:-1] + str((int(pin.port[-1]) + 1) % 8),
    "number": lambda pin: pin.number + 1,
    "code": lambda pin: "A1" if pin.code == "A0" else "A0",
    "can": lambda pin: pin.can ^ {"pull-up"},
    "aliases": lambda pin: (*pin.aliases, "SDA" if "Wire.sda" not in pin.roles else "SCL"),
    "roles": lambda pin: () if pin.roles else ("Serial.rx",),
    "adc": lambda pin: _other_number(pin.adc),
    "pwm": lambda pin: "TIMER1A" if pin.pwm != "TIMER1A" else "TIMER1B",
    "interrupt": lambda pin: _other_number(pin.interrupt),
    "pin_change": lambda pin: _other_number(pin.pin_change),
    "soft_rx": lambda pin: not pin.soft_rx,
    "max_v": lambda _pin: 3.6,
    "at_reset": lambda _pin: "up",
    "adc_limit": lambda _pin: "a sentence",
    "hazards": _wrong_hazards,
}


def test_no_cell_of_a_pin_stays_uncompared() -> None:
    assert set(WRONG) == {field.name for field in fields(Pin)}


@pytest.mark.parametrize("cell", WRONG)
@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_a_wrong_cell_is_found_on_every_pin(board_id: str, cell: str) -> None:
    board = Tables().board(board_id)
    for label, pin in board.pins.items():
        broken = replace(pin, **{cell: WRONG[cell](pin)})  # type: ignore[arg-type]
        found = differences(replace(board, pins={**board.pins, label: broken}), core_of(board_id))
        assert any(f.startswith(f"pin {label}: {cell} ") for f in found), f"{label}: {cell}"


@pytest.mark.parametrize("cell", ["adc", "pwm", "interrupt", "pin_change"])
@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_an_emptied_cell_is_found(board_id: str, cell: str) -> None:
    board = Tables().board(board_id)
    filled = {label: pin for label, pin in board.pins.items() if getattr(pin, cell) is not None}
    assert filled
    for label, pin in filled.items():
        broken = replace(board, pins={**board.pins, label: replace(pin, **{cell: None})})  # type: ignore[arg-type]
        assert any(
            f.startswith(f"pin {label}: {cell}") for f in differences(broken, core_of(board_id))
        )


@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_a_missing_and_an_extra_pin_are_found(board_id: str) -> None:
    board, core = Tables().board(board_id), core_of(board_id)
    for label, pin in board.pins.items():
        fewer = {other: p for other, p in board.pins.items() if other != label}
        assert f"core pin {pin.number} is neither" in str(
            differences(replace(board, pins=fewer), core)
        )
    extra = Pin("99", "PB0", 99, "99", ALL_ABILITIES)
    assert differences(replace(board, pins={**board.pins, "99": extra}), core)


@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_a_wrong_serial_port_is_found(board_id: str) -> None:
    board, core = Tables().board(board_id), core_of(board_id)
    for wrong in (
        replace(board, log_port="Serial9"),
        replace(board, serial_ports={**board.serial_ports, "Serial9": "free"}),
        replace(board, serial_ports={**board.serial_ports, "Serial": "free"}),
        replace(board, serial_ports={k: v for k, v in board.serial_ports.items() if k != "Serial"}),
    ):
        assert differences(wrong, core)


@pytest.mark.parametrize("figure", ["clock_hz", "flash_bytes", "ram_bytes"])
@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_a_wrong_figure_is_found(board_id: str, figure: str) -> None:
    board = Tables().board(board_id)
    wrong = {**board.figures, figure: Figure(board.figure(figure) + 1, "made up")}
    assert figure in str(toolchain_differences(replace(board, figures=wrong), core_of(board_id)))


@pytest.mark.parametrize("board_id", AVR_BOARDS)
def test_a_wrong_identifier_is_found(board_id: str) -> None:
    board = Tables().board(board_id)
    for cell, wrong in (
        ("mcu", "atmega1"),
        ("variant", "gemma"),
        ("defines", ("ARDUINO_AVR_NONE",)),
    ):
        core = replace(board.core, **{cell: wrong})  # type: ignore[arg-type]
        assert cell in str(toolchain_differences(replace(board, core=core), core_of(board_id)))


def _place(name: str, board: Board, core: Core) -> int | str:
    """What a name on a drawing is: a pin's number, or the name for what is no pin."""
    number = _printed(name, board, core)
    return OTHER_NAMES.get(name, name) if number is None else number


def row_differences(board: Board, core: Core) -> list[str]:
    """Places along the rows at which the table and the drawing show different things."""
    rows = {header.name: header.labels for header in board.headers}
    ours, theirs = (*reversed(rows["right"]), *rows["left"]), ROWS[board.id].split()
    places = [[_place(name, board, core) for name in names] for names in (ours, theirs)]
    if len(ours) != len(theirs):
        return [f"{len(ours)} places, drawn are {len(theirs)}"]
    return [
        f"{our}, drawn {their}"
        for our, their, a, b in zip(ours, theirs, *places, strict=True)
        if a != b
    ]


@pytest.mark.parametrize("board_id", ROWS)
def test_rows_are_as_others_drew_them(board_id: str) -> None:
    board, core = Tables().board(board_id), core_of(board_id)
    assert row_differences(board, core) == []
    for index, header in enumerate(board.headers[:2]):
        for place, label in enumerate(header.labels):
            labels = (*header.labels[:place], "spare", *header.labels[place + 1 :])
            headers = list(board.headers)
            headers[index] = replace(header, labels=labels)
            assert row_differences(replace(board, headers=tuple(headers)), core), label
