"""Formulas: numbers in, numbers out.  No board, no part, no build.

Every function names the published source of its formula.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

# IEC 60063, series E12 and E24: preferred values of one decade.
E12 = (10, 12, 15, 18, 22, 27, 33, 39, 47, 56, 68, 82)
E24 = tuple(sorted((*E12, 11, 13, 16, 20, 24, 30, 36, 43, 51, 62, 75, 91)))

COPPER_OHM_MM2_PER_M = 0.01724  # IEC 60028, annealed copper at 20 degC


def awg_area_mm2(gauge: int) -> float:
    """Cross-section of an American wire gauge, mm2.  ASTM B258, section 6."""
    diameter_mm = 0.127 * math.pow(92, (36 - gauge) / 39)
    return math.pi / 4 * diameter_mm**2


def conductor_ohms(length_m: float, area_mm2: float) -> float:
    """Resistance of one copper conductor at 20 degC.  IEC 60028."""
    return COPPER_OHM_MM2_PER_M * length_m / area_mm2


def cable_drop_v(current_a: float, length_m: float, area_mm2: float) -> float:
    """Volts lost out and back along a two-conductor cable.  Ohm's law."""
    return 2 * current_a * conductor_ohms(length_m, area_mm2)


def output_high_v(
    rail_v: float, test_v: float, test_ma: float, rail_test_v: float, ma: float
) -> float:
    """Output high of a push-pull pin at ``ma``, in volts.

    The data sheet gives one point (``test_v`` at ``test_ma`` on a rail of
    ``rail_test_v``); between it and no load the drop is taken as ohmic.  0
    where the pin can never give so much.
    """
    ohms = (rail_test_v - test_v) / test_ma
    return max(0.0, rail_v - ohms * ma)


def output_low_v(test_v: float, test_ma: float, ma: float) -> float:
    """Output low of a push-pull pin at ``ma``, ohmic from the data sheet's one point."""
    return test_v / test_ma * ma


def series_current_ma(rail_v: float, forward_v: float, ohms: float) -> float:
    """Milliamps through an LED and its resistor.  Ohm's law; 0 below the forward voltage."""
    return max(0.0, (rail_v - forward_v) / ohms * 1000)


def derated_a(rated_a: float, from_c: float, to_c: float, ambient_c: float) -> float:
    """Amps left of a rating that falls in a straight line from ``from_c`` to zero at ``to_c``."""
    if ambient_c <= from_c:
        return rated_a
    if to_c <= from_c:
        return 0.0
    return max(0.0, rated_a * (to_c - ambient_c) / (to_c - from_c))


def pull_up_min_ohms(rail_v: float, low_v: float, sink_ma: float) -> float:
    """Least bus pull-up, ohms.  NXP UM10204 section 7.1, Rp(min) = (VDD - VOL) / IOL."""
    return (rail_v - low_v) / sink_ma * 1000


def pull_up_max_ohms(rise_s: float, farads: float) -> float:
    """Greatest bus pull-up, ohms.  NXP UM10204 section 7.1, Rp(max) = tr / (0.8473 Cb)."""
    return rise_s / (0.8473 * farads)


def parallel_ohms(*ohms: float) -> float:
    """Resistors side by side; infinite when there is none."""
    return 1 / sum(1 / r for r in ohms) if ohms else math.inf


def ntc_ohms_beta(celsius: float, r25_ohms: float, beta_k: float) -> float:
    """Resistance of a thermistor by its B value.  IEC 60539-1."""
    return r25_ohms * math.exp(beta_k * (1 / (celsius + 273.15) - 1 / 298.15))


def ntc_celsius_steinhart_hart(ohms: float, a: float, b: float, c: float) -> float:
    """Temperature of a thermistor, degC.  Steinhart and Hart, Deep-Sea Research 15 (1968) 497."""
    ln = math.log(ohms)
    return 1 / (a + b * ln + c * ln**3) - 273.15


def ntc_ohms_steinhart_hart(celsius: float, a: float, b: float, c: float) -> float:
    """Resistance at a temperature: the Steinhart-Hart cubic solved for ln R by Cardano's formula."""
    kelvin = celsius + 273.15
    x = (a - 1 / kelvin) / c
    y = math.sqrt((b / (3 * c)) ** 3 + x**2 / 4)
    return math.exp(math.cbrt(y - x / 2) - math.cbrt(y + x / 2))


def ntc_ohms(celsius: float, r25_ohms: float, beta_k: float, a: float, b: float, c: float) -> float:
    """Resistance of a thermistor: Steinhart-Hart when all three coefficients are given, else beta."""
    if a and b and c:
        return ntc_ohms_steinhart_hart(celsius, a, b, c)
    return ntc_ohms_beta(celsius, r25_ohms, beta_k)


