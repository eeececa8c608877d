"""Adapters of the ARM boards for test_reference_pins: references to cells of our tables.

The facts are those of tests/outside/reference/.  What a cell means where the
core and the chip differ is said at its adapter.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

from buildkit.model import Board

Cells = dict[tuple[str, str], Any]

# The reference's name of a role, and ours.
BUSES = {
    "SDA": "Wire.sda", "SCL": "Wire.scl", "MOSI": "SPI.mosi", "MISO": "SPI.miso", "SCK": "SPI.sck",
}  # fmt: skip
PORTS = {"TX": "Serial1.tx", "RX": "Serial1.rx"}
SELECT = {"SS": "SPI.ss"}

# Pins that the debug port of the chip holds until the sketch starts.  STM32: the reference's
# after_reset; RA4M1: maker's SVD in the same core, reset values of P109PFS and P110PFS.
RA4M1_DEBUG = {"11": None, "12": "up"}
STM32_DEBUG = {"JTDI": "up", "JNTRST": "up", "JTDO": None}


def _roles(facts: Mapping[str, Any], keys: Iterable[str], names: Mapping[str, str]) -> Cells:
    """For each role the pin that has it, and that no other pin has it."""
    return {
        (key, f"role {role}"): key == str(facts["roles"][name]["pin"])
        for name, role in names.items()
        for key in keys
    }


def _led(facts: Mapping[str, Any], keys: Iterable[str]) -> Cells:
    led = str(facts["roles"]["LED_BUILTIN"]["pin"])
    return {(key, "circuit"): key == led for key in keys}


def _line(name: str | None, prefix: str) -> int | None:
    """The 5 of EXTINT5; None for none and for a name of another kind, such as NMI."""
    found = re.fullmatch(rf"{prefix}(\d+)", name or "")
    return int(found[1]) if found else None


@cache
def stub_labels() -> dict[str, str]:
    """Port pin to printed label, by the board stub of another project (PyPI, circuitpython-stubs)."""
    stub = metadata.distribution("circuitpython-stubs").locate_file(
        "board_definitions/arduino_zero/__init__.pyi"
    )
    text = Path(str(stub)).read_text(encoding="utf-8")
    named = re.findall(r"^(\w+): microcontroller\.Pin  # (P[AB]\d\d)$", text, re.MULTILINE)
    second = {"RX", "TX", "LED"}  # further names of D0, D1 and D13
    return {port: re.sub(r"^D(?=\d)", "", name) for name, port in named if name not in second}


def samd21_cells(facts: Mapping[str, Any], board: Board) -> Cells:
    """SAMD21: what the core assigns; NMI is no interrupt, as attachInterrupt refuses it.

    The label of each pin comes from the board stub, found by the reference's port.
    """
    keys = [str(pin.number) for pin in board.pins.values()]
    cells = _roles(facts, keys, BUSES | PORTS) | _led(facts, keys)
    for key in keys:
        fact = facts["pins"][key]
        cells |= {
            (key, "port"): fact["port"],
            (key, "label"): stub_labels().get(fact["port"]),
            (key, "adc"): fact.get("adc_channel"),
            (key, "pwm"): fact.get("pwm"),
            (key, "interrupt number"): _line(fact.get("interrupt"), "EXTINT"),
            (key, "5 V"): facts["electrical"]["io_voltage_v"]["value"] >= 5,
        }
    return cells


def stm32_cells(facts: Mapping[str, Any], board: Board) -> Cells:
    """STM32F103, by port: the crystal's pins count as an on-board circuit beside the LED."""
    keys = [pin.port for pin in board.pins.values()]
    cells = _roles(facts, keys, BUSES | PORTS | SELECT) | _led(facts, keys)
    cells |= {(key, "circuit"): True for key in ("PC14", "PC15")}
    for key in keys:
        fact = facts["pins"][key]
        held = fact["after_reset"] in STM32_DEBUG
        cells |= {
            (key, "number"): fact["core_number"],
            (key, "label"): fact["printed"],
            (key, "adc"): fact.get("adc_channel"),
            (key, "pwm"): fact.get("pwm"),
            (key, "interrupt number"): _line(fact["interrupt"], "EXTI"),
            (key, "5 V"): fact["five_volt_tolerant"],
            (key, "place"): (fact["header"]["side"], fact["header"]["row_from_usb"]),
            (key, "moves"): held,
            (key, "at reset"): STM32_DEBUG[fact["after_reset"]] if held else None,
        }
    return cells


def ra4m1_cells(facts: Mapping[str, Any], board: Board) -> Cells:
    """RA4M1: a converter channel counts where analogRead() reaches it, on A0 to A5 only."""
    keys = [str(pin.number) for pin in board.pins.values()]
    cells = _roles(facts, keys, BUSES | PORTS | SELECT) | _led(facts, keys)
    moving = {*RA4M1_DEBUG, str(facts["roles"]["LED_BUILTIN"]["pin"])}
    for key in keys:
        fact = facts["pins"][key]
        label = fact["printed"].removeprefix("D")
        cells |= {
            (key, "port"): fact["port"],
            (key, "label"): label,
            (key, "adc"): fact["adc_channel"] if label in facts["roles"] else None,
            (key, "pwm"): fact.get("pwm"),
            (key, "interrupt number"): _line(fact.get("interrupt"), "IRQ"),
            (key, "moves"): key in moving,
            (key, "at reset"): RA4M1_DEBUG.get(key),
        }
    return cells
