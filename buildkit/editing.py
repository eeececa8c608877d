"""Changes to the text of a build file that leave every other character as it is.

A change is a path and a new value.  Where the path stands already, its scalar
is replaced in its own quoting; where it is missing, a line or an entry is put
in, in the style of its surroundings.  The result is read anew and compared
with what was meant before anybody sees it.
"""

from __future__ import annotations

import contextlib
import os
import re
import tempfile
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

from buildkit import document
from buildkit.document import Node
from buildkit.model import Refused

Path = tuple[str, ...]  # keys from the root: ("probes", "smoke", "wires", "TXD")
Changes = Mapping[Path, str]

_BOM = b"\xef\xbb\xbf"
_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
_PLAIN = re.compile(r"[A-Za-z0-9][A-Za-z0-9_+./-]*")
_NUMBER = re.compile(r"[0-9.]+([eE][-+]?[0-9]+)?|0x[0-9a-fA-F]+")
_BETWEEN_VALUES = re.compile("([ \t,]|\r\n|[\n\r\x85\u2028\u2029]|#[^\n\r\x85\u2028\u2029]*)*")
_WORDS = frozenset({"true", "false", "null", "yes", "no", "on", "off", "y", "n"})


class CannotEdit(Exception):
    """The text was left alone; the message says why and what to do."""


def edited(raw: bytes, changes: Changes, file: str = "") -> bytes:
    """The text with the changes made.  Raises CannotEdit, or Refused for text that is no build."""
    if not changes:
        return raw
    bom, body = (_BOM, raw[3:]) if raw.startswith(_BOM) else (b"", raw)
    before = document.parse(body, file)
    text = body.decode("utf-8")
    cuts = _Surgeon(text, before).cuts(changes)
    # Of lines that come to stand at the same place the deeper ones go first.
    for start, end, new in sorted(cuts, key=lambda cut: (-cut[0], _indent(cut[2]))):
        text = text[:start] + new + text[end:]
    after = text.encode("utf-8")
    try:
        ok = _same(document.parse(after, file).plain(), _meant(before.plain(), changes))
    except Refused:
        ok = False
    if not ok:
        wanted = ", ".join(f"{'.'.join(path)}: {value}" for path, value in changes.items())
        raise CannotEdit(f"{file}: its layout is unusual; make these changes by hand: {wanted}.")
    return bom + after


def _meant(tree: Any, changes: Changes) -> Any:
    """The plain tree with the changes laid over it."""
    for path, value in changes.items():
        at = tree
        for key in path[:-1]:
            at = at.setdefault(key, {})
        at[path[-1]] = value
    return tree


def _same(one: Any, other: Any) -> bool:
    """Whether two trees are alike, a pin number being the same as its digits."""
    if isinstance(one, dict) and isinstance(other, dict):
        return set(one) == set(other) and all(_same(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_same, one, other))
    if isinstance(one, int) and isinstance(other, str):
        return str(one) == other
    return type(one) is type(other) and bool(one == other)


def _indent(new: str) -> int:
    body = new.lstrip("\r\n\x85\u2028\u2029")
    return len(body) - len(body.lstrip(" "))


