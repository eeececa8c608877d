"""Formulas at their edges, against figures worked by hand."""

from __future__ import annotations

import math

import pytest

from buildkit import electrics as e

# IEC 60063, Table 1, as printed.
E24 = (1.0, 1.1, 1.2, 1.3, 1.5, 1.6, 1.8, 2.0, 2.2, 2.4, 2.7, 3.0, 3.3, 3.6, 3.9, 4.3, 4.7, 5.1, 5.6, 6.2, 6.8, 7.5, 8.2, 9.1)  # fmt: skip
E12 = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)


def test_the_series_are_those_of_the_standard() -> None:
    assert [step / 10 for step in e.E24] == list(E24)
    assert [step / 10 for step in e.E12] == list(E12)


@pytest.mark.parametrize(
    ("least", "most", "values"),
    [
        (1000, 2000, [1000, 1100, 1200, 1300, 1500, 1600, 1800, 2000]),
        (950, 1050, [1000]),
        (8.2, 12, [8.2, 9.1, 10, 11, 12]),
        (1001, 1099, []),
        (0.9, 1.1, [0.91, 1.0, 1.1]),
        (910, 1000, [910, 1000]),
        (1000 * (1 + 1e-6), 1100 * (1 - 1e-6), []),
        (1000 * (1 + 1e-12), 1100 * (1 - 1e-12), [1000, 1100]),
    ],
)
def test_preferred_values_from_one_to_another(
    least: float, most: float, values: list[float]
) -> None:
    assert e.preferred(least, most) == values


def test_preferred_values_over_many_decades() -> None:
    assert e.preferred(1, 999_999) == sorted(
        round(step * 10.0**decade, 9) for decade in range(6) for step in E24
    )
    assert e.preferred(10, 100, e.E12) == [step * 10 for step in E12] + [100]


def test_the_next_preferred_value() -> None:
    assert [e.preferred_above(v) for v in (4700, 4701, 9200, 0.95)] == [4700, 5100, 10_000, 1.0]
    assert [e.preferred_below(v) for v in (4700, 4699, 10_500, 0.99)] == [4700, 4300, 10_000, 0.91]
    assert e.preferred_above(4800, e.E12) == 5600
    assert e.preferred_below(5500, e.E12) == 4700


def test_a_divider_and_what_is_beside_it() -> None:
    assert e.divider_v(5, 10_000, 10_000) == pytest.approx(2.5)
    assert e.divider_v(5, 10_000, 30_000) == pytest.approx(3.75)
    assert e.divider_v(5, 10_000, 10_000, 10_000) == pytest.approx(5 / 3)


@pytest.mark.parametrize("percent", [66, 50, 30, 91, 10])
def test_a_pair_of_resistors_is_the_nearest_that_is_not_above(percent: int) -> None:
    values = [step * decade for decade in (100, 1000, 10_000) for step in E24]
    best = max(
        lower / (upper + lower)
        for upper in values
        for lower in values
        if 5000 <= upper + lower <= 20_000 and lower / (upper + lower) <= percent / 100 + 1e-9
    )
    upper, lower = e.divider_pair(percent / 100)
    assert lower / (upper + lower) == pytest.approx(best, abs=1e-6)
    assert 5000 <= upper + lower <= 20_000


def test_of_equal_pairs_the_middle_one_is_taken() -> None:
    assert e.divider_pair(0.5) == (5100, 5100)  # 10.2 kilohms, nearest to 10
    assert e.divider_pair(0.5, 50_000, 200_000) == (51_000, 51_000)
    assert e.divider_pair(0.2, 10_000, 10_000) == (8200, 1800)  # the one pair that makes 10 kilohms


def test_the_limits_of_a_pair_are_included() -> None:
    assert e.divider_pair(0.5, 20_000, 20_000) == (10_000, 10_000)
    assert e.divider_pair(0.5, 2000, 2000) == (1000, 1000)


