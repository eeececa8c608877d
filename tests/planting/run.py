"""Planting, checking, and the table of what was caught."""

from __future__ import annotations

import importlib
import random
import zlib
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from buildkit import rules
from tests.planting import paper
from tests.planting.beds import Bed, beds, findings, untouched
from tests.planting.garden import PLANTERS, Plant, Planter

FAMILIES = ("doc", "pin", "bus", "level", "power", "load", "time", "control", "show", "memory")
TRIES = 40  # throws of the dice for one fault before a bed is given up

# Rules whose faults are slow to check, and how many are enough: huge files.
COSTLY = {"memory.flash": 24}

# Rules for which no fault can be planted, and why.
NOT_PLANTED: dict[str, str] = {}


@dataclass(frozen=True, slots=True)
class Miss:
    """A fault that was not told as it should have been."""

    rule: str
    planter: str
    where: str
    lines: tuple[int, ...]
    told: tuple[tuple[str, int], ...]
    text: str


@dataclass
class Row:
    """What became of the faults of one rule."""

    rule: str
    planted: int = 0
    boards: set[str] = field(default_factory=set)
    misses: list[Miss] = field(default_factory=list)


@dataclass
class Harvest:
    """Everything that a run found."""

    rows: dict[str, Row]
    untouched: int = 0
    false_errors: list[tuple[str, str]] = field(default_factory=list)

    @property
    def planted(self) -> int:
        return sum(row.planted for row in self.rows.values())

    @property
    def missed(self) -> list[Miss]:
        return [miss for row in self.rows.values() for miss in row.misses]


def load_planters() -> dict[str, list[Planter]]:
    """Every planter, the files of all families read."""
    for family in FAMILIES:
        for path in sorted(Path(__file__).parent.glob(f"{family}*_faults.py")):
            importlib.import_module(f"tests.planting.{path.stem}")
    return PLANTERS


def grow(count: int, seed: int, only: str = "") -> Harvest:
    """At least ``count`` faults over all rules, evenly, and every untouched build."""
    planters = load_planters()
    chosen = [rule for rule in sorted(planters) if rule.startswith(only)]
    harvest = Harvest({rule: Row(rule) for rule in chosen})
    for rule, each in shares(chosen, count).items():
        for plant, bed, planter in faults(rule, each, seed):
            row = harvest.rows[rule]
            row.planted += 1
            row.boards.add(bed.board.id)
            missed = told_at(rule, plant, bed, planter, f"{seed} {rule} {row.planted}")
            if missed is not None:
                row.misses.append(missed)
    for where, found in untouched():
        harvest.untouched += 1
        harvest.false_errors += [
            (where, f"{f.rule} @ {f.at.line}: {f.message}") for f in found if f.severity == "error"
        ]
    return harvest


def shares(chosen: list[str], count: int) -> dict[str, int]:
    """How many faults of each rule: alike, but for the costly ones."""
    costly = {
        rule: COSTLY[rule]
        for rule in chosen
        if rule in COSTLY and COSTLY[rule] * len(chosen) < count
    }
    others = len(chosen) - len(costly)
    each = -(-(count - sum(costly.values())) // max(1, others))
    return {rule: costly.get(rule, each) for rule in chosen}


def faults(rule: str, count: int, seed: int) -> Iterator[tuple[Plant, Bed, Planter]]:
    """Up to ``count`` faults of one rule: one of each planter in turn, each over the beds in its own order."""
    dice = random.Random(seed ^ zlib.crc32(rule.encode()))
    crops = [
        _crop(rule, planter, random.Random(dice.random())) for planter in load_planters()[rule]
    ]
    for _ in range(count):
        while crops:
            crop = crops.pop(0)
            made = next(crop, None)
            if made is not None:
                crops.append(crop)
                yield made
                break


def _crop(rule: str, planter: Planter, dice: random.Random) -> Iterator[tuple[Plant, Bed, Planter]]:
    """Faults by one planter, round after round over the beds that bear them."""
    order = list(beds())
    dice.shuffle(order)
    while order:
        fertile = []
        for bed in order:
            plant = _first(rule, planter, bed, dice)
            if plant is not None:
                fertile.append(bed)
                yield plant, bed, planter
        order = fertile


def _first(rule: str, planter: Planter, bed: Bed, dice: random.Random) -> Plant | None:
    for _ in range(TRIES if _picky(planter) else 3):
        plant = planter(bed, dice)
        if plant is not None:
            # What the untouched build is told at this place already proves nothing.
            return None if any((rule, path) in bed.told for path in plant.paths) else plant
    return None


def _picky(planter: Planter) -> bool:
    return planter.__module__.endswith("doc_faults")


def told_at(rule: str, plant: Plant, bed: Bed, planter: Planter, hand: str) -> Miss | None:
    """None when the check names the rule at every line of the fault; ``hand`` seeds the handwriting."""
    if plant.text is None:
        page = paper.write(plant.tree, random.Random(hand))
        text, lines = page.text, tuple(page.line[path] for path in plant.paths)
        found, _ = findings(text, plant.extra)
    else:
        raw, lines = plant.text, (plant.line,)
        found, _ = findings(raw)
        text = raw if isinstance(raw, str) else raw.decode("latin-1")
    told = {(finding.rule, finding.at.line) for finding in found}
    if {(rule, line) for line in lines} <= told:
        return None
    where = f"{bed.base} on {bed.board.id}, {bed.form}"
    return Miss(rule, planter.__name__, where, lines, tuple(sorted(told)), text)


def table(harvest: Harvest, markdown: bool) -> str:
    """Rows of rule, severity, planters, boards, planted, caught, missed; and the sums."""
    heads = ("rule", "severity", "ways", "boards", "planted", "caught", "missed")
    catalogue = rules.catalogue()
    body = [
        (
            name,
            catalogue[name].severity,
            str(len(PLANTERS[name])),
            str(len(row.boards)),
            str(row.planted),
            str(row.planted - len(row.misses)),
            str(len(row.misses)),
        )
        for name, row in harvest.rows.items()
    ]
    planted, missed = harvest.planted, len(harvest.missed)
    share = 100 * (planted - missed) / planted if planted else 0.0
    summary = (
        f"{planted} faults of {len(body)} rules planted, {planted - missed} caught with the right rule "
        f"and line ({share:.2f} %), {missed} missed; {harvest.untouched} untouched builds, "
        f"{len(harvest.false_errors)} false errors"
    )
    if markdown:
        lines = [f"| {' | '.join(heads)} |", f"|{' --- |' * len(heads)}"]
        lines += [f"| {' | '.join(('`' + row[0] + '`', *row[1:]))} |" for row in body]
    else:
        widths = [max(len(row[n]) for row in (heads, *body)) for n in range(len(heads))]
        lines = [
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True))
            for row in (heads, *body)
        ]
    return "\n".join([*lines, "", summary])
