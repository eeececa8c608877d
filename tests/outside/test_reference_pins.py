"""Board tables beyond AVR, cell by cell, against pin facts that others published.

An adapter turns a reference (tests/outside/reference/ID.json) into cells: for each pin,
by the key that its reference uses, what our table must say.  READ says how our
table says it, BREAK how to make it say something else, so that every cell is
also shown to be looked at.  Cells on which the sources disagree are left out by
the adapter and must be treated as the more dangerous: DANGEROUS.

A board is one entry in BOARDS.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from buildkit.model import Board, Hazard, Pin
from buildkit.tables import ALL_ABILITIES, Tables

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
    "adc limit": lambda _, pin: pin.adc_limit is not None,
    "interrupt": lambda _, pin: pin.interrupt is not None,
    "interrupt number": lambda _, pin: pin.interrupt,
    "pwm": lambda _, pin: pin.pwm,
    "roles": lambda _, pin: frozenset(pin.roles),
    "5 V": lambda board, pin: (pin.max_v or board.figure("pin_max_v")) >= 5.0,
    "place": _place,
    "code": lambda _, pin: pin.code,
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
    "adc limit": lambda pin: replace(pin, adc_limit=None if pin.adc_limit else "test"),
    "interrupt": lambda pin: replace(pin, interrupt=None if pin.interrupt is not None else 0),
    "interrupt number": lambda pin: replace(pin, interrupt=99),
    "pwm": lambda pin: replace(pin, pwm=None if pin.pwm is not None else "test"),
    "roles": lambda pin: replace(pin, roles=pin.roles[1:] or ("Test.rx",)),
    "5 V": lambda pin: replace(pin, max_v=3.6 if (pin.max_v or 0) >= 5.0 else 5.5),
    "place": lambda pin: replace(pin, label="elsewhere", aliases=()),
    "code": lambda pin: replace(pin, code="ELSEWHERE"),
}


@dataclass(frozen=True)
class Held:
    """One board and what it is held against.

    ``cells(reference, board)`` gives what the table must say.  ``key`` is how
    the reference names a pin.  ``off_header`` are its pins that no header
    carries, with the reason.  ``dangerous`` are (pin, hazard kind) that the
    table must bear because the sources disagree or leave it open.
    """

    reference: str
    cells: Callable[[Mapping[str, Any], Board], Cells]
    key: Callable[[Pin], str] = lambda pin: str(pin.number)
    off_header: Mapping[str, str] | None = None
    dangerous: tuple[tuple[str, str], ...] = ()


def differences(held: Held, board: Board, cells: Cells) -> list[str]:
    """Cells in which the table and the reference disagree, in words."""
    pins = {held.key(pin): pin for pin in board.pins.values()}
    found = []
    for (key, kind), expected in cells.items():
        says = READ[kind](board, pins[key]) if key in pins else "no such pin"
        if says != expected:
            found.append(f"pin {key}, {kind}: the table says {says}, the reference {expected}")
    return found


# --- adapters -------------------------------------------------------------------

# (the adapters of the ARM boards stand in reference_arm.py)

BOARDS: dict[str, Held] = {}