def uart_baud_error(clock_hz: float, baud: float, samples: int = 8) -> tuple[int, float]:
    """UBRR and the relative error; ``samples`` is 8 in double-speed mode, else 16.

    ATmega328P data sheet 19.3.1, Table 19-1.
    """
    divisor = max(0, round(clock_hz / (samples * baud)) - 1)
    return divisor, clock_hz / (samples * (divisor + 1)) / baud - 1


def soft_serial_max_baud(clock_hz: float, late_cycles: float) -> float:
    """Fastest software serial whose half bit still outlasts ``late_cycles`` of interrupts.

    A start bit seen late moves every sample by as much; half a bit late and
    the wrong bit is read (AVR core 1.8.7, SoftwareSerial.cpp, begin and recv).
    """
    return clock_hz / (2 * late_cycles)


def node_v(*feeds: tuple[float, float]) -> float:
    """Volts at a joint fed by (volts, ohms) pairs and loaded by nothing.  Millman's theorem."""
    conductance = sum(1 / ohms for _, ohms in feeds)
    return sum(volts / ohms for volts, ohms in feeds) / conductance


def preferred(least: float, most: float, series: Sequence[int] = E24) -> list[float]:
    """The preferred values from ``least`` to ``most``, both included.  IEC 60063."""
    decades = range(math.floor(math.log10(least)) - 2, math.ceil(math.log10(most)) + 1)
    values = (round(step * 10.0**decade, 12) for decade in decades for step in series)
    slack = 1e-9
    return [v for v in values if least * (1 - slack) <= v <= most * (1 + slack)]


def preferred_above(value: float, series: Sequence[int] = E24) -> float:
    """The least preferred value that is not below ``value``.  IEC 60063."""
    return preferred(value, value * 10, series)[0]


def preferred_below(value: float, series: Sequence[int] = E24) -> float:
    """The greatest preferred value that is not above ``value``.  IEC 60063."""
    return preferred(value / 10, value, series)[-1]


def divider_v(volts: float, upper_ohms: float, lower_ohms: float, load_ohms: float = 0.0) -> float:
    """Volts at the joint of a divider, with ``load_ohms`` beside its lower resistor if given."""
    below = parallel_ohms(lower_ohms, load_ohms) if load_ohms else lower_ohms
    return volts * below / (upper_ohms + below)


def divider_pair(
    ratio: float, least_ohms: float = 5000.0, most_ohms: float = 20000.0
) -> tuple[float, float]:
    """Upper and lower E24 resistor whose divider comes nearest to ``ratio`` and not above it.

    Both together are within the two limits; of equals the pair nearest to
    their middle is taken.  Voltage divider after Ohm's law; values IEC 60063.
    """
    values = preferred(least_ohms / 50, most_ohms)
    pairs = [
        (upper, lower)
        for upper in values
        for lower in values
        if least_ohms <= upper + lower <= most_ohms
        and lower / (upper + lower) <= ratio * (1 + 1e-9)
    ]
    middle = math.sqrt(least_ohms * most_ohms)

    def worth(pair: tuple[float, float]) -> tuple[float, float]:
        upper, lower = pair
        return -round(lower / (upper + lower), 6), abs(math.log((upper + lower) / middle))

    return min(pairs, key=worth)


def avr_core_baud(clock_hz: float, baud: float) -> tuple[int, float]:
    """UBRR and the relative error of a serial port as the AVR core sets it.

    Double speed but for two cases (AVR core 1.8.7, HardwareSerial.cpp, begin).
    """
    divisor, error = uart_baud_error(clock_hz, baud)
    if divisor > 4095 or (clock_hz == 16_000_000 and baud == 57600):
        return uart_baud_error(clock_hz, baud, samples=16)
    return divisor, error


def base_ohms(pin_v: float, on_v: float, base_ma: float, pull_down_ohms: float) -> float:
    """Base resistor that feeds ``base_ma`` and the pull-down beside the base.  Ohm's law."""
    return (pin_v - on_v) / (base_ma / 1000 + on_v / pull_down_ohms)


def base_ma(pin_v: float, on_v: float, ohms: float, pull_down_ohms: float) -> float:
    """What is left for the base through ``ohms``; 0 when the pull-down takes it all."""
    return max(0.0, (pin_v - on_v) / ohms - on_v / pull_down_ohms) * 1000


def regulator_c(in_v: float, out_v: float, ma: float, k_per_w: float, ambient_c: float) -> float:
    """Junction of a linear regulator: ambient plus (Vin - Vout) I thetaJA.  JEDEC JESD51-2."""
    return ambient_c + (in_v - out_v) * ma / 1000 * k_per_w
