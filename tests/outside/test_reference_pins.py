"""Board tables beyond AVR, cell by cell, against pin facts that others published.

An adapter turns a reference (tests/outside/reference/ID.json) into cells: for each pin,
by the key that its reference uses, what our table must say.  READ says how our
table says it, BREAK how to make it say something else, so that every cell is
also shown to be looked at.  Cells on which the sources disagree are left out by
the adapter and must be treated as the more dangerous: DANGEROUS.

A board is one entry in BOARDS.  Where PyPI carries the names of a board's pins
(circuitpython-stubs, adafruit-blinka), those are held against the table as well:
STUBS and BLINKA.  Their files are read as text, never run.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

import pytest

from buildkit.model import Board, Hazard, Pin
from buildkit.tables import Tables
from tests.outside import reference_arm

REFERENCE = Path(__file__).parent / "reference"

Cells = dict[tuple[str, str], Any]  # (pin key, kind of cell): what the table must say


@cache
def reference(name: str) -> dict[str, Any]:
    """A file of pin facts, read from published sources."""
    facts: dict[str, Any] = json.loads((REFERENCE / f"{name}.json").read_text(encoding="utf-8"))
    return facts


# --- what our table says --------------------------------------------------------


def _place(board: Board, pin: Pin) -> tuple[str, int] | None:
    """Header name and row from the USB end, 1 first; None when on no header."""
    for header in board.headers:
        for row, label in enumerate(header.labels, 1):
            if label in (pin.label, *pin.aliases):
                return header.name, row
    return None


def _needs(pin: Pin) -> str | None:
    strap = pin.hazard("strap")
    return strap.needs if strap else None


# Kind of cell: how the table says it.
READ: dict[str, Callable[[Board, Pin], Any]] = {
    "number": lambda _, pin: str(pin.number),
    "port": lambda _, pin: pin.port,
    "strap": lambda _, pin: pin.hazard("strap") is not None,
    "needs": lambda _, pin: _needs(pin),
    "flash": lambda _, pin: pin.hazard("flash-bus") is not None,
    "moves": lambda _, pin: pin.hazard("moves-at-reset") is not None,
    "circuit": lambda _, pin: pin.hazard("on-board-circuit") is not None,
    "upload": lambda _, pin: pin.hazard("upload-serial") is not None,
    "input only": lambda _, pin: "digital-out" not in pin.can,
    "pull-up": lambda _, pin: "pull-up" in pin.can,
    "at reset": lambda _, pin: pin.at_reset,
    "adc": lambda _, pin: pin.adc,
    "analog name": lambda _, pin: pin.adc,
    "adc limit": lambda _, pin: pin.adc_limit is not None,
    "interrupt": lambda _, pin: pin.interrupt is not None,
    "interrupt number": lambda _, pin: pin.interrupt,
    "pwm": lambda _, pin: pin.pwm,
    "5 V": lambda board, pin: (pin.max_v or board.figure("pin_max_v")) >= 5.0,
    "place": _place,
    "label": lambda _, pin: pin.label,
    "soft serial": lambda _, pin: pin.soft_rx,
}


def _hazard(kind: str) -> Callable[[Pin], Pin]:
    """Puts a hazard on a pin without it, and takes it from a pin with it."""

    def turn(pin: Pin) -> Pin:
        kept = tuple(h for h in pin.hazards if h.kind != kind)
        return replace(pin, hazards=kept if pin.hazard(kind) else (*kept, Hazard(kind, "test")))

    return turn


def _other_need(pin: Pin) -> Pin:
    kept = tuple(h for h in pin.hazards if h.kind != "strap")
    need = "low" if _needs(pin) == "high" else "high"
    return replace(pin, hazards=(*kept, Hazard("strap", "test", need)))


def _ability(name: str) -> Callable[[Pin], Pin]:
    return lambda pin: replace(pin, can=pin.can ^ {name})


# Kind of cell: a pin that says something else in it.
BREAK: dict[str, Callable[[Pin], Pin]] = {
    "number": lambda pin: replace(pin, number=pin.number + 100),
    "port": lambda pin: replace(pin, port="elsewhere"),
    "strap": _hazard("strap"),
    "needs": _other_need,
    "flash": _hazard("flash-bus"),
    "moves": _hazard("moves-at-reset"),
    "circuit": _hazard("on-board-circuit"),
    "upload": _hazard("upload-serial"),
    "input only": _ability("digital-out"),
    "pull-up": _ability("pull-up"),
    "at reset": lambda pin: replace(pin, at_reset="down" if pin.at_reset == "up" else "up"),
    "adc": lambda pin: replace(pin, adc=None if pin.adc is not None else 0),
    "analog name": lambda pin: replace(pin, adc=None if pin.adc is not None else 0),
    "adc limit": lambda pin: replace(pin, adc_limit=None if pin.adc_limit else "test"),
    "interrupt": lambda pin: replace(pin, interrupt=None if pin.interrupt is not None else 0),
    "interrupt number": lambda pin: replace(pin, interrupt=99),
    "pwm": lambda pin: replace(pin, pwm=None if pin.pwm is not None else "test"),
    "place": lambda pin: replace(pin, label="elsewhere", aliases=()),
    "label": lambda pin: replace(pin, label="elsewhere"),
    "soft serial": lambda pin: replace(pin, soft_rx=not pin.soft_rx),
}


def read(board: Board, pin: Pin, kind: str) -> Any:
    """What the table says in a cell; ``role NAME`` asks whether the pin has that role."""
    if kind.startswith("role "):
        return kind.removeprefix("role ") in pin.roles
    return READ[kind](board, pin)


def broken(board: Board, pin: Pin, kind: str) -> Pin:
    """The pin, saying something else in a cell."""
    if kind == "5 V":
        return replace(pin, max_v=3.6 if read(board, pin, kind) else 5.5)
    if kind.startswith("role "):
        role = kind.removeprefix("role ")
        kept = tuple(r for r in pin.roles if r != role)
        return replace(pin, roles=kept if role in pin.roles else (*kept, role))
    return BREAK[kind](pin)


@dataclass(frozen=True)
class Held:
    """One board and what it is held against.

    ``cells(reference, board)`` gives what the table must say.  ``key`` is how
    the reference names a pin.  ``off_header`` are its pins that no header
    carries, with the reason.  ``order`` names its list of pins along the
    headers, where it has one.  ``dangerous`` are (pin, hazard kind) that the
    table must bear because the sources disagree, leave it open, or differ by
    version of the board.
    """

    reference: str
    cells: Callable[[Mapping[str, Any], Board], Cells]
    key: Callable[[Pin], str] = lambda pin: str(pin.number)
    off_header: Mapping[str, str] = field(default_factory=dict)
    order: str | None = None
    dangerous: tuple[tuple[str, str], ...] = ()


def differences(held: Held, board: Board, cells: Cells) -> list[str]:
    """Cells in which the table and the reference disagree, in words."""
    pins = {held.key(pin): pin for pin in board.pins.values()}
    found = []
    for (key, kind), expected in cells.items():
        says = read(board, pins[key], kind) if key in pins else "no such pin"
        if says != expected:
            found.append(f"pin {key}, {kind}: the table says {says}, the reference {expected}")
    return found


# --- adapters -------------------------------------------------------------------
# Those of the ARM boards stand in reference_arm.py; they need nothing from here.

PULLS = {"none": None, "up": "up", "down": "down", "usb_up": "up", "up_unless_efuse": "up"}

# The reference's name of a role, and ours.  Serial1 of the ESP32 family is in no reference.
ROLES = {
    "TX": "Serial.tx", "RX": "Serial.rx", "SDA": "Wire.sda", "SCL": "Wire.scl",
    "SS": "SPI.ss", "MOSI": "SPI.mosi", "MISO": "SPI.miso", "SCK": "SPI.sck",
}  # fmt: skip
RP2040_ROLES = {
    "Serial1 TX": "Serial1.tx", "Serial1 RX": "Serial1.rx",
    "Serial2 TX": "Serial2.tx", "Serial2 RX": "Serial2.rx",
    **{name: role for name, role in ROLES.items() if name not in ("TX", "RX")},
}  # fmt: skip
LAMPS_AND_BUTTONS = (
    "LED_BUILTIN", "LED_BUILTIN_AUX", "RGB_LED", "RGB_LED_V1_1", "KEY_BUILTIN",
)  # fmt: skip
CONFLICTS = {  # (reference, pin, kind) that two published sources answer differently
    ("esp32-wroom-dev38", "5", "at reset"),
    ("esp32-c3-dev", "8", "at reset"),
}


def role_cells(facts: Mapping[str, Any], keys: Iterable[str], names: Mapping[str, str]) -> Cells:
    """The default pins of the core: who has a role, and that nobody else has it."""
    cells: Cells = {}
    for name, role in names.items():
        owner = str(facts["roles"][name]["pin"])
        cells |= {(key, f"role {role}"): key == owner for key in keys}
    for name, entry in facts["roles"].items():
        key = str(entry["pin"])
        if re.fullmatch(r"A\d+", name) and key in keys:
            cells[key, "analog name"] = int(name[1:])
        if name in LAMPS_AND_BUTTONS and key in keys:
            cells[key, "circuit"] = True
    return cells


def esp_cells(facts: Mapping[str, Any], board: Board, second_adc: int = 10) -> Cells:
    """The ESP32 family.  Its lists of strap, flash, input-only and analog pins are complete,
    so that a pin which is not in them has none of it; channels of ADC2 count from ``second_adc``."""
    keys = [str(pin.number) for pin in board.pins.values()]
    cells = role_cells(facts, keys, ROLES)
    for key in keys:
        fact = facts["pins"][key]
        level = fact.get("strap_level", {}).get("normal_boot")
        cells |= {
            (key, "port"): f"GPIO{key}",
            (key, "strap"): fact.get("strap", False),
            (key, "needs"): level if level in ("high", "low") else None,
            (key, "flash"): fact.get("flash", fact.get("flash_octal_only", False)),
            (key, "input only"): fact.get("input_only", False),
            (key, "pull-up"): fact.get("internal_pull", True),
            (key, "adc"): _channel(fact.get("adc"), second_adc),
            (key, "adc limit"): "adc_limit" in fact,
            (key, "upload"): fact.get("uart_default") in ("UART0 TX", "UART0 RX"),
            (key, "soft serial"): False,  # not among the core's libraries
        }
        pull = fact.get("pull_at_reset", fact.get("pull_after_reset"))
        if pull is not None and (facts["board"], key, "at reset") not in CONFLICTS:
            cells[key, "at reset"] = PULLS[pull]
    return cells


def _channel(name: str | None, second_adc: int) -> int | None:
    """ADC2_CH3 as one number."""
    if name is None:
        return None
    unit, channel = re.fullmatch(r"ADC([12])_CH(\d+)", name).groups()  # type: ignore[union-attr]
    return int(channel) + (second_adc if unit == "2" else 0)


def esp32_cells(facts: Mapping[str, Any], board: Board) -> Cells:
    """ESP32: the third port stands on the pins that the chip gives it."""
    cells = esp_cells(facts, board)
    for pin in board.pins.values():
        uart = facts["pins"][str(pin.number)].get("uart_default")
        cells[str(pin.number), "role Serial2.rx"] = uart == "UART2 RX"
        cells[str(pin.number), "role Serial2.tx"] = uart == "UART2 TX"
    return cells


def esp32_c3_cells(facts: Mapping[str, Any], board: Board) -> Cells:
    """ESP32-C3: five channels on the first converter, so that the second begins with 5."""
    return esp_cells(facts, board, second_adc=5)


# Read beside the reference: github plerup/espsoftwareserial 40038df, SoftwareSerial.h,
# isValidInputPin(); esp8266/Arduino f946290, variants/generic/common.h, digitalPinHasPWM().
SOFT_8266 = {*range(6), *range(12, 16)}
PWM_8266 = {*range(6), *range(12, 17)}


def esp8266_cells(facts: Mapping[str, Any], board: Board) -> Cells:
    """ESP8266: the core's document says of every pin whether it pulls up and interrupts."""
    keys = [str(pin.number) for pin in board.pins.values()]
    cells = role_cells(facts, keys, ROLES)
    for name, entry in facts["roles"].items():
        if re.fullmatch(r"D\d", name) and name not in ("D9",):
            cells[str(entry["pin"]), "label"] = name
    for key in keys:
        fact = facts["pins"].get(key, {})
        level = fact.get("strap_level", {})
        cells |= {
            (key, "strap"): fact.get("strap", False),
            (key, "needs"): level.get("normal_boot"),
            (key, "flash"): fact.get("flash", False),
            (key, "adc"): 0 if key == str(facts["roles"]["A0"]["pin"]) else None,
            (key, "adc limit"): key == str(facts["roles"]["A0"]["pin"]),
            (key, "pull-up"): fact.get("pullup_available", False),
            (key, "interrupt number"): int(key) if fact.get("interrupt") else None,
            (key, "upload"): fact.get("uart_default", "").startswith("UART0"),
            (key, "soft serial"): int(key) in SOFT_8266,
            (key, "pwm"): "software" if int(key) in PWM_8266 else None,
        }
        pull = level.get("external_pull", level.get("internal_pull"))
        if pull is not None:
            cells[key, "at reset"] = pull
    return cells


