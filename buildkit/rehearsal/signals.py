"""What the world does to a chip during a rehearsal, and when.

A `Scenario` is filled by its methods and handed to `chip.run`. All times are in
seconds since the chip first started, kept to the microsecond; order of calls
matters only between things at the same microsecond. Pins are named by port
("PD7").
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field


def crc8(data: bytes) -> int:
    """The checksum of 1-Wire codes and scratchpads (polynomial x8 + x5 + x4 + 1, reflected)."""
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ 0x8C if crc & 1 else crc >> 1
    return crc


def crc31(data: bytes) -> int:
    """The checksum of several makers' humidity sensors: polynomial 0x31, start 0xFF.

    Bit by bit; 0xBE 0xEF gives 0x92 (SHT3x data sheet, 4.12).
    """
    register = 0xFF
    for bit in (byte >> shift & 1 for byte in data for shift in range(7, -1, -1)):
        register = (register << 1 & 0xFF) ^ (0x31 if register >> 7 ^ bit else 0)
    return register


def guarded(word: int) -> bytes:
    """A 16-bit word, high byte first, and its ``crc31``."""
    data = word.to_bytes(2, "big")
    return data + bytes([crc31(data)])


def scaled(hundredths: int, low: int, span: int) -> bytes:
    """The guarded word S that means so many hundredths: low + span S/65535."""
    return guarded(round((hundredths - low) * 65535 / span))


def thermometer_code(serial: int, family: int = 0x28) -> bytes:
    """The 8-byte 1-Wire code of a thermometer: family, 48-bit serial number, checksum."""
    body = bytes([family]) + serial.to_bytes(6, "little")
    return body + bytes([crc8(body)])


THE_THERMOMETER = thermometer_code(0x0000_0123_4567)


@dataclass
class Scenario:
    """Lines of the engine's scenario format, built by name; see the methods.

    `lines` holds the plain lines. A poke or peek names a variable of the sketch
    there, which `chip.run` replaces by its address.
    """

    lines: list[str] = field(default_factory=list)

    def watch(self, *pins: str) -> None:
        """Report every change of what the chip does with these pins, from reset on."""
        self.lines += (f"watch {pin}" for pin in pins)

    def supply(self, supply_v: float, reference_v: float | None = None) -> None:
        """Supply voltage, and that of the AREF pin (the same unless given). 5 V without this."""
        reference = supply_v if reference_v is None else reference_v
        self.lines.append(f"supply {round(supply_v * 1000)} {round(reference * 1000)}")

    def bootloader(self, stays_s: float, *, clears_cause: bool) -> None:
        """After every reset the pins float for `stays_s`, as in a bootloader, before the sketch.

        `clears_cause`: it also clears the register that tells why the chip was reset.
        """
        self.lines.append(f"boot {_us(stays_s)} {'clear' if clears_cause else 'keep'}")

    def flash(self, address: int, data: bytes) -> None:
        """More of the chip's program, beside the sketch (chip engine only; see `bootloader`)."""
        self.lines.append(f"flash {address} {_hex(data)}")

    def start_at(self, address: int) -> None:
        """The chip starts at this byte address after a reset, not at the sketch's beginning."""
        self.lines.append(f"start {address}")

    def uart_bytes(self, t_s: float, index: int, data: bytes, baud: int = 9600) -> None:
        """Bytes into hardware UART `index`, one after the other from `t_s` on."""
        self._at(t_s, f"send {index} {baud} {_hex(data)}")

    def pin_bytes(self, t_s: float, pin: str, data: bytes, baud: int = 9600) -> None:
        """Bytes as 8N1 levels on `pin`. Put the idle level there first: `level(0, pin, 1)`."""
        self._at(t_s, f"send {pin} {baud} {_hex(data)}")

    def listen(self, pin: str, baud: int = 9600) -> None:
        """Report the 8N1 bytes that the sketch sends by moving `pin` itself."""
        self.lines.append(f"listen {pin} {baud}")

    def answer(
        self,
        t_s: float,
        request: bytes,
        reply: bytes,
        *,
        sent_by: int | str,
        into: int | str,
        baud: int = 9600,
        after_s: float = 0.0,
    ) -> None:
        """From now on, whenever the chip sends `request`, `reply` comes back `after_s` later.

        `sent_by` and `into` are each a UART index or a pin. An empty reply ends the answers
        to that request.
        """
        where = f"{sent_by} {into} {baud} {_us(after_s)}"
        self._at(t_s, f"answer {where} {_hex(request)} {_hex(reply)}")

    def usb(self, t_s: float, host: str = "reading") -> None:
        """The computer at a native USB port.

        "reading" has opened the log, "stuck" has opened it but reads no more, "none" is away
        (as from the start).
        """
        self._at(t_s, f"usb {host}")

    def level(self, t_s: float, pin: str, level: int | None) -> None:
        """Drive `pin` from outside to 0 or 1, or let go of it (None)."""
        self._at(t_s, f"level {pin} {'none' if level is None else level}")

    def pulses(self, t_s: float, pin: str, period_s: float) -> None:
        """From now on `pin` is pulled low for the second half of each period; 0 lets go of it."""
        self._at(t_s, f"pulses {pin} {_us(period_s)}")

    def adc_mv(self, t_s: float, channel: int, mv: int) -> None:
        """The voltage on an analog channel, in millivolts."""
        self._at(t_s, f"adc {channel} {mv}")

    def i2c_present(self, t_s: float, address: int, present: bool = True) -> None:
        """A device on the two-wire bus starts (or stops) answering at its 7-bit address."""
        self._at(t_s, f"present {address} {'yes' if present else 'no'}")

    def i2c_busy(self, t_s: float, address: int, busy_us: int, data: bytes = b"") -> None:
        """From now on the device is busy for so long after each write.

        Meanwhile it refuses to be read, or answers this `data`.
        """
        self._at(t_s, f"busy {address} {busy_us} {_hex(data)}")

    def i2c_reply(
        self, t_s: float, address: int, data: bytes, after: bytes = b"", *, once: bool = False
    ) -> None:
        """What the device answers to a read from now on, each read from the first byte.

        With `after`, only while its last write began with these bytes; the longest
        match counts, so registers and commands can each have a reply. One that is
        given `once` goes before the lasting one of the same bytes and is gone when read.
        """
        again = "once" if once else "always"
        self._at(t_s, f"reply {address} {_hex(after)} {_hex(data)} {again}")

    def i2c_hold(self, t_s: float, line: str | None, clocks: int = 0) -> None:
        """Something holds a bus line low: "sda" or "scl"; None lets go.

        With `clocks`, it lets go by itself after so many pulses made by hand on the clock pin.
        """
        self._at(t_s, f"bus {line or 'free'} {clocks}")

    def thermometer(
        self, t_s: float, pin: str, present: bool = True, code: bytes = THE_THERMOMETER
    ) -> None:
        """A 1-Wire thermometer on `pin` is there (as after power-up, 85 degC) or is gone."""
        self._at(t_s, f"probe {pin} {_hex(code)} {'yes' if present else 'no'}")

    def temperature(self, t_s: float, pin: str, degc: float, code: bytes = THE_THERMOMETER) -> None:
        """What the thermometer's next conversions find, rounded to 1/16 degC."""
        self._at(t_s, f"next {pin} {_hex(code)} {round(degc * 16)}")

    def scratchpad(self, t_s: float, pin: str, nine: bytes, code: bytes = THE_THERMOMETER) -> None:
        """Exactly what the thermometer sends, right or wrong, until `temperature` is next set."""
        self._at(t_s, f"scratchpad {pin} {_hex(code)} {_hex(nine)}")

    def poke(self, t_s: float, variable: str, data: bytes) -> None:
        """Overwrite a variable of the sketch (low byte first), such as `timer0_millis`."""
        self._at(t_s, f"poke {variable} {_hex(data)}")

    def peek(self, t_s: float, variable: str, count: int) -> None:
        """Report `count` bytes of a variable of the sketch."""
        self._at(t_s, f"peek {variable} {count}")

    def reset(self, t_s: float, cause: str = "external") -> None:
        """Reset the chip: "external" (the button) or "power" (RAM is lost as well)."""
        self._at(t_s, f"reset {cause}")

    def to_text(self, until_s: float, addresses: Mapping[str, int]) -> str:
        """The scenario as the engine reads it, variables replaced by `addresses`.

        Raises KeyError with the name of a variable that the sketch does not have.
        """
        lines = (_with_address(line, addresses) for line in self.lines)
        return "\n".join((f"until {_us(until_s)}", *lines, ""))

    def variables(self) -> Iterable[str]:
        """Names of the sketch's variables that are poked or peeked."""
        return (line.split()[3] for line in self.lines if _touches_variable(line))

    def _at(self, t_s: float, what: str) -> None:
        self.lines.append(f"at {_us(t_s)} {what}")


def _touches_variable(line: str) -> bool:
    # The first look is for speed: most lines of a long scenario are bytes.
    return "k" in line and line.split(" ", 3)[2:3] in (["poke"], ["peek"])


def _with_address(line: str, addresses: Mapping[str, int]) -> str:
    if not _touches_variable(line):
        return line
    words = line.split()
    words[3] = str(addresses[words[3]])
    return " ".join(words)


def _us(seconds: float) -> int:
    return round(seconds * 1_000_000)


def _hex(data: bytes) -> str:
    return data.hex() or "-"
