"""A new build, begun from an example: named, moved to a board, each key explained.

The comments are the schema's own descriptions, so that they say what an editor
would, and stand where a key is met for the first time.
"""

from __future__ import annotations

import re
import textwrap
from dataclasses import replace
from pathlib import Path
from typing import Any

from buildkit import editing, moving, validation
from buildkit.checking import Report, check_text
from buildkit.places import data_dir
from buildkit.published import stored
from buildkit.records import dataclass
from buildkit.tables import Tables

_KEY = re.compile(r"^( *)(- )?([a-z][a-z0-9_]*):(?= |$)(.*)$")
_WIDTH = 80
PLAINEST = "plant-shelf"  # no mains, and every board carries it


@dataclass(frozen=True, slots=True)
class Wish:
    """What a builder said of the new build; None leaves it as the example has it."""

    name: str
    like: str
    board: str | None = None
    about: str | None = None
    start_at: str | None = None
    stop_at: str | None = None


def examples() -> dict[str, str]:
    """Every example by its name, and what it is in one sentence."""
    told = {}
    for path in sorted(data_dir("examples").glob("*.yaml")):
        about = re.search(r"^about: *(.*)$", path.read_text(encoding="utf-8"), re.MULTILINE)
        told[path.stem] = about[1].strip("\"'") if about else ""
    return told


def value_of(like: str, key: str) -> str:
    """What an example says under a key, the first time that it stands there."""
    found = re.search(rf"\b{key}: *([^\s,}}#]+)", _example(like))
    return found[1] if found else ""


def made(wish: Wish, tables: Tables) -> tuple[str, Report]:
    """The text of the new build, and what check says of it.

    The example's pins are kept where they fit; on another board they are left
    to be chosen, as they are when they do not fit.  The level shifters and
    dividers that a board needs are put in when it fits with them alone.
    """
    for pins in (True, False):
        lines = _changed(wish, pins)
        text, report = _told(lines, wish, tables)
        if not report.errors:
            return text, report
    if report.circuit is not None:
        build = report.circuit.build
        moved = moving.move(build, build.board, tables, add_parts=True)
        if moved.added and not moved.errors:
            raw = editing.edited("\n".join([*lines, ""]).encode(), moved.changes, wish.name)
            return _told(raw.decode().splitlines(), wish, tables)
    return text, report


def _told(lines: list[str], wish: Wish, tables: Tables) -> tuple[str, Report]:
    text = _commented(lines, wish)
    return text, check_text(text.encode(), f"{wish.name}.yaml", tables)


def fitting(board: str, tables: Tables) -> list[str]:
    """The examples that a board can carry."""
    return [like for like in examples() if not made(Wish("x", like, board), tables)[1].errors]


def write(name: str, text: str, folder: Path) -> Path:
    """Put the new build there; FileExistsError when there is one."""
    path = folder / f"{name}.yaml"
    with path.open("x", encoding="utf-8", newline="\n") as stream:
        stream.write(text)
    return path


def _example(like: str) -> str:
    return (data_dir("examples") / f"{like}.yaml").read_text(encoding="utf-8")


def _quoted(words: str) -> str:
    import json

    return json.dumps(words, ensure_ascii=False)


def _changed(wish: Wish, pins: bool) -> list[str]:
    """The example's lines with the builder's words in place of its own."""
    said = {
        "build": wish.name,
        "board": wish.board,
        "start_at": wish.start_at,
        "stop_at": wish.stop_at,
    }
    said["about"] = _quoted(wish.about) if wish.about is not None else None
    lines = []
    for line in _example(wish.like).splitlines():
        if line.startswith("#"):
            continue
        key, text = _KEY.match(line), line
        if key and said.get(key[3]) is not None:
            text = f"{key[1]}{key[2] or ''}{key[3]}: {said[key[3]]}"
        if pins or not (key and key[3] == "wires"):
            lines.append(re.sub(r"\s+#.*$", "", text) if key and '"' not in text else text)
    return lines


def _commented(lines: list[str], wish: Wish) -> str:
    out = [
        f"# yaml-language-server: $schema={stored().as_posix()}",
        f"# Begun from the example '{wish.like}'. Change what differs, then:",
        f"#   buildkit check {wish.name}.yaml",
        f"#   buildkit write {wish.name}.yaml --into {wish.name}",
    ]
    told: set[tuple[str, ...]] = set()
    path: list[tuple[int, str]] = []
    for line in lines:
        key = _KEY.match(line)
        if key:
            depth = len(key[1]) + (2 if key[2] else 0)
            path = [*(step for step in path if step[0] < depth), (depth, key[3])]
            if depth == 0:
                out.append("")
            out += _remarks(tuple(name for _, name in path), len(key[1]), key[4], told)
        out.append(line)
    return "\n".join(out) + "\n"


def _remarks(
    path: tuple[str, ...], indent: int, rest: str, told: set[tuple[str, ...]]
) -> list[str]:
    """The description of a key, and of those in braces behind it, when they are new."""
    inner = [(*path, name) for name in re.findall(r"[{,] *([a-z_]+):", rest)]
    lines: list[str] = []
    for one in (path, *inner):
        found = _described(one)
        if found is None or found[0] in told:
            continue
        told.add(found[0])
        head = "" if one is path else f"{one[-1]}: "
        mark = " " * indent + "# "
        lines += textwrap.wrap(
            head + found[1], _WIDTH, initial_indent=mark, subsequent_indent=mark + "  " * bool(head)
        )
    return lines


def _described(path: tuple[str, ...]) -> tuple[tuple[str, ...], str] | None:
    """Where the schema speaks of a key, and what it says."""
    schema: Any = validation.schema("build")
    node, way = schema, []
    for name in path:
        node = _resolved(node, schema)
        node = _resolved(node.get("items", node), schema)
        if name in node.get("properties", {}):
            node = node["properties"][name]
            way.append(name)
        elif isinstance(node.get("additionalProperties"), dict):
            node = node["additionalProperties"]
            way.append("*")
        else:
            return None
    about = node.get("description") or _resolved(node, schema).get("description")
    if not about or way[-1] == "*":
        return None
    if "enum" in node and len(node["enum"]) < 8:
        about += f" One of: {', '.join(map(str, node['enum']))}."
    return (way[0], way[-1]), about


def _resolved(node: Any, schema: Any) -> Any:
    name = node.get("$ref", "").removeprefix("#/$defs/")
    return schema["$defs"][name] if name else node


def asked(wish: Wish, ask: Any) -> Wish:
    """The wish after a few questions; ``ask(question, default)`` gives the answer."""
    wish = replace(wish, board=wish.board or ask("Board", value_of(wish.like, "board")))
    for key, question in (("start_at", "Start when the average reaches"), ("stop_at", "Stop at")):
        default = value_of(wish.like, key)
        if default and getattr(wish, key) is None:
            wish = replace(wish, **{key: ask(question, default)})
    return wish