@pytest.mark.parametrize(
    ("clock_hz", "baud", "percent"),
    # UBRR tables of the data sheet; the core takes normal speed for 57600 at 16 MHz and beyond 4095
    [
        (16e6, 9600, 0.2), (16e6, 57600, 2.1), (8e6, 57600, 2.1), (16e6, 115200, 2.1),
        (16e6, 57601, -0.8), (16e6, 2400, -0.0),
    ],
)  # fmt: skip
def test_the_speed_that_the_core_chooses(clock_hz: float, baud: float, percent: float) -> None:
    assert round(e.avr_core_baud(clock_hz, baud)[1] * 100, 1) == percent


def test_slow_ports_run_at_normal_speed_when_the_divisor_is_full() -> None:
    # 4095 is the greatest UBRR: 488.28 baud at double speed still fits, 488.2 does not.
    assert e.uart_baud_error(16e6, 488.28)[0] == 4095
    assert e.avr_core_baud(16e6, 488.28) == e.uart_baud_error(16e6, 488.28)
    slower = 488.2
    assert e.uart_baud_error(16e6, slower)[0] == 4096
    assert e.avr_core_baud(16e6, slower) == e.uart_baud_error(16e6, slower, 16)
    assert e.avr_core_baud(16e6, slower) != e.uart_baud_error(16e6, slower)


def test_a_transistor_s_base() -> None:
    # 3.25 V over the resistor; 5 mA into the base and 0.095 mA into the pull-down
    assert e.base_ohms(4.2, 0.95, 5, 10_000) == pytest.approx(637.88, abs=0.01)
    assert e.base_ma(4.2, 0.95, 637.88, 10_000) == pytest.approx(5, abs=1e-4)
    assert e.base_ma(1.0, 0.95, 10_000, 1000) == 0
    assert e.base_ma(0.5, 0.95, 1000, 1e9) == 0


def test_a_regulator_s_heat() -> None:
    assert e.regulator_c(12, 5, 100, 50, 25) == pytest.approx(60)  # 0.7 W at 50 K/W
    assert e.regulator_c(5, 3.3, 0, 50, 40) == 40


def test_derating_without_a_span() -> None:
    assert e.derated_a(10, 60, 60, 60) == 10
    assert e.derated_a(10, 60, 60, 61) == 0
    assert e.derated_a(10, 60, 50, 70) == 0
    assert e.derated_a(10, 60, 61, 60.5) == pytest.approx(5)
    assert e.derated_a(10, 0, 100, 0.5) == pytest.approx(9.95)


def test_a_thermistor_by_beta_unless_all_three_coefficients_are_given() -> None:
    a, b, c = 1.129148e-3, 2.34125e-4, 8.76741e-8
    beta = e.ntc_ohms_beta(110, 10_000, 3950)
    curve = e.ntc_ohms_steinhart_hart(110, a, b, c)
    assert beta != pytest.approx(curve, rel=1e-3)
    assert e.ntc_ohms(110, 10_000, 3950, a, b, c) == curve
    for lacking in ((0.0, b, c), (a, 0.0, c), (a, b, 0.0), (0.0, 0.0, c), (0.0, 0.0, 0.0)):
        assert e.ntc_ohms(110, 10_000, 3950, *lacking) == beta


def test_the_published_curve_of_a_bead() -> None:
    # The same bead's printed table: 32.65 kilohms at 0 degC, 2.49 at 60, 0.68 at 100
    a, b, c = 1.129148e-3, 2.34125e-4, 8.76741e-8
    printed = {0: 32_650, 25: 10_000, 60: 2488, 100: 678}
    for celsius, ohms in printed.items():
        assert e.ntc_ohms_steinhart_hart(celsius, a, b, c) == pytest.approx(ohms, rel=0.005)


def test_nothing_flows_through_a_lamp_below_its_forward_volts() -> None:
    assert e.series_current_ma(2.0, 2.0, 100) == 0
    assert e.series_current_ma(2.1, 2.0, 1000) == pytest.approx(0.1)
    assert e.series_current_ma(3.0, 2.0, 1e6) == pytest.approx(0.001)


def test_wires_of_both_ends_of_the_gauge() -> None:
    assert e.awg_area_mm2(36) == pytest.approx(math.pi / 4 * 0.127**2)  # 0.005 inch by definition
    assert e.awg_area_mm2(0) == pytest.approx(math.pi / 4 * 8.2515**2, rel=1e-4)  # 0.3249 inch