def write_whole(path: FilePath, data: bytes) -> None:
    """Put ``data`` in place of the file at once, its rights kept.  Raises CannotEdit."""
    target = path.resolve()
    staged = ""
    try:
        descriptor, staged = tempfile.mkstemp(prefix=".writing-", dir=target.parent)
        with os.fdopen(descriptor, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        mode = target.stat().st_mode if target.exists() else 0o666 & ~_umask()
        os.chmod(staged, mode & 0o7777)
        os.replace(staged, target)
    except OSError as error:
        with contextlib.suppress(OSError):
            os.unlink(staged)
        raise CannotEdit(f"{path}: {error.strerror or error}. Nothing was changed.") from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask


class _Surgeon:
    """Finds places in one text: from the line and column of a node to what stands there."""

    def __init__(self, text: str, root: Node) -> None:
        self.text = text
        self.root = root
        self.starts = [0, *(match.end() for match in _BREAK.finditer(text))]

    def cuts(self, changes: Changes) -> list[tuple[int, int, str]]:
        """Start, end and new text of every piece to be exchanged."""
        cuts: list[tuple[int, int, str]] = []
        fresh: dict[Path, dict[Path, str]] = {}
        for path, value in changes.items():
            depth, node = self._reach(path)
            if depth == len(path):
                start = self.offset(node)
                cuts.append((start, self.end(node), self._quoted(value, self.text[start:][:1])))
            else:
                fresh.setdefault(path[:depth], {})[path[depth:]] = value
        for parent, entries in fresh.items():
            cuts.append(self._insertion(self._reach(parent)[1], entries))
        return cuts

    def _reach(self, path: Path) -> tuple[int, Node]:
        """How much of a path there is, and the node at its end."""
        node = self.root
        for depth, key in enumerate(path):
            child = node.get(key)
            if child is None:
                return depth, node
            node = child
        return len(path), node

    def offset(self, node: Node) -> int:
        """Where a node begins in the text."""
        at = self.starts[node.at.line - 1]
        for _ in range(node.at.column - 1):
            at += 1
            while self.text[at : at + 1] == "\ufeff":  # YAML does not count it as a column
                at += 1
        return at

    def end(self, node: Node) -> int:
        """Where a node ends: behind its last character, comments not counted."""
        start = self.offset(node)
        first = self.text[start : start + 1]
        if isinstance(node.value, dict | list):
            children = [*node.value.values()] if isinstance(node.value, dict) else node.value
            if first not in ("{", "["):
                return self.end(children[-1])
            after = self.end(children[-1]) if children else start + 1
            gap = _BETWEEN_VALUES.match(self.text, after)
            assert gap is not None
            return gap.end() + 1
        if first in ('"', "'"):
            body = r'"(\\.|[^"\\])*"' if first == '"' else r"'(''|[^'])*'"
        elif first in ("|", ">"):
            deeper = f"[ ]{{{node.name_at.column},}}"
            body = rf"[^\r\n]*(\r?\n{deeper}[^\r\n]*|\r?\n[ ]*(?=\r?\n))*"
        else:
            body = r"\s+".join(map(re.escape, node.text.split()))
        found = re.compile(body, re.DOTALL).match(self.text, start)
        if found is None:
            raise CannotEdit(f"line {node.at.line} is written in an unusual way")
        return found.end()

    def _insertion(self, parent: Node, entries: Mapping[Path, str]) -> tuple[int, int, str]:
        """New entries at the end of a map; below a part they stand right behind its 'part'."""
        nested: dict[str, Any] = {}
        for path, value in entries.items():
            at = nested
            for key in path[:-1]:
                at = at.setdefault(key, {})
            at[path[-1]] = value
        children = list(parent.value.values())
        last = parent.get("part") or (children[-1] if children else None)
        if self.text[self.offset(parent)] == "{":
            body = ", ".join(f"{self._quoted(k, '')}: {self._flow(v)}" for k, v in nested.items())
            spot = self.end(last) if last is not None else self.offset(parent) + 1
            return spot, spot, f", {body}" if last is not None else body
        assert last is not None
        column = children[0].name_at.column - 1
        return self._lines_behind(self.end(last), column, nested)

    def _lines_behind(
        self, spot: int, column: int, nested: Mapping[str, Any]
    ) -> tuple[int, int, str]:
        """New lines of a block map, below the line on which ``spot`` is."""
        found = _BREAK.search(self.text, spot)
        common = _BREAK.search(self.text)
        brk = found.group() if found else common.group() if common else "\n"
        body = brk.join(line for k, v in nested.items() for line in self._block(k, v, column))
        if found is None:
            return len(self.text), len(self.text), brk + body
        return found.end(), found.end(), body + brk

    def _block(self, key: str, value: Any, column: int) -> list[str]:
        """A key and its value as lines: a map of maps opens up, a map of scalars stays on a line."""
        head = f"{' ' * column}{self._quoted(key, '')}:"
        if isinstance(value, dict) and any(isinstance(v, dict) for v in value.values()):
            inner = [line for k, v in value.items() for line in self._block(k, v, column + 2)]
            return [head, *inner]
        return [f"{head} {self._flow(value)}"]

    def _flow(self, value: Any) -> str:
        if isinstance(value, dict):
            pairs = (f"{self._quoted(k, '')}: {self._flow(v)}" for k, v in value.items())
            return "{" + ", ".join(pairs) + "}"
        return self._quoted(value, "")

    def _quoted(self, value: str, mark: str) -> str:
        """The value in the quotes that stood there, or plain where that is safe."""
        if mark == "'":
            return "'" + value.replace("'", "''") + "'"
        number = _NUMBER.fullmatch(value) and not value.isdigit()
        plain = _PLAIN.fullmatch(value) and not number and value.lower() not in _WORDS
        if mark == '"' or not plain:
            return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
        return value
