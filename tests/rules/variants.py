"""The example builds with a few words changed, and what one rule says of them."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from buildkit import buildfile, document, rules, seating
from buildkit.circuit import Circuit
from buildkit.model import Fault
from buildkit.places import data_dir
from buildkit.tables import Tables


@cache
def text(example: str) -> str:
    """An example's text."""
    return (Path(data_dir("examples")) / f"{example}.yaml").read_text(encoding="utf-8")


def changed(original: str, *changes: tuple[str, str]) -> str:
    """The text with each old piece, which must stand there once, replaced by the new one."""
    for old, new in changes:
        assert original.count(old) == 1, f"{old!r} stands {original.count(old)} times"
        original = original.replace(old, new)
    return original


def circuit(example: str, *changes: tuple[str, str]) -> Circuit:
    """The circuit of a changed example."""
    source = changed(text(example), *changes).encode("utf-8")
    return seating.seat(buildfile.from_tree(document.parse(source, "build.yaml"), Tables()))


def told(rule: str, example: str, *changes: tuple[str, str]) -> list[Fault]:
    """What ``rule`` finds in a changed example."""
    check = rules.catalogue()[rule].check
    assert check is not None
    return list(check(circuit(example, *changes)))