def rp2040_cells(facts: Mapping[str, Any], board: Board) -> Cells:
    """RP2040: every pin alike, with its PWM slice and its place along the headers."""
    keys = [str(pin.number) for pin in board.pins.values()]
    cells = role_cells(facts, keys, RP2040_ROLES)
    for key in keys:
        fact = facts["pins"][key]
        cells |= {
            (key, "port"): fact["port"],
            (key, "number"): fact["core_number"],
            (key, "pwm"): fact["pwm"],
            (key, "adc"): fact.get("adc_channel"),
            (key, "interrupt"): "interrupt" in fact,
            # raspberrypi/pico-sdk a1438df, pads_bank0.h, GPIO0_PDE_RESET and the rest, all 1
            (key, "at reset"): "down",
            # earlephilhower/arduino-pico 387294c, SerialPIO.cpp: any pin of the chip
            (key, "soft serial"): True,
            (key, "place"): (fact["header"]["side"], fact["header"]["row_from_usb"]),
        }
    return cells


MEMORY_BUS = "goes to the program memory"
BOARDS: dict[str, Held] = {
    "esp8266-12e-dev": Held(
        "esp8266-12e-dev",
        esp8266_cells,
        dangerous=(("2", "moves-at-reset"), *((str(n), "flash-bus") for n in (9, 10, 11))),
    ),
    "esp32-wroom-dev38": Held(
        "esp32-wroom-dev38",
        esp32_cells,
        off_header={"37": "inside the module", "38": "inside the module"},
        order="DevKitC V4 (2x19)",
        dangerous=(("5", "moves-at-reset"),),
    ),
    "esp32-wroom-dev30": Held(
        "esp32-wroom-dev38",
        esp32_cells,
        off_header={
            "37": "inside the module", "38": "inside the module", "0": "only at the BOOT button",
            **{str(n): MEMORY_BUS for n in range(6, 12)},
        },
        dangerous=(("5", "moves-at-reset"),),
    ),
    "esp32-c3-dev": Held(
        "esp32-c3-dev",
        esp32_c3_cells,
        off_header={
            "11": "feeds the program memory", **{str(n): MEMORY_BUS for n in range(12, 18)},
        },
        order="DevKitM-1",
        dangerous=(("8", "strap"), ("18", "moves-at-reset"), ("19", "moves-at-reset")),
    ),
    "esp32-s3-dev": Held(
        "esp32-s3-dev",
        esp_cells,
        off_header={str(n): MEMORY_BUS for n in range(26, 35)},
        order="DevKitC-1 v1.1",
        dangerous=(
            ("38", "on-board-circuit"), ("48", "on-board-circuit"), ("3", "strap"),
            ("19", "on-board-circuit"), ("20", "on-board-circuit"),
            *((str(n), "flash-bus") for n in (35, 36, 37)),
        ),
    ),
    "rp2040-stick": Held(
        "rp2040-stick",
        rp2040_cells,
        off_header={
            "23": "sets the mode of the regulator", "24": "senses USB", "25": "the LED",
            "29": "measures VSYS",
        },
    ),
    "samd21-3v3": Held(
        "samd21-3v3",
        reference_arm.samd21_cells,
        off_header={
            **{str(n): "on the board only" for n in (*range(25, 38), *range(39, 42), 44, 45)},
            "38": "the header's ATN, which goes to the debug chip; its PWM is disputed",
            "42": "the header's AREF", "43": "a second number of A0",
        },
    ),
    "stm32f103-stick": Held(
        "stm32f103-stick",
        reference_arm.stm32_cells,
        key=lambda pin: pin.port,
        off_header={
            "PA11": "USB carries the log", "PA12": "USB carries the log", "PB2": "a jumper",
            "PA13": "the debug port", "PA14": "the debug port",
        },
    ),
    "ra4m1-5v": Held(
        "ra4m1-5v",
        reference_arm.ra4m1_cells,
        off_header={
            "20": "measures the supply", "21": "an LED", "22": "an LED",
            **{str(n): "the debug connector" for n in range(23, 27)},
        },
    ),
}  # fmt: skip


