"""What a sensor with a linear voltage puts on an analog pin (IEC 60381-2 for the scaling)."""

from __future__ import annotations

from buildkit.rehearsal.stimuli import Wires

SENDS = False


def mv(wires: Wires, steps: int) -> float:
    """Millivolts of a reading."""
    if wires.quantity.name == "voltage":
        return float(steps)
    low_v, high_v = wires.figure("low_v"), wires.figure("high_v")
    return 1000 * low_v + (high_v - low_v) * steps


def steps_at(wires: Wires, millivolts: float) -> int | None:
    """The reading of a voltage; None when the table says that it is none."""
    if millivolts < 1000 * wires.figure("false_below_v"):
        return None
    low_mv = mv(wires, 0)
    found = round((millivolts - low_mv) * 1000 / (mv(wires, 1000) - low_mv))
    quantity = wires.quantity
    return found if quantity.low <= found * quantity.resolution <= quantity.high else None


def _no_reading_mv(wires: Wires) -> float | None:
    """A cut wire or one shorted to the supply, whichever can be told from a reading."""
    return next((at for at in (0.0, wires.feed_mv) if steps_at(wires, at) is None), None)


def always_reads(wires: Wires) -> str:
    """Unless the table says which voltages are none."""
    if _no_reading_mv(wires) is not None:
        return ""
    return "any voltage is a reading until its false_below_v says which is a broken wire"


def cut(wires: Wires) -> int | None:
    """The pull-down brings a cut wire to 0 V."""
    return steps_at(wires, 0)


def late_s(wires: Wires) -> float:
    """Seventeen passes of the sketch, one conversion each."""
    return 0.018


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on its output stands there."""
    wires.adc_mv(t_s, "OUT", mv(wires, steps))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """A wire that touches ground or the supply."""
    wires.adc_mv(t_s, "OUT", _no_reading_mv(wires) or 0)


def silent(wires: Wires, t_s: float) -> None:
    """A cut wire."""
    wires.adc_mv(t_s, "OUT", 0)
