"""What the weather sensor holds in its registers (data sheet, 5.3, 5.4 and 8.1).

The raw words of a reading are found by search: the compensation formulas, which
are those in real numbers and not the sketch's own, rise or fall all the way.
"""

from __future__ import annotations

from collections.abc import Callable

from buildkit.rehearsal.answering import AskedOnBus
from buildkit.rehearsal.stimuli import Wires

SENDS = False
ID, CALIBRATION, MORE_CALIBRATION, DATA = b"\xd0", b"\x88", b"\xe1", b"\xf7"
# Temperature and pressure are those of the worked example that the maker printed for
# the same compensation (BMP280 data sheet 3.12: 519888 and 415148 give 25.08 degC and
# 100653.27 Pa); humidity coefficients as sensors carry them.
T1, T2, T3 = 27504, 26435, -1000
P1, P2, P3, P4, P5, P6, P7, P8, P9 = 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000
H1, H2, H3, H4, H5, H6 = 75, 370, 0, 313, 50, 30
STANDING = (415148, 519888, 30000)  # pressure, temperature, humidity
NOT_MEASURED = (0x80000, 0x80000, 0x8000)


def calibration() -> tuple[bytes, bytes]:
    """Registers 0x88 to 0xA1 and 0xE1 to 0xE7."""
    values = (T1, T2, T3, P1, P2, P3, P4, P5, P6, P7, P8, P9)
    words = b"".join((v & 0xFFFF).to_bytes(2, "little") for v in values)
    rest = [H2 & 0xFF, H2 >> 8, H3, H4 >> 4, (H4 & 15) | (H5 & 15) << 4, H5 >> 4, H6]
    return words + bytes([0, H1]), bytes(rest)


def data(pressure: int, temperature: int, humidity: int) -> bytes:
    """Registers 0xF7 to 0xFE: 20, 20 and 16 bits."""
    words = (pressure << 4).to_bytes(3, "big") + (temperature << 4).to_bytes(3, "big")
    return words + humidity.to_bytes(2, "big")


def fine(temperature: int) -> float:
    """Of a raw temperature, 5120ths of a degree."""
    one = (temperature / 16384 - T1 / 1024) * T2
    two = (temperature / 131072 - T1 / 8192) ** 2 * T3
    return one + two


def celsius(temperature: int) -> float:
    """Degrees of a raw temperature."""
    return fine(temperature) / 5120


def percent(humidity: int, t_fine: float) -> float:
    """Relative humidity of a raw word, not yet held within 0 and 100."""
    x = t_fine - 76800.0
    x = (humidity - (H4 * 64.0 + H5 / 16384.0 * x)) * (
        H2 / 65536.0 * (1.0 + H6 / 67108864.0 * x * (1.0 + H3 / 67108864.0 * x))
    )
    return x * (1.0 - H1 * x / 524288.0)


def pascals(pressure: int, t_fine: float) -> float:
    """Air pressure of a raw word."""
    one = t_fine / 2 - 64000
    two = one * one * P6 / 32768 + one * P5 * 2
    two = two / 4 + P4 * 65536.0
    one = (P3 * one * one / 524288 + P2 * one) / 524288
    one = (1 + one / 32768) * P1
    p = (1048576.0 - pressure - two / 4096) * 6250 / one
    return p + (P9 * p * p / 2147483648 + p * P8 / 32768 + P7) / 16


def nearest(value: float, of: Callable[[int], float], bits: int) -> int:
    """The raw word whose value comes nearest, of a formula that only rises or only falls."""
    low, high = 0, 2**bits - 1
    falls = of(low) > of(high)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if (of(middle) > value) != falls else (middle, high)
    return min((low, high), key=lambda word: abs(of(word) - value))


def words(quantity: str, steps: int) -> tuple[int, int, int]:
    """Raw pressure, temperature and humidity of a reading in steps of one of them."""
    pressure, temperature, humidity = STANDING
    standing = fine(temperature)
    if quantity == "temperature":
        temperature = nearest(steps / 100, celsius, 20)
    elif quantity == "humidity":
        humidity = nearest(steps / 100, lambda word: percent(word, standing), 16)
    else:
        pressure = nearest(steps * 10, lambda word: pascals(word, standing), 20)
    return pressure, temperature, humidity


def begin(wires: Wires) -> None:
    """What it is, and its calibration."""
    first, second = calibration()
    for register, held in ((ID, b"\x60"), (CALIBRATION, first), (MORE_CALIBRATION, second)):
        wires.scenario.i2c_reply(0, wires.address, held, after=register)


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """From now on its registers hold what stands there when nothing was measured."""
    wires.i2c(t_s, DATA, data(*NOT_MEASURED))


def _reply(wires: Wires, steps: int) -> bytes:
    return data(*words(wires.quantity.name, steps))


_asked = AskedOnBus(DATA, _reply, waits="longest_response_ms", turned=())
late_s, reading, silent = _asked.late_s, _asked.reading, _asked.silent
