"""Units of readings: exact conversion, and readings as whole steps.

Factors after the SI brochure, 9th edition, and NIST SP 811 appendix B.
"""

from __future__ import annotations

from fractions import Fraction

from buildkit.model import Quantity
from buildkit.records import dataclass


@dataclass(frozen=True, slots=True)
class Unit:
    """``base = value * scale + offset``; units convert within one ``kind``."""

    kind: str
    scale: Fraction
    offset: Fraction
    sign: str  # how it is printed


UNITS = {
    "degC": Unit("temperature", Fraction(1), Fraction(0), "°C"),
    "degF": Unit("temperature", Fraction(5, 9), Fraction(-160, 9), "°F"),
    "ug/m3": Unit("dust", Fraction(1), Fraction(0), "µg/m³"),
    "mg/m3": Unit("dust", Fraction(1000), Fraction(0), "mg/m³"),
    "%RH": Unit("humidity", Fraction(1), Fraction(0), "%RH"),
    "ppm": Unit("fraction", Fraction(1), Fraction(0), "ppm"),
    "hPa": Unit("pressure", Fraction(1), Fraction(0), "hPa"),
    "kPa": Unit("pressure", Fraction(10), Fraction(0), "kPa"),
    "V": Unit("voltage", Fraction(1), Fraction(0), "V"),
    "mA": Unit("current", Fraction(1), Fraction(0), "mA"),
    "L/min": Unit("flow", Fraction(1), Fraction(0), "L/min"),
    "%": Unit("share", Fraction(1), Fraction(0), "%"),
    "state": Unit("state", Fraction(1), Fraction(0), ""),  # 0 or 1 of a switch
}


def units_like(unit: str) -> list[str]:
    """Every unit that ``unit`` converts to, itself first."""
    same = [name for name, other in UNITS.items() if other.kind == UNITS[unit].kind]
    return sorted(same, key=lambda name: name != unit)


def convert(value: Fraction, given: str, wanted: str) -> Fraction:
    """``value`` in unit ``given`` as unit ``wanted``, exactly."""
    source, target = UNITS[given], UNITS[wanted]
    return (value * source.scale + source.offset - target.offset) / target.scale


def to_steps(value: Fraction, unit: str, quantity: Quantity) -> Fraction:
    """A value as steps of the quantity's resolution; whole for a reading."""
    return convert(value, unit, quantity.unit) / quantity.resolution


def from_steps(steps: Fraction, unit: str, quantity: Quantity) -> Fraction:
    """Steps of the quantity's resolution as a value in ``unit``."""
    return convert(steps * quantity.resolution, quantity.unit, unit)


def shown_decimals(unit: str, quantity: Quantity) -> int:
    """Digits after the point in ``unit`` that show as much as the table's do in its own unit."""
    step = UNITS[quantity.unit].scale / UNITS[unit].scale
    more = 0
    while step * 10**more < 1:
        more += 1
    return quantity.decimals + more


def decimal(value: Fraction) -> str:
    """A fraction as short decimal text, at most six digits after the point."""
    text = f"{float(value):.6f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
