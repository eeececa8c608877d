"""What a thermistor below a fixed resistor puts on an analog pin (IEC 60539-1, the B value)."""

from __future__ import annotations

import math
from collections.abc import Callable

from buildkit.rehearsal.stimuli import Wires

SENDS = False
KELVIN, T25_K = 273.15, 298.15


def ohms(figure: Callable[[str], float], celsius: float) -> float:
    """By beta, or by Steinhart-Hart solved for the resistance when its coefficients are given."""
    kelvin = celsius + KELVIN
    a, b, c = (figure(f"sh_{letter}_per_k") for letter in "abc")
    if not (a or b or c):
        beta = figure("beta_k")
        return figure("r25_ohms") * math.exp(beta * (1 / kelvin - 1 / T25_K))
    low, high = 0.0, 20.0  # logarithms of 1 ohm and of half a gigohm
    for _ in range(60):
        middle = (low + high) / 2
        colder = a + b * middle + c * middle**3 > 1 / kelvin
        low, high = (low, middle) if colder else (middle, high)
    return math.exp((low + high) / 2)


def mv(wires: Wires, celsius: float) -> float:
    """Millivolts of the joint; the fixed resistor hangs on the rail that the converter measures by."""
    bead = ohms(wires.figure, celsius)
    return wires.feed_mv * bead / (bead + wires.figure("series_ohms"))


def late_s(wires: Wires) -> float:
    """Seventeen passes of the sketch, one conversion each."""
    return 0.018


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on the bead is so warm."""
    wires.adc_mv(t_s, "OUT", mv(wires, steps * float(wires.quantity.resolution)))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """A shorted lead: nothing else of a bead can be told from a temperature."""
    wires.adc_mv(t_s, "OUT", 0)


def silent(wires: Wires, t_s: float) -> None:
    """A broken lead: the joint stands at the rail."""
    wires.adc_mv(t_s, "OUT", wires.feed_mv)
