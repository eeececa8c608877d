"""What the CO2 sensor answers (data sheet, 3.5): ready every 5 s, three words with their CRCs."""

from __future__ import annotations

from buildkit.rehearsal.signals import guarded, scaled
from buildkit.rehearsal.stimuli import Wires

SENDS = True  # by its own clock, once it runs
READY, FETCH = b"\xe4\xb8", b"\xec\x05"
SOMETHING, NOTHING = 0x8006, 0x8000  # the lower eleven bits are nought while nothing is new


def reply(ppm: int, centi_c: int = 2150, centi_rh: int = 4000) -> bytes:
    """Nine bytes (3.5.2): CO2, T = -45 + 175 S/65535, RH = S/65535."""
    return guarded(ppm) + scaled(centi_c, -4500, 17500) + scaled(centi_rh, 0, 10000)


def begin(wires: Wires) -> None:
    """Nothing is ready before the first measurement."""
    wires.scenario.i2c_reply(0, wires.address, guarded(NOTHING), after=READY)


def pace_s(wires: Wires) -> float:
    """By its own clock."""
    return wires.figure("refresh_s")


def late_s(wires: Wires) -> float:
    """The sketch asks twice a second whether it is ready: a quarter of a second in the mean."""
    return 0.25


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """This is ready from now on, until it has been fetched."""
    _ready(wires, t_s, _reply(wires, steps))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """Something is ready, and of each word one bit is turned over on the way."""
    good = _reply(wires, steps)
    _ready(wires, t_s, bytes(b ^ 0x10 if at % 3 == 1 else b for at, b in enumerate(good)))


def silent(wires: Wires, t_s: float) -> None:
    """From now on it does not answer its address."""
    wires.i2c_gone(t_s)


def _reply(wires: Wires, steps: int) -> bytes:
    if wires.quantity.name == "co2":
        return reply(steps)
    return reply(600, centi_c=steps) if wires.quantity.name == "temperature" else reply(600, 2150, steps)  # fmt: skip


def _ready(wires: Wires, t_s: float, data: bytes) -> None:
    wires.i2c(t_s, FETCH, data)
    wires.scenario.i2c_reply(t_s, wires.address, guarded(SOMETHING), after=READY, once=True)
