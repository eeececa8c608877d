"""What the particulate sensor sends (data manual, appendix I): frames of 32 bytes, unasked."""

from __future__ import annotations

from functools import lru_cache

from buildkit.rehearsal.stimuli import Wires

SENDS = True
WORDS = {"pm1_0": 3, "pm2_5": 4, "pm10": 5}  # data 4 to 6: under atmospheric environment


@lru_cache(maxsize=4096)  # days have few different ones
def frame(steps: int, value: str = "pm2_5", counts: int = 812) -> bytes:
    """A frame: 0x42 0x4D, the length 28, thirteen words, the sum of all bytes before it."""
    words = [3, 4, 5, 3, 4, 5, counts, 240, 60, 12, 3, 1, 0x9700]
    words[WORDS[value]] = steps
    body = b"\x42\x4d" + (28).to_bytes(2, "big") + b"".join(w.to_bytes(2, "big") for w in words)
    return body + sum(body).to_bytes(2, "big")


def broken(good: bytes) -> bytes:
    """The same frame with one bit of its reading turned over."""
    return good[:13] + bytes([good[13] ^ 0x40]) + good[14:]


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """A good frame whose last bit comes at ``t_s``."""
    _send(wires, t_s, frame(steps, wires.quantity.name))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """A frame whose sum does not hold."""
    _send(wires, t_s, broken(frame(steps, wires.quantity.name)))


def _send(wires: Wires, t_s: float, data: bytes) -> None:
    wires.serial(max(0.0, t_s - wires.serial_s(len(data))), data)
