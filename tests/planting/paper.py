"""A build's tree as YAML text, in varying handwriting, with the line of every path.

Written apart from ``buildkit.document``, so that lines are known without it.
"""

from __future__ import annotations

import json
import random
import re
from dataclasses import dataclass
from typing import Any

_PLAIN = re.compile(r"[A-Za-z][A-Za-z0-9_.+-]*( [A-Za-z0-9_.+-]+)*")
_WORDS = frozenset({"true", "false", "null", "yes", "no", "on", "off", "y", "n"})
_REMARKS = (
    "as measured",
    "changed in March",
    "see the note on the lid",
    "to be proved with a meter",
)


class Raw(str):
    """A scalar that is written as it stands: ``&dwell 60``, ``!!int 5``."""

    __slots__ = ()


@dataclass(frozen=True, slots=True)
class Page:
    """Text, and the line (from 1) on which each path stands."""

    text: str
    line: dict[str, int]


def write(tree: dict[str, Any], dice: random.Random) -> Page:
    """The tree as block YAML with some flow, remarks and empty lines, by the dice."""
    pen = _Pen(dice)
    pen.lines += [f"# {dice.choice(_REMARKS)}" for _ in range(dice.randrange(4))]
    pen.mapping(tree, "", 0)
    return Page("\n".join(pen.lines) + "\n", pen.line)


class _Pen:
    def __init__(self, dice: random.Random) -> None:
        self.dice = dice
        self.lines: list[str] = []
        self.line: dict[str, int] = {}

    def mapping(self, tree: dict[str, Any], path: str, indent: int, head: str = "") -> None:
        for key, value in tree.items():
            if not head:
                self._pause(indent)
            begun = head or " " * indent
            head = ""
            self._entry(begun + _key(key, self.dice), value, _joined(path, key), indent)

    def _entry(self, begun: str, value: Any, path: str, indent: int) -> None:
        self.line[path] = len(self.lines) + 1
        if not isinstance(value, dict | list) or not value or self._flows(value):
            self.lines.append(f"{begun}: {self._flow(value, path)}".rstrip())
        elif isinstance(value, dict):
            self.lines.append(f"{begun}:")
            self.mapping(value, path, indent + 2)
        else:
            self.lines.append(f"{begun}:")
            self._items(value, path, indent + 2)

    def _items(self, items: list[Any], path: str, indent: int) -> None:
        for index, item in enumerate(items):
            self._pause(indent)
            here = f"{path}[{index}]"
            self.line[here] = len(self.lines) + 1
            if isinstance(item, dict) and item and not self._flows(item):
                self.mapping(item, here, indent + 2, head=" " * indent + "- ")
            else:
                self.lines.append(f"{' ' * indent}- {self._flow(item, here)}")

    def _flow(self, value: Any, path: str) -> str:
        if isinstance(value, dict):
            inner = []
            for key, child in value.items():
                self.line[_joined(path, key)] = len(self.lines) + 1
                inner.append(f"{_key(key, self.dice)}: {self._flow(child, _joined(path, key))}")
            return "{" + ", ".join(inner) + "}"
        if isinstance(value, list):
            inner = []
            for index, child in enumerate(value):
                self.line[f"{path}[{index}]"] = len(self.lines) + 1
                inner.append(self._flow(child, f"{path}[{index}]"))
            return "[" + ", ".join(inner) + "]"
        return scalar(value, self.dice)

    def _flows(self, value: dict[str, Any] | list[Any]) -> bool:
        children = list(value.values()) if isinstance(value, dict) else value
        deep = any(isinstance(child, dict | list) for child in children)
        long = len(json.dumps(value, default=str)) > 90
        return not long and self.dice.random() < (0.1 if deep else 0.6)

    def _pause(self, indent: int) -> None:
        throw = self.dice.random()
        if throw < 0.05:
            self.lines.append("")
        elif throw < 0.1:
            self.lines.append(f"{' ' * indent}# {self.dice.choice(_REMARKS)}")


def _joined(path: str, key: str) -> str:
    return f"{path}.{key}" if path else key


def _key(key: str, dice: random.Random) -> str:
    plain = bool(_PLAIN.fullmatch(key)) and dice.random() < 0.95
    return key if plain else json.dumps(key, ensure_ascii=False)


def scalar(value: Any, dice: random.Random) -> str:
    """One value as YAML text."""
    if isinstance(value, Raw):
        return str(value)
    if value is None:
        return "null"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        plain = bool(_PLAIN.fullmatch(value)) and value.lower() not in _WORDS
        if value in ("on", "off"):
            plain = True
        return value if plain and dice.random() < 0.9 else json.dumps(value, ensure_ascii=False)
    return repr(value)