# --- the comparison, and that it sees every cell ---------------------------------


def held_and_cells(board_id: str) -> tuple[Held, Board, Cells]:
    """What a board is held against."""
    held, board = BOARDS[board_id], Tables().board(board_id)
    return held, board, held.cells(reference(held.reference), board)


@pytest.mark.parametrize("board_id", BOARDS)
def test_table_agrees(board_id: str) -> None:
    assert differences(*held_and_cells(board_id)) == []


@pytest.mark.parametrize("board_id", BOARDS)
def test_every_cell_is_seen_when_broken(board_id: str) -> None:
    held, board, cells = held_and_cells(board_id)
    labels = {held.key(pin): pin.label for pin in board.pins.values()}
    unseen = []
    for key, kind in cells:
        pins = dict(board.pins)
        pins[labels[key]] = broken(board, pins[labels[key]], kind)
        wrong = differences(held, replace(board, pins=pins), cells)
        if not any(f", {kind}: " in one or "no such pin" in one for one in wrong):
            unseen.append((key, kind))
    assert unseen == []


@pytest.mark.parametrize("board_id", BOARDS)
def test_each_pin_is_held_or_off_the_header(board_id: str) -> None:
    held, board, cells = held_and_cells(board_id)
    ours = {held.key(pin) for pin in board.pins.values()}
    assert {key for key, _ in cells} == ours
    assert set(reference(held.reference)["pins"]) - ours == set(held.off_header)


