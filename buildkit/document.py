"""Text to a tree with line and column; the only reader of YAML.

Strict on purpose: no aliases, tags or duplicate keys, a bounded size and
depth.  Plain scalars follow the YAML 1.2 core schema (yaml.org/spec/1.2.2,
section 10.3), so ``off`` and ``no`` stay the words they look like.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

import yaml

from buildkit.model import Fault, Place, Refused

MAX_BYTES = 256 * 1024
MAX_DEPTH = 24
MAX_NODES = 20_000

_INT = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_WORDS: dict[str, bool | None] = {
    "true": True, "True": True, "TRUE": True,
    "false": False, "False": False, "FALSE": False,
    "null": None, "Null": None, "NULL": None, "~": None, "": None,
}  # fmt: skip


class CannotOpen(Exception):
    """The file is not there or not a file; the command cannot run (exit 2)."""


@dataclass(frozen=True, slots=True)
class Node:
    """A value of the document with its place.

    ``value`` is a dict of ``Node`` by key, a list of ``Node``, or a plain
    scalar; ``text`` is a scalar as written.  ``key_at`` is where its key stands.
    """

    value: Any
    at: Place
    text: str = ""
    key_at: Place | None = None

    def plain(self) -> Any:
        """The same value without places, as JSON would have it."""
        if isinstance(self.value, dict):
            return {key: child.plain() for key, child in self.value.items()}
        if isinstance(self.value, list):
            return [child.plain() for child in self.value]
        return self.value

    def get(self, key: str) -> Node | None:
        """The child called ``key`` of a mapping, or None."""
        child = self.value.get(key) if isinstance(self.value, dict) else None
        return child if isinstance(child, Node) else None

    def items(self) -> Iterator[tuple[str, Node]]:
        """Keys and children of a mapping, in the order of the file."""
        if isinstance(self.value, dict):
            yield from self.value.items()

    @property
    def name_at(self) -> Place:
        """Where its key stands, or itself when it has none."""
        return self.key_at or self.at


def read(path: Path) -> Node:
    """The tree of the YAML file at ``path``.

    Raises CannotOpen when there is no such file, Refused with doc.* faults
    when its content cannot be taken.
    """
    try:
        if path.is_dir():
            raise CannotOpen(f"{path} is a folder. Name the build file inside it.")
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise CannotOpen(f"{path} is not there. Check the spelling and the folder.") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise CannotOpen(f"{path} cannot be read: {reason}.") from None
    return parse(raw, str(path))


def parse(raw: bytes, file: str) -> Node:
    """The tree of YAML text; ``file`` names it in messages.  Raises Refused."""
    text = _decoded(raw, file)
    try:
        return _Builder(file, text).tree()
    except yaml.MarkedYAMLError as error:
        mark = error.problem_mark or error.context_mark
        at = _place(file, mark) if mark else Place(file)
        _refuse("doc.unreadable", at, *_syntax_advice(error, text))
    except yaml.reader.ReaderError as error:
        line = text.count("\n", 0, error.position) + 1
        column = error.position - (text.rfind("\n", 0, error.position) + 1) + 1
        _refuse(
            "doc.unreadable",
            Place(file, line, column),
            f"character U+{ord(str(error.character)[:1] or chr(0)):04X} is not allowed in a YAML file",
            "Delete it; it is a control character that an editor does not show.",
        )


def _decoded(raw: bytes, file: str) -> str:
    if len(raw) > MAX_BYTES:
        _refuse(
            "doc.too-large",
            Place(file),
            f"the file is larger than {MAX_BYTES // 1024} KiB",
            "A build file is a page or two; check that this is the right file.",
            limit_bytes=MAX_BYTES,
        )
    if b"\0" in raw:
        line = raw.count(b"\n", 0, raw.index(b"\0")) + 1
        _refuse(
            "doc.unreadable",
            Place(file, line),
            "the file holds a NUL byte, so it is not text",
            "Save it as plain UTF-8 text, or check that this is the right file.",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        _refuse(
            "doc.unreadable",
            Place(file, line),
            f"byte {error.start + 1} is not UTF-8 text",
            "Save the file as UTF-8 in your editor, or check that it is the right file.",
        )


def _syntax_advice(error: yaml.MarkedYAMLError, text: str) -> tuple[str, str]:
    problem = error.problem or "the YAML cannot be read here"
    mark = error.problem_mark
    line = text.splitlines()[mark.line] if mark and mark.line < len(text.splitlines()) else ""
    if "\\t" in problem or line[: len(line) - len(line.lstrip())].count("\t"):
        return "a tab stands where YAML wants spaces", "Replace the tab by spaces."
    if "mapping values are not allowed" in problem:
        return (
            "a second ':' on this line, or wrong indentation",
            "Indent by two spaces a level, and put text that holds ': ' in double quotes.",
        )
    return (
        f"the YAML cannot be read here: {problem}",
        "Look at this line and the one above: indentation, a missing ':' or an open quote or bracket.",
    )


def _place(file: str, mark: Any, path: str = "") -> Place:
    return Place(file, mark.line + 1, mark.column + 1, path)


def _refuse(rule: str, at: Place, message: str, fix: str, **numbers: Any) -> NoReturn:
    raise Refused([Fault(at, message, fix, numbers, rule)])


class _Builder:
    """Events to nodes, one level of Python calls a level of YAML, depth bounded."""

    def __init__(self, file: str, text: str) -> None:
        self.file = file
        self.events = yaml.parse(text, Loader=yaml.SafeLoader)
        self.nodes = 0
        self.duplicates: list[Fault] = []

    def tree(self) -> Node:
        root: Node | None = None
        for event in self.events:
            if isinstance(event, yaml.DocumentStartEvent):
                if root is not None:
                    _refuse(
                        "doc.unreadable",
                        _place(self.file, event.start_mark),
                        "a second document begins here ('---')",
                        "Keep one build a file.",
                    )
                root = self._node(next(self.events), "", 1, None)
        if root is None or (root.value is None and not root.text):
            _refuse(
                "doc.unreadable",
                Place(self.file),
                "the file is empty",
                "Begin with 'build: NAME'; 'examples/' shows whole builds.",
            )
        if self.duplicates:
            raise Refused(self.duplicates)
        return root

    def _node(self, event: Any, path: str, depth: int, key_at: Place | None) -> Node:
        at = _place(self.file, event.start_mark, path)
        self._admit(event, at, depth)
        if isinstance(event, yaml.ScalarEvent):
            value = _scalar(event.value) if event.implicit[0] else event.value
            return Node(value, at, event.value, key_at)
        if isinstance(event, yaml.SequenceStartEvent):
            return Node(self._sequence(path, depth), at, key_at=key_at)
        return Node(self._mapping(path, depth), at, key_at=key_at)

    def _admit(self, event: Any, at: Place, depth: int) -> None:
        self.nodes += 1
        if isinstance(event, yaml.AliasEvent) or getattr(event, "anchor", None):
            _refuse(
                "doc.alias-or-tag",
                at,
                "YAML anchors and aliases ('&name', '*name') are not taken",
                "Write the value out, or put text that begins with '&' or '*' in quotes.",
            )
        if getattr(event, "tag", None):
            _refuse(
                "doc.alias-or-tag",
                at,
                f"the YAML tag {event.tag!r} is not taken",
                "Delete the tag, or put text that begins with '!' in quotes.",
            )
        if depth > MAX_DEPTH or self.nodes > MAX_NODES:
            _refuse(
                "doc.too-large",
                at,
                f"more than {MAX_DEPTH} levels or {MAX_NODES} values",
                "A build needs six levels; check the brackets and the indentation.",
                limit_levels=MAX_DEPTH,
                limit_values=MAX_NODES,
            )

    def _sequence(self, path: str, depth: int) -> list[Node]:
        children: list[Node] = []
        for event in self.events:
            if isinstance(event, yaml.SequenceEndEvent):
                break
            children.append(self._node(event, f"{path}[{len(children)}]", depth + 1, None))
        return children

    def _mapping(self, path: str, depth: int) -> dict[str, Node]:
        children: dict[str, Node] = {}
        for event in self.events:
            if isinstance(event, yaml.MappingEndEvent):
                break
            key_at = _place(self.file, event.start_mark, path)
            self._admit(event, key_at, depth)
            if not isinstance(event, yaml.ScalarEvent):
                _refuse(
                    "doc.unreadable",
                    key_at,
                    "a key is a list or a map here",
                    "A key is one word followed by ':'; put text in braces in quotes.",
                )
            key = event.value
            child_path = f"{path}.{key}" if path else key
            child = self._node(next(self.events), child_path, depth + 1, key_at)
            if key in children:
                first = children[key].name_at
                self.duplicates.append(
                    Fault(
                        key_at,
                        f"'{key}' stands here a second time; the first is on line {first.line}",
                        "Keep one of the two.",
                        {"first_line": first.line},
                        "doc.duplicate-key",
                    )
                )
            else:
                children[key] = child
        return children


def _scalar(text: str) -> Any:
    """A plain scalar by the YAML 1.2 core schema; numbers stay finite."""
    if text in _WORDS:
        return _WORDS[text]
    if _INT.fullmatch(text) and len(text) <= 30:
        return int(text, 0) if text.startswith("0o") or text.startswith("0x") else int(text, 10)
    if _FLOAT.fullmatch(text):
        number = float(text)
        return number if abs(number) < 1e30 else text
    return text
