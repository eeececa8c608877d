"""The keys of a document's node as plain values, with their defaults.

Only for nodes that the schema has passed: nothing here checks a type.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

from buildkit.document import Node
from buildkit.model import Place


def items(node: Node, key: str) -> Iterable[tuple[str, Node]]:
    """Names and nodes of the map under ``key``; nothing when it is left out."""
    child = node.get(key)
    return list(child.items()) if child is not None else []


def places(node: Node) -> dict[str, Place]:
    """Where the value of each key stands, or the key itself when its value begins on a line below."""
    return {key: child.spot for key, child in node.items()}


def row_places(rows: list[Node]) -> dict[str, Place]:
    """Where each row of a display stands, by ``rows[0]`` and so on."""
    return {f"rows[{index}]": row.at for index, row in enumerate(rows)}


def text(node: Node, key: str, default: str) -> str:
    """The text under ``key``."""
    child = node.get(key)
    return default if child is None else str(child.value)


def number(node: Node, key: str, default: float) -> float:
    """The number under ``key``."""
    child = node.get(key)
    return default if child is None else float(child.value)


def optional(node: Node, key: str) -> float | None:
    """The number under ``key``, or None when it is left out."""
    child = node.get(key)
    return None if child is None else float(child.value)


def integer(node: Node, key: str, default: int | None) -> int | None:
    """The whole number under ``key``."""
    child = node.get(key)
    return default if child is None else int(child.value)


def exact(node: Node) -> Fraction:
    """A threshold as the decimal that was written: the shortest one that its number has."""
    return Fraction(str(node.value))
