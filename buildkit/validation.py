"""JSON Schema over a document, its errors turned into our own sentences."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable
from functools import cache
from pathlib import Path
from typing import Any

from buildkit.document import Node
from buildkit.model import Fault, Place

_KIND_WORDS = {
    "object": "a map of 'key: value' lines",
    "array": "a list",
    "string": "text",
    "number": "a number",
    "integer": "a whole number",
    "boolean": "true or false",
}


@cache
def schema(name: str) -> dict[str, Any]:
    """The JSON Schema of ``build``, ``board`` or ``part``."""
    path = Path(__file__).parent / "schemas" / f"{name}.schema.json"
    loaded: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
    return loaded


@cache
def _validator(name: str) -> Any:
    from jsonschema import Draft202012Validator

    return Draft202012Validator(schema(name))


def faults(document: Node, name: str) -> list[Fault]:
    """Every way in which ``document`` departs from the schema, in file order."""
    errors = sorted(
        _validator(name).iter_errors(document.plain()), key=lambda error: list(map(str, error.path))
    )
    found = [fault for error in errors for fault in _sentences(document, error)]
    return sorted(found, key=lambda fault: (fault.at.line, fault.at.column))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like ``word``, or None when none is near."""
    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return close[0] if close else None


def choices(known: Iterable[str], limit: int = 12) -> str:
    """Known words as a readable list, cut at ``limit``."""
    words = list(known)
    shown = ", ".join(words[:limit])
    return f"{shown}, … ({len(words)} in all)" if len(words) > limit else shown


def did_you_mean(word: str, known: Iterable[str], what: str) -> str:
    """A fix for an unknown word: the nearest one, else what there is."""
    words = sorted(known)
    near = nearest(word, words)
    if near:
        return f"Did you mean '{near}'? Known {what}: {choices(words)}."
    return f"Known {what}: {choices(words)}." if words else f"There are no {what} here."


def node_at(document: Node, path: Iterable[str | int]) -> Node:
    """The node that a JSON path leads to."""
    node = document
    for step in path:
        node = node.value[step]
    return node


def _show(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False) if not isinstance(value, str) else f"'{value}'"
    return text if len(text) <= 50 else text[:47] + "…"


def _sentences(document: Node, error: Any) -> Iterable[Fault]:
    node = node_at(document, error.path)
    label = f"'{error.path[-1]}'" if error.path else "the file"
    if error.path and isinstance(error.path[-1], int):
        label = f"item {error.path[-1] + 1} of the list"
    handler = _HANDLERS.get(error.validator, _other)
    yield from handler(node, error, label)


def _fault(rule: str, at: Place, message: str, fix: str, **numbers: Any) -> Fault:
    return Fault(at, message, fix, numbers, rule)


def _unknown_keys(node: Node, error: Any, label: str) -> Iterable[Fault]:
    known = error.schema.get("properties", {})
    for key, child in node.items():
        if key not in known:
            yield _fault(
                "doc.unknown-key",
                child.name_at,
                f"'{clip(key)}' is not a key of {label}",
                did_you_mean(key, known, "keys here"),
            )


def _missing_keys(node: Node, error: Any, label: str) -> Iterable[Fault]:
    for key in error.validator_value:
        if key not in node.value and f"'{key}'" in error.message.split(" is a required")[0]:
            about = error.schema.get("properties", {}).get(key, {}).get("description", "")
            yield _fault(
                "doc.missing-key",
                node.name_at,
                f"{label} has no '{key}'",
                f"Add '{key}:'. {about}".strip(),
            )


def _wrong_type(node: Node, error: Any, label: str) -> Iterable[Fault]:
    wanted = error.validator_value
    kinds = [wanted] if isinstance(wanted, str) else list(wanted)
    words = " or ".join(_KIND_WORDS.get(kind, kind) for kind in kinds)
    got = "nothing" if node.value is None else _show(node.plain())
    advice = f"Write {words}."
    if node.value in ("on", "off", "yes", "no") and "boolean" in kinds:
        advice = "Write true or false."
    elif isinstance(node.value, str) and {"number", "integer"} & set(kinds):
        advice = f"Write {words} without its unit and without quotes."
    yield _fault("doc.wrong-type", node.at, f"{label} must be {words}, and is {got}", advice)


def _range(node: Node, error: Any, label: str) -> Iterable[Fault]:
    words = {
        "minimum": "at least",
        "maximum": "at most",
        "exclusiveMinimum": "above",
        "exclusiveMaximum": "below",
    }
    limit = error.validator_value
    yield _fault(
        "doc.out-of-range",
        node.at,
        f"{label} is {node.text or _show(node.plain())}; it must be {words[error.validator]} {limit:g}",
        f"Give a number {words[error.validator]} {limit:g}.",
        value=node.value,
        limit=limit,
    )


def _enumeration(node: Node, error: Any, label: str) -> Iterable[Fault]:
    allowed = [str(word) for word in error.validator_value]
    yield _fault(
        "doc.out-of-range",
        node.at,
        f"{label} is {_show(node.plain())}; it must be one of {choices(allowed)}",
        did_you_mean(str(node.value), allowed, "values"),
    )


def _length(node: Node, error: Any, label: str) -> Iterable[Fault]:
    limit = error.validator_value
    if isinstance(error.instance, str) and "name" in str(error.schema_path):
        yield from _pattern(node, error, label)
        return
    short = error.validator.startswith("min")
    unit = "character" if isinstance(error.instance, str) else "item"
    how = "fewer than" if short else "more than"
    yield _fault(
        "doc.out-of-range",
        node.at,
        f"{label} has {how} {limit} {unit}{'s' if limit != 1 else ''}",
        "Add what is missing." if short else "Shorten it.",
        length=len(error.instance),
        limit=limit,
    )


def _pattern(node: Node, error: Any, label: str) -> Iterable[Fault]:
    word = error.instance
    # A name under propertyNames is the key; its own place is the child's key.
    child = node.get(word) if isinstance(node.value, dict) else None
    at = child.name_at if child else node.at
    dash = "'-'" if node.at.path == "build" else "'_'"
    longest = error.schema.get("maxLength", 40)
    yield _fault(
        "doc.unsafe-name",
        at,
        f"'{clip(word)}' cannot be a name",
        f"Use lower-case letters and digits, joined by {dash}, beginning with a letter, {longest} at most.",
        longest=longest,
    )


def _other(node: Node, error: Any, label: str) -> Iterable[Fault]:
    yield _fault(
        "doc.wrong-type",
        node.at,
        f"{label} does not fit: {error.message}",
        "See 'buildkit schema'.",
    )


def clip(word: str) -> str:
    """A word of the file made safe to print: one line, no control characters, 40 long at most."""
    clean = "".join(c if c.isprintable() else "?" for c in word)
    return clean if len(clean) <= 40 else clean[:37] + "…"


_HANDLERS = {
    "additionalProperties": _unknown_keys,
    "required": _missing_keys,
    "type": _wrong_type,
    "minimum": _range,
    "maximum": _range,
    "exclusiveMinimum": _range,
    "exclusiveMaximum": _range,
    "enum": _enumeration,
    "minLength": _length,
    "maxLength": _length,
    "minItems": _length,
    "maxItems": _length,
    "minProperties": _length,
    "pattern": _pattern,
}
