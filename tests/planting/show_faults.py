"""Faults of display rows."""

from __future__ import annotations

import random

from tests.planting import entries as e
from tests.planting.beds import Bed, Tree, add
from tests.planting.garden import Plant, at, plants

LETTERS = "abcdefghiklmnoprstuvwz ABCDEHK0123456789.,:%-+"
NOT_THERE = "³²µ€—“é§ßøåč日…☀\\~"  # of these the display's font has none but µ, see below


def _panel(bed: Bed, tree: Tree, dice: random.Random) -> str:
    """A text display of the build, or a new one; its path."""
    found = bed.uses(part=e.LCD)
    if found:
        return f"displays.{dice.choice(found).name}"
    return add(tree, "displays", "panel", e.lcd())


def _rows(tree: Tree, path: str) -> list[str]:
    rows: list[str] = tree["displays"][path.split(".")[1]]["rows"]
    return rows


def _spoilt(bed: Bed, dice: random.Random, text: str) -> Plant:
    """A row replaced by ``text``, or put beside the only one."""
    tree = bed.copy()
    path = _panel(bed, tree, dice)
    rows = _rows(tree, path)
    if len(rows) == 1 and dice.random() < 0.5:
        rows.append("")
    number = dice.randrange(len(rows))
    rows[number] = text
    return at(tree, f"{path}.rows[{number}]")


@plants("show.too-wide")
def a_text_too_long(bed: Bed, dice: random.Random) -> Plant | None:
    return _spoilt(bed, dice, "".join(dice.choice(LETTERS) for _ in range(dice.randint(17, 60))))


@plants("show.too-wide")
def a_value_that_can_get_longer(bed: Bed, dice: random.Random) -> Plant | None:
    """Short enough for two digits, and the probe reads three."""
    wide = [
        n for n, p in bed.build.probes.items() if p.quantity.high >= 100 or p.quantity.low <= -10
    ]
    if not wide:
        return None
    name = dice.choice(wide)
    field = dice.choice((f"{{{name}}}", f"{{{name}.now}}"))
    return _spoilt(bed, dice, "".join(dice.choice(LETTERS[:20]) for _ in range(14)) + field)


@plants("show.too-wide")
def one_row_too_many(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    path = _panel(bed, tree, dice)
    rows = _rows(tree, path)
    rows += ["more"] * (dice.randint(3, 8) - len(rows))
    return at(tree, f"{path}.rows[2]")


@plants("show.unknown-name")
def a_name_misspelt(bed: Bed, dice: random.Random) -> Plant | None:
    name = dice.choice([*bed.build.probes, *bed.build.loads])
    wrong = dice.choice(
        (name[:-1], name + "s", name.upper(), f"{name}.last", f"{name} ", "room", "")
    )
    known = {*bed.build.probes, *bed.build.loads}
    return _spoilt(bed, dice, f"is {{{wrong}}}") if wrong not in known else None


@plants("show.unknown-name")
def the_last_reading_of_a_load(bed: Bed, dice: random.Random) -> Plant | None:
    names = list(bed.build.loads)
    return _spoilt(bed, dice, f"is {{{dice.choice(names)}.now}}") if names else None


@plants("show.unknown-name")
def a_brace_without_its_partner(bed: Bed, dice: random.Random) -> Plant | None:
    name = dice.choice(list(bed.build.probes))
    return _spoilt(bed, dice, dice.choice((f"is {{{name}", f"is {name}}}", "a { b", "a } b")))


@plants("show.not-in-font")
def a_sign_the_display_lacks(bed: Bed, dice: random.Random) -> Plant | None:
    sign = dice.choice([c for c in NOT_THERE if c != "µ"])
    return _spoilt(bed, dice, f"warm {sign} now")
