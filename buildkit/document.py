"""Text to a tree with line and column; the only reader of YAML.

Strict on purpose: no aliases, tags or duplicate keys, a bounded size and
depth.  Plain scalars follow the YAML 1.2 core schema (yaml.org/spec/1.2.2,
section 10.3), so ``off`` and ``no`` stay the words they look like.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NoReturn

import yaml

from buildkit.model import Fault, Place, Refused
from buildkit.records import dataclass

MAX_BYTES = 256 * 1024
MAX_DEPTH = 24
MAX_NODES = 10_000  # seven times the largest board table of ours
MOST_DUPLICATES = 100  # what is left is told in the next run

_INT = re.compile(r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_WORDS: dict[str, bool | None] = {
    "true": True, "True": True, "TRUE": True,
    "false": False, "False": False, "FALSE": False,
    "null": None, "Null": None, "NULL": None, "~": None, "": None,
}  # fmt: skip


# libyaml, where PyYAML was built with it: ten times as fast, with the same events and places
# for a text without tabs, which it takes where PyYAML's own parser does not.
_FAST: Any = getattr(yaml, "CSafeLoader", None)


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

    @property
    def spot(self) -> Place:
        """Where a fault of the value is told: at the value, or at its key when that stands on a line above."""
        return self.at if self.name_at.line == self.at.line else self.name_at


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
    if _FAST is not None and "\t" not in text:
        try:
            return _Builder(file, text, _FAST).tree()
        except (yaml.YAMLError, ValueError, OverflowError):
            pass  # the slow parser decides, and knows better what is wrong
    builder: _Builder | None = None
    try:
        builder = _Builder(file, text, yaml.SafeLoader)
        return builder.tree()
    except yaml.MarkedYAMLError as error:
        _refuse("doc.unreadable", *_syntax_advice(error, text, file))
    except yaml.reader.ReaderError as error:
        # For text the reader gives the character's number, whatever its annotations say.
        _refuse("doc.unreadable", _spot(text, error.position, file), *_hidden(chr(error.character)))
    except (ValueError, OverflowError):
        # PyYAML lets int() and chr() fail bare: "\UFFFFFFFF", or a version of 5,000 digits.
        _refuse(
            "doc.unreadable",
            builder.last if builder else Place(file),
            "the value that follows holds a number or an escape that no text can hold",
            "Look for a backslash in double quotes, or put the text in single quotes.",
        )


def _spot(text: str, offset: int, file: str) -> Place:
    """Line and column of a character of the text, lines counted as YAML does."""
    before = (text[:offset] + "|").splitlines()
    return Place(file, len(before), len(before[-1]))


def _hidden(character: str) -> tuple[str, str]:
    return (
        f"a character that cannot be seen stands here, U+{ord(character):04X}",
        "Delete it; if the whole file looks odd, save it as plain UTF-8 text.",
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
        _refuse(
            "doc.unreadable",
            _spot(raw.decode("latin-1"), raw.index(b"\0"), file),
            "the file holds a NUL byte, so it is not text",
            "Save it as plain UTF-8 text, or check that this is the right file.",
        )
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        start = error.start + (3 if raw.startswith(b"\xef\xbb\xbf") else 0)
        before = raw[:start].decode("utf-8-sig")
        _refuse(
            "doc.unreadable",
            _spot(before, len(before), file),
            f"the byte 0x{raw[start]:02X} is not UTF-8 text",
            "Save the file as UTF-8 in your editor, or check that it is the right file.",
        )


# What PyYAML says, and what we say of it to people who do not know YAML: message and fix.
# The first line whose words occur in its problem counts.
_QUOTE_IT = "Put the whole value in one pair of quotes, of the kind that it does not hold."
_ADVICE = {
    "mapping values are not allowed": (
        "a ':' stands where none fits",
        "Give each 'key: value' its own line, a level two spaces deeper, a blank after the ':'; "
        "put text that holds ': ' in double quotes.",
    ),
    "could not find expected ':'": (
        "a ':' is missing on this line",
        "Write 'key: value', with a blank after the ':'.",
    ),
    "sequence entries are not allowed": (
        "a list begins behind its key, on the same line",
        "Begin the list on the next line, or write it in brackets: [one, two].",
    ),
    "<block end>, but found '<scalar>'": ("text stands behind a value that has ended", _QUOTE_IT),
    "<block end>, but found '-'": (
        "a list item ('-') stands among 'key: value' lines",
        "Indent it below the key that it belongs to.",
    ),
    "expected <block end>": (
        "this line is not indented like the lines that it belongs to",
        "Put it in the same column as its neighbours; two spaces a level.",
    ),
    "expected '<document start>'": (
        "this line stands further left than the first one, or is no 'key: value'",
        "Begin every top-level key in the first column.",
    ),
    "unexpected end of stream": ("a quote opens here and is not closed", "Close it on this line."),
    "document separator": ("a quote opens here and is not closed", "Close it on this line."),
    "but found '<stream end>'": ("the file ends inside a bracket", "Close it with ']' or '}'."),
    "expected the node content": (
        "a value is missing before this sign",
        "Write the value, or put the sign in double quotes.",
    ),
    "escape": (
        "a backslash in double quotes means something else here",
        "Put the text in single quotes, or write the backslash twice.",
    ),
    "alphabetic or numeric character": ("a value cannot begin with '&', '*' or '!'", _QUOTE_IT),
    "cannot start any token": ("a value cannot begin with this sign", _QUOTE_IT),
    "indentation indicator": (
        "a '|' or '>' with other signs behind it",
        "Put the text in double quotes, on one line.",
    ),
    "": (
        "this YAML is not taken here: a directive ('%') or a tag ('!')",
        "Delete it, or put text that begins with '%' or '!' in double quotes.",
    ),
}
_SEEN_LATE = ("could not find expected ':'", "unexpected end of stream", "document separator")


def _syntax_advice(error: yaml.MarkedYAMLError, text: str, file: str) -> tuple[Place, str, str]:
    problem = error.problem or ""
    seen = error.problem_mark or error.context_mark
    began = error.context_mark or seen
    at, start = _place(file, seen), _place(file, began)
    lines = [*text.splitlines(), ""]
    line = lines[min(at.line, len(lines)) - 1]
    if "'\\t'" in problem or "\t" in line[: len(line) - len(line.lstrip())]:
        return at, "a tab stands where YAML wants spaces", "Replace the tab by spaces."
    if problem.startswith(("expected ',' or ']'", "expected ',' or '}'")):
        close = problem.split("'")[3]
        if at.line != start.line:
            return (
                start,
                f"a bracket opens here and is not closed by '{close}' before line {at.line}",
                f"Close it with '{close}', and see that a comma stands between its values.",
            )
        return (
            at,
            f"a comma or '{close}' is missing before this",
            "Put a comma between values, and text that holds brackets or ':' in double quotes.",
        )
    words = next(words for words in _ADVICE if words in problem)
    return start if words in _SEEN_LATE else at, *_ADVICE[words]


def _place(file: str, mark: Any, path: str = "") -> Place:
    return Place(file, mark.line + 1, mark.column + 1, path)


def _refuse(rule: str, at: Place, message: str, fix: str, **numbers: Any) -> NoReturn:
    raise Refused([Fault(at, message, fix, numbers, rule)])


class _Builder:
    """Events to nodes, one level of Python calls a level of YAML, depth bounded."""

    def __init__(self, file: str, text: str, loader: Any) -> None:
        self.file = file
        self.last = Place(file)  # the last value that was read whole
        self.events: Iterator[Any] = iter(loader(text).get_event, None)
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
            self._visible(event.value, at)
            value = _scalar(event.value) if event.implicit[0] else event.value
            return Node(value, at, event.value, key_at)
        if isinstance(event, yaml.SequenceStartEvent):
            return Node(self._sequence(path, depth), at, key_at=key_at)
        return Node(self._mapping(path, depth), at, key_at=key_at)

    def _admit(self, event: Any, at: Place, depth: int) -> None:
        self.nodes += 1
        self.last = at
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
                "YAML tags ('!name') are not taken",
                "Delete the tag, or put text that begins with '!' in quotes.",
            )
        if depth > MAX_DEPTH:
            _refuse(
                "doc.too-large",
                at,
                f"lists and maps stand within one another, more than {MAX_DEPTH} deep",
                "A build needs six levels; check the brackets and the indentation.",
                limit_levels=MAX_DEPTH,
            )
        if self.nodes > MAX_NODES:
            _refuse(
                "doc.too-large",
                at,
                f"the file holds more than {MAX_NODES} values",
                "A build needs some hundreds; check that this is the right file.",
                limit_values=MAX_NODES,
            )

    def _visible(self, text: str, at: Place) -> None:
        """Escapes in double quotes can write characters that no file may hold."""
        for char in text:
            control = (char < " " and char not in "\n\t") or "\x7f" <= char < "\xa0"
            if control or "\ud800" <= char < "\ue000":
                _refuse("doc.unreadable", at, *_hidden(char))

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
            at = _place(self.file, event.start_mark, path)
            self._admit(event, at, depth)
            if not isinstance(event, yaml.ScalarEvent):
                _refuse(
                    "doc.unreadable",
                    at,
                    "a key is a list or a map here",
                    "A key is one word followed by ':'; put text in braces in quotes.",
                )
            key = event.value
            self._visible(key, at)
            child_path = f"{path}.{key}" if path else key
            key_at = _place(self.file, event.start_mark, child_path)
            child = self._node(next(self.events), child_path, depth + 1, key_at)
            if key in children:
                if len(self.duplicates) >= MOST_DUPLICATES:
                    raise Refused(self.duplicates)
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