def order_along_headers(board: Board) -> list[int]:
    """Pin numbers in the order of the headers."""
    places = [board.pin(label) for header in board.headers for label in header.labels]
    return [pin.number for pin in places if pin is not None]


@pytest.mark.parametrize("board_id", [b for b, held in BOARDS.items() if held.order])
def test_header_order(board_id: str) -> None:
    held, board, _ = held_and_cells(board_id)
    drawn = reference(held.reference)["header_gpios"][held.order]["gpios"]
    assert order_along_headers(board) == drawn


@pytest.mark.parametrize(
    ("board_id", "key", "kind"),
    [(board_id, *cell) for board_id, held in BOARDS.items() for cell in held.dangerous],
)
def test_the_more_dangerous_is_taken(board_id: str, key: str, kind: str) -> None:
    held, board = BOARDS[board_id], Tables().board(board_id)
    pin = next(pin for pin in board.pins.values() if held.key(pin) == key)
    assert pin.hazard(kind) is not None


# --- names of the pins, as packages on PyPI give them ----------------------------

NAMED_CIRCUITS = {"LED", "NEOPIXEL", "BUTTON", "BOOT0"}
BUS_NAMES = {"SDA", "SCL", "SCK", "MOSI", "MISO"}

# Our board: its file in circuitpython-stubs, and names there that mean something else.
STUBS: dict[str, tuple[str, dict[str, str]]] = {
    "esp32-wroom-dev38": ("espressif_esp32_devkitc_v4_wroom_32e", {}),
    "esp32-wroom-dev30": (
        "doit_esp32_devkit_v1",
        {
            "RX0": "names pin 1; the chip receives on 3 (two other sources, and the 38-pin stub)",
            "TX0": "names pin 3; the chip sends on 1 (two other sources, and the 38-pin stub)",
            "RX": "the second port of that system", "TX": "the second port of that system",
            "D1": "not printed", "D3": "not printed", "D16": "not printed", "D17": "not printed",
        },
    ),
    "esp32-c3-dev": (
        "espressif_esp32c3_devkitm_1_n4",
        dict.fromkeys(("MTMS", "MTDI", "MTCK", "MTDO"), "not printed"),
    ),
    "esp32-s3-dev": ("espressif_esp32s3_devkitc_1_n8", {}),
    "rp2040-stick": (
        "raspberry_pi_pico",
        {
            **{f"GP{n}": "on no header" for n in (23, 24, 25)},
            **dict.fromkeys(("LED", "SMPS_MODE", "VBUS_SENSE"), "on no header"),
            **dict.fromkeys(("A3", "VOLTAGE_MONITOR"), "on no header"),
            **{f"GP{n}_A{n - 26}": "two names in one" for n in (26, 27, 28)},
        },
    ),
}  # fmt: skip


