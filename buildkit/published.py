"""The JSON Schemas as editors want them: with the boards and parts at hand.

``schemas/editor/build.schema.json`` is ours plus what the tables say, so that an
editor completes ids, terminals and values, tells what they are, and marks a
wrong one.  ``python -m buildkit.published`` writes it anew.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from buildkit import validation
from buildkit.model import Part
from buildkit.tables import Tables
from buildkit.units import UNITS, units_like

KINDS = ("build", "board", "part", "room")


def schema(kind: str, tables: Tables) -> dict[str, Any]:
    """The published schema of ``build``, ``board``, ``part`` or ``room``."""
    made = copy.deepcopy(validation.schema(kind))
    if kind == "build":
        boards = [tables.board(name) for name in tables.board_ids()]
        made["properties"]["board"] |= _listed((board.id, board.title) for board in boards)
        parts = [tables.part(name) for name in tables.part_ids()]
        for section, entry in _entries(made):
            _part_entry(entry, [part for part in parts if section in part.roles])
    return made


def _entries(build: dict[str, Any]) -> Iterable[tuple[str, dict[str, Any]]]:
    """The sections whose entries name a part, and the schema of such an entry."""
    for section, one in build["properties"].items():
        name = str((one.get("additionalProperties") or {}).get("$ref", "")).removeprefix("#/$defs/")
        if "part" in build["$defs"].get(name, {}).get("properties", {}):
            yield section, build["$defs"][name]


def text(kind: str, tables: Tables) -> str:
    """The same as it is printed and stored."""
    return json.dumps(schema(kind, tables), indent=1, ensure_ascii=False) + "\n"


def _listed(words: Iterable[tuple[str, str]]) -> dict[str, Any]:
    """Words to choose from, each with what it is; an editor shows that beside it."""
    pairs = list(words)
    return {"enum": [word for word, _ in pairs], "enumDescriptions": [about for _, about in pairs]}


def _part_entry(entry: dict[str, Any], parts: list[Part]) -> None:
    """Make one section's entry know its parts, and what each of them has."""
    about = validation.schema("build")["$defs"]["part"]["description"]
    listed = _listed((part.id, part.title) for part in parts)
    entry["properties"]["part"] = {"description": about, **listed}
    if "value" in entry["properties"]:
        units = ((unit, f"a unit of {UNITS[unit].kind}") for unit in UNITS)
        entry["properties"]["unit"] |= _listed(units)
    entry["allOf"] = [
        {
            "if": {"required": ["part"], "properties": {"part": {"const": part.id}}},
            "then": {"properties": _of_part(part, entry["properties"])},
        }
        for part in parts
    ]


def _of_part(part: Part, known: dict[str, Any]) -> dict[str, Any]:
    """The keys whose values depend on the part."""
    made: dict[str, Any] = {}
    if "wires" in known:
        made["wires"] = _only((name, one.about) for name, one in part.terminals.items())
    if "own_figures" in known:
        made["own_figures"] = _only(
            (name, f"{one.value:g} in the part's table ({one.source})")
            for name, one in part.figures.items()
        )
    if "value" in known:
        made["value"] = _listed((q.name, q.about) for q in part.quantities.values())
        units = dict.fromkeys(u for q in part.quantities.values() for u in units_like(q.unit))
        made["unit"] = {"enum": list(units)}
    if "address" in known and part.addresses:
        made["address"] = {"enum": list(part.addresses)}
    return made


def _only(names: Iterable[tuple[str, str]]) -> dict[str, Any]:
    described = {name: {"description": about} for name, about in names}
    return {"properties": described, "additionalProperties": False}


def stored() -> Path:
    """The schema that the first line of a build file points an editor at."""
    return Path(__file__).parent / "schemas" / "editor" / "build.schema.json"


def main() -> None:
    """Write the published schema of our own tables."""
    stored().write_text(text("build", Tables()), encoding="utf-8")


if __name__ == "__main__":
    main()
