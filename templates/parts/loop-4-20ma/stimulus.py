"""What a transmitter's current does on the shunt (IEC 60381-1; NAMUR NE 43 for failures)."""

from __future__ import annotations

from buildkit.rehearsal.stimuli import Wires

SENDS = False
FAILED_MA = 3.5  # below 3.6 mA the transmitter says that it has failed


def ma(wires: Wires, steps: int) -> float:
    """Milliamps of a reading."""
    return steps / 100 if wires.quantity.name == "current" else 4 + 16 * steps / 1000


def late_s(wires: Wires) -> float:
    """Seventeen passes of the sketch, one conversion each."""
    return 0.018


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on so much current runs."""
    _runs(wires, t_s, ma(wires, steps))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """The transmitter says that it has failed."""
    _runs(wires, t_s, FAILED_MA)


def silent(wires: Wires, t_s: float) -> None:
    """The loop is open."""
    _runs(wires, t_s, 0)


def _runs(wires: Wires, t_s: float, milliamps: float) -> None:
    wires.adc_mv(t_s, "LOOP", milliamps * wires.figure("shunt_ohms"))
