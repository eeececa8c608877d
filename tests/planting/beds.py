"""Beds for the planters: every valid build on every board that fits it.

Which boards fit is said here by hand, from the facts of the parts, and not
asked of the check: an error on such a pair is a false one.
"""

from __future__ import annotations

import copy
import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import cache, cached_property
from pathlib import Path
from typing import Any

from buildkit import buildfile, document, rules, seating
from buildkit.circuit import Circuit, Wire
from buildkit.model import Board, Build, Finding, Pin, Refused, Use
from buildkit.places import data_dir
from buildkit.tables import Tables
from tests.planting import paper

HERE = Path(__file__).parent
EXTRA = HERE / "tables"  # invented parts, for what no table of ours has yet

# Pins of 5 V that give 10 mA and more: what a class solid-state relay and a 5 V relay module want.
FIVE_VOLTS = (
    "atmega328p-5v", "atmega328p-5v-stick", "atmega32u4-5v", "atmega32u4-5v-stick", "atmega2560-5v",
)  # fmt: skip
THREE_VOLTS = (
    "atmega328p-3v3-stick", "esp32-c3-dev", "esp32-s3-dev", "esp32-wroom-dev30",
    "esp32-wroom-dev38", "esp8266-12e-dev", "rp2040-stick", "samd21-3v3", "stm32f103-stick",
)  # fmt: skip
SEES_3V3 = (*FIVE_VOLTS, *THREE_VOLTS)  # a high of 3.3 V is one on all but the next
EVERY = (*SEES_3V3, "ra4m1-5v")
# A hardware port for each of two sensors, or one and software serial, which only these cores have.
TWO_SERIALS = (
    "atmega32u4-5v", "atmega32u4-5v-stick", "atmega2560-5v", "esp32-wroom-dev30",
    "esp32-wroom-dev38", "rp2040-stick", "stm32f103-stick",
)  # fmt: skip
# A rail of 3.3 V that feeds a display of 30 mA, or a sensor of 205 mA.
FEEDS_30_MA = tuple(board for board in SEES_3V3 if board != "atmega328p-5v-stick")
FEEDS_205_MA = (
    "esp32-c3-dev",
    "esp32-s3-dev",
    "esp32-wroom-dev30",
    "esp32-wroom-dev38",
    "samd21-3v3",
)
FITS = {
    "kitchen-hood": FIVE_VOLTS,
    "plant-shelf": EVERY,
    "reed-room": FIVE_VOLTS,
    "seedling-mat": FIVE_VOLTS,
    "attic-fan": EVERY,
    "class-room": FEEDS_205_MA,
    "drip-line": FIVE_VOLTS,
    "dust-log": SEES_3V3,
    "frost-guard": EVERY,
    "glaze-kiln": ("atmega328p-5v", "atmega2560-5v"),  # 12 mA at 4 V: 20 mA pins on a firm 5 V
    "hall-light": FIVE_VOLTS,
    "museum-case": FEEDS_30_MA,
    "porch-fan": FIVE_VOLTS,
    "seed-tray": EVERY,
    "show-case": FIVE_VOLTS,
    "tank-room": FIVE_VOLTS,
    "two-rooms": TWO_SERIALS,
}

Tree = dict[str, Any]


def base_paths() -> list[Path]:
    """Every valid build that faults are planted in."""
    return [
        *sorted(Path(data_dir("examples")).glob("*.yaml")),
        *sorted((HERE / "bases").glob("*.yaml")),
    ]


def findings(text: str | bytes, extra: Path | None = None) -> tuple[list[Finding], Circuit | None]:
    """What the check says of a text, and its circuit when it could be read."""
    raw = text.encode() if isinstance(text, str) else text
    try:
        build = buildfile.from_tree(document.parse(raw, "planted.yaml"), _tables(extra))
    except Refused as refused:
        return rules.in_order(rules.finding(fault) for fault in refused.faults), None
    circuit = seating.seat(build)
    return rules.run(circuit), circuit


@cache
def _tables(extra: Path | None) -> Tables:
    return Tables(extra)


