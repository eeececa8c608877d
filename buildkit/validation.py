"""JSON Schema over a document, its errors turned into our own sentences."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable
from functools import cache
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any

from buildkit import fit
from buildkit.model import Fault, Place

if TYPE_CHECKING:
    from buildkit.document import Node

MOST_FAULTS = 100  # a file with more is another file; what is left is told in the next run

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
def _fits(name: str) -> Callable[[Node], bool]:
    return fit.compiled(schema(name))


@cache
def _validator(name: str) -> Any:
    from jsonschema import Draft202012Validator, validators

    extend: Any = validators.extend  # its stub has no types
    return extend(Draft202012Validator, {"pattern": _whole_pattern})(schema(name))


def _whole_pattern(_: Any, pattern: str, instance: Any, __: Any) -> Iterable[Any]:
    """JSON Schema's '$' is the end of the text; Python's also stands before a last line break."""
    from jsonschema import ValidationError

    if isinstance(instance, str) and not re.search(pattern.replace("$", r"\Z"), instance):
        yield ValidationError(f"{instance!r} does not match {pattern!r}")


def faults(document: Node, name: str) -> list[Fault]:
    """Every way in which ``document`` departs from the schema, in file order."""
    if _fits(name)(document):
        return []
    errors = sorted(
        _validator(name).iter_errors(document.plain()), key=lambda error: list(map(str, error.path))
    )
    found = list(islice((f for error in errors for f in _sentences(document, error)), MOST_FAULTS))
    # One word can break two rules of the schema, such as a long name with blanks: told once,
    # and a limit says nothing more of a value that is of the wrong kind.
    wrong = {fault.at for fault in found if fault.rule == "doc.wrong-type"}
    single = {
        (fault.rule, fault.at, fault.message): fault
        for fault in found
        if fault.rule != "doc.out-of-range" or fault.at not in wrong
    }
    return sorted(single.values(), key=lambda fault: (fault.at.line, fault.at.column))


def nearest(word: str, known: Iterable[str]) -> str | None:
    """The known word most like ``word``, or None when none is near."""
    import difflib

    close = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return close[0] if close else None


def choices(known: Iterable[str], limit: int = 12) -> str:
    """Known words as a readable list, cut at ``limit``."""
    words = list(known)
    shown = ", ".join(words[:limit])
    return f"{shown}, … ({len(words)} in all)" if len(words) > limit else shown


def did_you_mean(word: str, known: Iterable[str], what: str) -> str:
    """A fix for an unknown word: the nearest one, else what there is."""
    words = sorted(known, key=_as_counted)
    begun = [one for one in words if len(word) > 2 and one.startswith(word)]
    if len(begun) > 1:
        return f"Those that begin so: {choices(begun)}."
    near = nearest(word, words)
    if near:
        return f"Did you mean '{near}'? Known {what}: {choices(words)}."
    return f"Known {what}: {choices(words)}." if words else f"There are no {what} here."


def _as_counted(word: str) -> list[tuple[int, str]]:
    """A sort key that puts 9 before 10, and numbers before words."""
    return [
        (int(n) if n else 10**9, text) for n, text in re.findall(r"([0-9]{0,9})([^0-9]*)", word)
    ]


def node_at(document: Node, path: Iterable[str | int]) -> Node:
    """The node that a JSON path leads to."""
    node = document
    for step in path:
        node = node.value[step]
    return node


def _show(value: Any) -> str:
    return (
        f"'{clip(value)}'"
        if isinstance(value, str)
        else clip(json.dumps(value, ensure_ascii=False), 50)
    )


def _sentences(document: Node, error: Any) -> Iterable[Fault]:
    node = node_at(document, error.path)
    label = "the file"
    if error.path and isinstance(error.path[-1], int):
        label = (
            f"item {error.path[-1] + 1} of '{error.path[-2]}'"
            if len(error.path) > 1
            else "the list"
        )
    elif error.path:
        label = f"'{clip(error.path[-1])}'"
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
    known = error.schema.get("properties", {})
    unknown = [key for key, _ in node.items() if key not in known]
    misspelt = {nearest(key, known) for key in unknown[:20]}
    for key in error.validator_value:
        # A misspelt key is told as an unknown one, and not a second time as missing.
        missing = key not in node.value and key not in misspelt
        if missing and f"'{key}'" in error.message.split(" is a required")[0]:
            about = known.get(key, {}).get("description", "")
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
        advice = f"Write {words}, without a unit and without quotes."
        if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", node.value):
            advice = f"Write it with a point: {node.value.replace(',', '.')}."
    elif kinds == ["string"] and node.value is not None:
        advice = "Put it in double quotes."
    yield _fault("doc.wrong-type", node.spot, f"{label} must be {words}, and is {got}", advice)


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
        f"{label} is {clip(node.text)}; it must be {words[error.validator]} {limit:g}",
        f"Give a number {words[error.validator]} {limit:g}.",
        value=node.value,
        limit=limit,
    )


def _enumeration(node: Node, error: Any, label: str) -> Iterable[Fault]:
    allowed = [str(word) for word in error.validator_value]
    got = "nothing" if node.value is None else _show(node.plain())
    advice = did_you_mean(node.text, allowed, "values")
    if node.text in allowed:  # right but for its quotes
        advice = f"Write {node.text} without quotes."
    yield _fault(
        "doc.out-of-range",
        node.at,
        f"{label} is {got}; it must be {'one of ' if len(allowed) > 1 else ''}{choices(allowed)}",
        advice,
    )


def _length(node: Node, error: Any, label: str) -> Iterable[Fault]:
    limit = error.validator_value
    if isinstance(error.instance, str) and "pattern" in error.schema:
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


def clip(word: Any, longest: int = 40) -> str:
    """A word of the file made safe to print: one line, nothing invisible, cut at ``longest``."""
    clean = "".join(c if c.isprintable() else "?" for c in str(word))
    return clean if len(clean) <= longest else clean[: longest - 1] + "…"


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
