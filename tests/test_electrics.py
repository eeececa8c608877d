"""Formulas against the worked figures that their sources print."""

from __future__ import annotations

import math

import pytest

from buildkit import electrics as e


@pytest.mark.parametrize(
    ("gauge", "area_mm2"),
    # ASTM B258, Table 1: nominal areas
    [(10, 5.261), (14, 2.081), (18, 0.8230), (24, 0.2047), (28, 0.0810), (36, 0.01267)],
)
def test_wire_gauges(gauge: int, area_mm2: float) -> None:
    assert e.awg_area_mm2(gauge) == pytest.approx(area_mm2, rel=1.5e-3)


def test_annealed_copper() -> None:
    # IEC 60028: 1/58 ohm for 1 m of 1 mm2 at 20 degC
    assert e.conductor_ohms(1, 1) == pytest.approx(1 / 58, rel=1e-3)
    assert e.conductor_ohms(100, 2.5) == pytest.approx(0.6896, rel=1e-3)


def test_a_cable_loses_out_and_back() -> None:
    assert e.cable_drop_v(0.5, 10, 1) == pytest.approx(0.1724)


@pytest.mark.parametrize(
    ("baud", "samples", "ubrr", "percent"),
    # ATmega328P data sheet, Table 19-12 (16 MHz): UBRR and error at U2X = 0 and 1
    [
        (9600, 16, 103, 0.2),
        (9600, 8, 207, 0.2),
        (14400, 16, 68, 0.6),
        (14400, 8, 138, -0.1),
        (28800, 16, 34, -0.8),
        (57600, 16, 16, 2.1),
        (57600, 8, 34, -0.8),
        (115200, 16, 8, -3.5),
        (115200, 8, 16, 2.1),
        (230400, 16, 3, 8.5),
        (230400, 8, 8, -3.5),
        (1000000, 16, 0, 0.0),
        (1000000, 8, 1, 0.0),
    ],
)
def test_baud_table(baud: int, samples: int, ubrr: int, percent: float) -> None:
    divisor, error = e.uart_baud_error(16e6, baud, samples)
    assert divisor == ubrr
    assert round(error * 100, 1) == percent


def test_a_baud_above_the_clock_has_divisor_zero() -> None:
    assert e.uart_baud_error(16e6, 40e6)[0] == 0


def test_software_serial_is_late_by_half_a_bit_at_most() -> None:
    assert e.soft_serial_max_baud(16e6, 100) == 80_000
    assert e.soft_serial_max_baud(8e6, 100) == 40_000


def test_bus_pull_ups() -> None:
    # UM10204 rev 7, 7.1: 3 mA at 5 V and 0.4 V; Figure 41, Cb 200 pF in fast mode about 1.77 kilohms
    assert e.pull_up_min_ohms(5, 0.4, 3) == pytest.approx(1533, abs=1)
    assert e.pull_up_max_ohms(300e-9, 200e-12) == pytest.approx(1770, abs=1)
    assert e.pull_up_max_ohms(1000e-9, 400e-12) == pytest.approx(2951, abs=1)


def test_resistors_side_by_side() -> None:
    assert e.parallel_ohms(4700, 10000) == pytest.approx(3197, abs=1)
    assert e.parallel_ohms() == math.inf


def test_a_joint_lies_between_its_feeds() -> None:
    assert e.node_v((5, 1000), (0, 1000)) == pytest.approx(2.5)
    assert e.node_v((5, 4700), (3.3, 10000), (5, 20000)) == pytest.approx(4.531, abs=1e-3)
    assert e.node_v((3.3, 10000)) == pytest.approx(3.3)


def test_output_levels_follow_the_load() -> None:
    assert e.output_high_v(5, 4.2, 20, 5, 20) == pytest.approx(4.2)
    assert e.output_high_v(4.75, 4.2, 20, 5, 15) == pytest.approx(4.15)
    assert e.output_low_v(0.9, 20, 5) == pytest.approx(0.225)


def test_current_through_an_led() -> None:
    assert e.series_current_ma(5, 2, 680) == pytest.approx(4.41, abs=0.01)
    assert e.series_current_ma(1.8, 2, 680) == 0


def test_derating_is_a_straight_line() -> None:
    assert e.derated_a(25, 40, 80, 30) == 25
    assert e.derated_a(25, 40, 80, 40) == 25
    assert e.derated_a(25, 40, 80, 60) == pytest.approx(12.5)
    assert e.derated_a(25, 40, 80, 80) == 0
    assert e.derated_a(25, 40, 80, 85) == 0


def test_thermistor_at_its_reference() -> None:
    assert e.ntc_ohms_beta(25, 10000, 3950) == pytest.approx(10000)
    # B25/50 = ln(R25/R50) / (1/298.15 - 1/323.15), IEC 60539-1
    assert e.ntc_ohms_beta(50, 10000, 3950) == pytest.approx(3588, abs=2)


def test_steinhart_hart_there_and_back() -> None:
    # A widely published set for a 10 kilohm bead: 25 degC at 10 kilohms
    a, b, c = 1.129148e-3, 2.34125e-4, 8.76741e-8
    assert e.ntc_celsius_steinhart_hart(10000, a, b, c) == pytest.approx(25, abs=0.02)
    for celsius in (-40, 0, 25, 80, 125):
        ohms = e.ntc_ohms_steinhart_hart(celsius, a, b, c)
        assert e.ntc_celsius_steinhart_hart(ohms, a, b, c) == pytest.approx(celsius, abs=1e-6)