def _file_of(package: str, name: str) -> str:
    """A file of an installed package, as text."""
    return Path(str(metadata.distribution(package).locate_file(name))).read_text(encoding="utf-8")


@cache
def stub_names(board: str) -> dict[str, int]:
    """Pin names of a board and their GPIO, from its stub."""
    text = _file_of("circuitpython-stubs", f"board_definitions/{board}/__init__.pyi")
    found = re.findall(r"^(\w+): microcontroller\.Pin  # GPIO(\d+)$", text, re.MULTILINE)
    return {name: int(number) for name, number in found}


@cache
def blinka_names() -> dict[str, int]:
    """Pin names of the ESP8266 carrier and their GPIO, from blinka's board file."""
    text = _file_of("adafruit-blinka", "adafruit_blinka/board/nodemcu.py")
    names: dict[str, int] = {}
    for name, pin in re.findall(r"^(\w+) = (?:pin\.)?(\w+)$", text, re.MULTILINE):
        number = re.fullmatch(r"GPIO(\d+)", pin)
        names[name] = int(number.group(1)) if number else names[pin]
    return names


def name_differences(board: Board, names: Mapping[str, int], other: Iterable[str]) -> list[str]:
    """Names that lead to another pin here, and pins here that nobody names."""
    by_number = {pin.number: pin for pin in board.pins.values()}
    codes = {pin.code: pin for pin in board.pins.values()}
    found, named = [], set()
    for name, number in names.items():
        if name in other:
            continue
        pin = board.pin(name) or codes.get(name)
        if name in NAMED_CIRCUITS:
            here = by_number.get(number)
            if here is not None and here.hazard("on-board-circuit") is None:
                found.append(f"{name} hangs on {number}, and the table does not warn")
        elif name in BUS_NAMES:
            role = next(r for r in ROLES.values() if r.split(".")[1] == name.lower())
            if number not in by_number or role not in by_number[number].roles:
                found.append(f"{name} is {number}, and not so in the table")
        elif pin is None or pin.number != number:
            found.append(f"{name} is {number} there and {pin.number if pin else 'nothing'} here")
        else:
            named.add(number)
    return found + [f"{number} is named by nobody" for number in by_number.keys() - named]


