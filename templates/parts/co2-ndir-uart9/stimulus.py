"""What the CO2 sensor answers (user's manual, command 0x86): nine bytes for nine bytes."""

from __future__ import annotations

from buildkit.rehearsal.stimuli import PASSES_S, Wires

SENDS = False
REQUEST = bytes.fromhex("ff 01 86 00 00 00 00 00 79")
AFTER_S = 0.02  # from the request's last bit to the answer's first


def answer(ppm: int) -> bytes:
    """Nine bytes; the last one is the complement of bytes 2 to 8, plus 1."""
    body = bytes([0x86]) + ppm.to_bytes(2, "big") + bytes([0x42, 0x00, 0x00, 0x00])
    return b"\xff" + body + bytes([(~sum(body) + 1) & 0xFF])


def broken(good: bytes) -> bytes:
    """The same answer with one bit of its reading turned over."""
    return good[:3] + bytes([good[3] ^ 0x10]) + good[4:]


def late_s(wires: Wires) -> float:
    """A byte of the request a pass, then the pause, then the answer."""
    return 2 * wires.serial_s(len(REQUEST)) + AFTER_S + PASSES_S


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on it answers this."""
    wires.answer(t_s, REQUEST, answer(steps), AFTER_S)


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on the sum of its answers does not hold."""
    wires.answer(t_s, REQUEST, broken(answer(steps)), AFTER_S)


def silent(wires: Wires, t_s: float) -> None:
    """From now on it answers nothing."""
    wires.answer(t_s, REQUEST, b"", AFTER_S)
