"""The register of planters, and a planted fault."""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from tests.planting.beds import Bed, Tree


@dataclass(frozen=True, slots=True)
class Plant:
    """A spoilt tree and the path of the fault; or a spoilt text and its line.

    ``paths`` holds more than one only where the fault itself stands in two
    places at once, as with swapped lines: each must be told.
    """

    tree: Tree = field(default_factory=dict)
    paths: tuple[str, ...] = ()
    text: str | bytes | None = None
    line: int = 0
    extra: Path | None = None


def at(tree: Tree, *paths: str, extra: Path | None = None) -> Plant:
    """A fault in the tree, to be told at each of these paths."""
    return Plant(tree, paths, extra=extra)


Planter = Callable[[Bed, random.Random], Plant | None]
PLANTERS: dict[str, list[Planter]] = {}


def plants(rule: str) -> Callable[[Planter], Planter]:
    """Register a planter.  It returns None for a bed in which its fault cannot be made."""

    def register(planter: Planter) -> Planter:
        PLANTERS.setdefault(rule, []).append(planter)
        return planter

    return register