@pytest.mark.parametrize("board_id", STUBS)
def test_names_agree_with_stubs(board_id: str) -> None:
    stub, other = STUBS[board_id]
    board, names = Tables().board(board_id), stub_names(stub)
    unnamed = {"esp32-wroom-dev30": ["1 is named by nobody", "3 is named by nobody"]}
    assert name_differences(board, names, other) == unnamed.get(board_id, [])
    assert set(other) <= set(names)


def test_header_order_of_the_30_pin_carrier() -> None:
    """Its stub names the pins along the headers: up the right side, then up the left."""
    board = Tables().board("esp32-wroom-dev30")
    left, right = (
        [label for label in reversed(header.labels) if board.pin(label)] for header in board.headers
    )
    drawn = list(stub_names("doit_esp32_devkit_v1"))
    assert [*right, *left] == drawn[: len(board.pins)]


def test_names_agree_with_blinka() -> None:
    """Its CLK is the SPI clock; the table's CLK is the clock of the program memory."""
    board, names = Tables().board("esp8266-12e-dev"), blinka_names()
    assert board.role_pin("SPI.sck") == board.pins["D5"]
    assert names["CLK"] == board.pins["D5"].number
    unnamed = {f"{number} is named by nobody" for number in (*range(6, 12), 17)}
    assert set(name_differences(board, names, ("CLK", "TX1", "RX0", "TX0"))) == unnamed


@pytest.mark.parametrize("board_id", [*STUBS, "esp8266-12e-dev"])
def test_every_wrong_number_is_seen_by_name(board_id: str) -> None:
    board = Tables().board(board_id)
    stub, other = STUBS.get(board_id, ("", {"CLK": "", "TX1": "", "RX0": "", "TX0": ""}))
    names = stub_names(stub) if stub else blinka_names()
    told = {name: number for name, number in names.items() if name not in other}
    held = [pin for pin in board.pins.values() if pin.number in told.values()]
    assert len(held) > 10
    for pin in held:
        moved = replace(pin, number=pin.number + 100)
        wrong = name_differences(replace(board, pins={**board.pins, pin.label: moved}), told, ())
        assert any(f"is {pin.number} there and {moved.number} here" in one for one in wrong)