@dataclass(frozen=True)
class Bed:
    """One valid build on one board, its wires left open or all written in."""

    base: str
    form: str  # open | pinned
    tree: Tree
    circuit: Circuit
    found: tuple[Finding, ...]

    @property
    def build(self) -> Build:
        return self.circuit.build

    @property
    def board(self) -> Board:
        return self.circuit.board

    @cached_property
    def told(self) -> frozenset[tuple[str, str]]:
        """Rule and path of what the untouched build is told already: notes and warnings."""
        return frozenset((finding.rule, finding.at.path) for finding in self.found)

    def copy(self) -> Tree:
        """The tree, to be spoilt."""
        return copy.deepcopy(self.tree)

    # --- asking ---

    def uses(self, **wanted: str) -> list[Use]:
        """The parts with these facts: ``part``, ``section``, ``talks``; what sits in a wire left out."""
        return [
            use
            for use in self.build.uses()
            if use.section != "between"
            and {"part": use.part.id, "section": use.section, "talks": use.part.talks}.items()
            >= wanted.items()
        ]

    def wires(self, kind: str) -> list[Wire]:
        """The wires of parts to terminals of that kind, and not of what sits in a wire."""
        return [
            wire
            for wire in self.circuit.wires
            if wire.terminal.kind == kind and wire.use.section != "between"
        ]

    def pin(self, use: Use, terminal: str) -> Pin | None:
        """The pin that a terminal has in the untouched build."""
        wire = self.circuit.wire(use, terminal)
        return wire.pin if wire is not None else None

    def taken(self) -> set[str]:
        """Labels of pins that the untouched build uses, the bus included."""
        bus = (self.board.role_pin(f"Wire.{line}") for line in ("sda", "scl"))
        return set(self.circuit.by_pin()) | {pin.label for pin in bus if pin is not None}

    def free(self, able: Callable[[Pin], bool] = lambda _: True) -> list[Pin]:
        """Free pins without hazards that are ``able``."""
        taken = self.taken()
        return [
            pin
            for pin in self.board.pins.values()
            if pin.label not in taken and not pin.hazards and pin.at_reset is None and able(pin)
        ]

    def hazardous(self, kind: str) -> list[Pin]:
        """Free pins with that hazard."""
        taken = self.taken()
        return [p for p in self.board.pins.values() if p.hazard(kind) and p.label not in taken]

    def rail_label(self, name: str) -> str:
        """A header label on a rail."""
        return self.board.rails[name].labels[0]


def section_of(use: Use) -> str:
    return f"{use.section}.{use.name}"


def wire(tree: Tree, use: Use, terminal: str, label: str) -> str:
    """Write a wire into the tree; its path."""
    tree[use.section][use.name].setdefault("wires", {})[terminal] = label
    return f"{section_of(use)}.wires.{terminal}"


def unwire(tree: Tree, use: Use) -> None:
    tree[use.section][use.name].pop("wires", None)


def wire_path(tree: Tree, use: Use, terminal: str) -> str:
    """Where a fault of a terminal is to be told: at its wire, or at the part when none is written."""
    wires = tree[use.section][use.name].get("wires", {})
    return f"{section_of(use)}.wires.{terminal}" if terminal in wires else section_of(use)


def own(tree: Tree, use: Use, **figures: float) -> str:
    """Write own figures; the path of the part, where faults of them are told."""
    tree[use.section][use.name].setdefault("own_figures", {}).update(figures)
    return section_of(use)


def name_like(tree: Tree, word: str) -> str:
    """A name that is not in the build."""
    used = {
        name
        for section in ("probes", "loads", "displays", "alarms", "hands")
        for name in tree.get(section, {})
    }
    return next(n for n in (word, *(f"{word}_{i}" for i in range(2, 400))) if n not in used)


def add(tree: Tree, section: str, word: str, entry: Tree) -> str:
    """Put a part into the build under a new name; its path.  A load gets its control entry."""
    name = name_like(tree, word)
    tree.setdefault(section, {})[name] = entry
    return f"{section}.{name}"


@cache
def beds() -> tuple[Bed, ...]:
    """Every base on every board that fits it, open and pinned, its handwriting kept plain."""
    return tuple(bed for path in base_paths() for bed in _on_boards(path))


def _on_boards(path: Path) -> Iterator[Bed]:
    tree: Tree = document.parse(path.read_bytes(), path.name).plain()
    for section in ("probes", "loads", "displays", "alarms", "hands"):
        for entry in tree.get(section, {}).values():
            entry.pop("wires", None)
    for board_id in FITS[path.stem]:
        opened = copy.deepcopy(tree) | {"board": board_id}
        bed = _bed(path.stem, "open", opened)
        pinned = copy.deepcopy(opened)
        for each in (*bed.wires("supply"), *bed.wires("ground"), *bed.wires("signal")):
            wire(pinned, each.use, each.terminal.name, each.label)
        yield bed
        yield _bed(path.stem, "pinned", pinned)


def _bed(base: str, form: str, tree: Tree) -> Bed:
    found, circuit = findings(paper.write(tree, random.Random(0)).text)
    if circuit is None:
        raise AssertionError(f"{base} on {tree['board']} cannot be read: {found[0]}")
    return Bed(base, form, tree, circuit, tuple(found))


def untouched() -> Iterator[tuple[str, list[Finding]]]:
    """Every valid build and board, as the file has it, open, pinned and in other handwriting."""
    for path in base_paths():
        text = path.read_text(encoding="utf-8")
        yield f"{path.stem} as it stands", findings(text)[0]
        for board_id in FITS[path.stem]:
            moved = re.sub(r"(?m)^board: .*$", f"board: {board_id}", text)
            moved = re.sub(r"(?m)^ +wires: .*\n", "", moved)
            yield f"{path.stem} on {board_id}", findings(moved)[0]
    for bed in beds():
        for seed in range(3):
            page = paper.write(bed.tree, random.Random(seed))
            yield f"{bed.base} on {bed.board.id}, {bed.form}, hand {seed}", findings(page.text)[0]
