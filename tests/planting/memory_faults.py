"""Faults of memory: more than the chip holds."""

from __future__ import annotations

import random

from tests.planting import entries as e
from tests.planting.beds import Bed, add
from tests.planting.garden import Plant, at, plants

ADDRESSES = (*range(0x20, 0x28), *range(0x38, 0x40))


@plants("memory.flash")
def more_rows_than_the_flash_holds(bed: Bed, dice: random.Random) -> Plant | None:
    """The letters of the rows alone fill the program memory."""
    flash = int(e.figure(bed, "flash_bytes"))
    if flash > 120_000:
        return None  # so long a file is refused before it is weighed: doc.too-large
    tree = bed.copy()
    for number in range(flash // (8 * 190) + 1):
        rows = ["".join(dice.choice("abcdefgh") for _ in range(190)) for _ in range(8)]
        add(tree, "displays", "wall", e.lcd(address=ADDRESSES[number % 16], rows=rows))
    return at(tree, "board")


@plants("memory.flash")
def a_wall_of_displays(bed: Bed, dice: random.Random) -> Plant | None:
    """Each field of a row is a call with its arguments: far above ten bytes on any chip."""
    flash, name = int(e.figure(bed, "flash_bytes")), dice.choice(list(bed.build.probes))
    field = f"{{{name}}}"
    fields = 190 // len(field)
    count = flash // (8 * fields * 20) + 1
    if count * 8 * 205 > 250_000:
        return None
    tree = bed.copy()
    for number in range(count):
        add(
            tree,
            "displays",
            "wall",
            e.lcd(address=ADDRESSES[number % 16], rows=[field * fields] * 8),
        )
    return at(tree, "board")


@plants("memory.ram")
def windows_that_fill_the_ram(bed: Bed, dice: random.Random) -> Plant | None:
    """Two bytes a reading at least; a window is at most a thousand."""
    ram, average = int(e.figure(bed, "ram_bytes")), dice.randint(600, 1000)
    tree, pin = bed.copy(), next(iter(bed.board.pins))
    for _ in range(int(ram * 0.75) // (2 * average) + 1):
        # All on one pin, a fault of its own that costs no search for pins.
        add(tree, "probes", "long", e.soil(average=average, wires={"DQ": pin}))
    return at(tree, "board")


@plants("memory.ram")
def the_windows_of_the_build_s_own_probes(bed: Bed, dice: random.Random) -> Plant | None:
    ram = int(e.figure(bed, "ram_bytes"))
    tree, total = bed.copy(), 0
    for probe in tree["probes"].values():
        probe["average"] = dice.randint(750, 1000)
        total += 2 * probe["average"]
    return at(tree, "board") if total > 0.75 * ram else None
