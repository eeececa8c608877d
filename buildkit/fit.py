"""Whether a document meets a schema: yes or no, fast.

jsonschema takes longer to import and to run than all the rest of a check, and
a file without fault does not need its words.  This knows the keywords that our
schemas use, and refuses a schema with any other; ``validation`` asks jsonschema
what is wrong only when this says no.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from buildkit.document import Node

Check = Callable[[Any], bool]  # a Node's value, without its place

_NOT_CHECKED = frozenset({"$schema", "$defs", "title", "description", "default", "examples"})


def compiled(schema: Mapping[str, Any]) -> Callable[[Node], bool]:
    """A function that says whether a document meets ``schema``."""
    whole = _Compiler(schema).check(schema)
    return lambda document: whole(document.value)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_integer(value: Any) -> bool:
    return _is_number(value) and value == int(value)


_TYPES: dict[str, Check] = {
    "object": lambda value: isinstance(value, dict),
    "array": lambda value: isinstance(value, list),
    "string": lambda value: isinstance(value, str),
    "number": _is_number,
    "integer": _is_integer,
    "boolean": lambda value: isinstance(value, bool),
}


def _all(checks: Iterable[Check]) -> Check:
    tests = tuple(checks)
    if len(tests) == 1:
        return tests[0]

    def every(value: Any) -> bool:
        for test in tests:  # noqa: SIM110 - a generator costs twice the time here
            if not test(value):
                return False
        return True

    return every


class _Compiler:
    """Schemas to functions; each ``$ref`` becomes one function, made once."""

    def __init__(self, root: Mapping[str, Any]) -> None:
        self.root = root
        self.shared: dict[str, Check] = {}

    def check(self, schema: Mapping[str, Any]) -> Check:
        unknown = [key for key in schema if key not in _KEYWORDS and key not in _NOT_CHECKED]
        if unknown:
            raise ValueError(f"buildkit/fit.py does not know the schema keyword {unknown[0]}")
        makers = dict.fromkeys(_KEYWORDS[key] for key in schema if key in _KEYWORDS)
        return _all(maker(self, schema) for maker in makers)

    def type(self, schema: Mapping[str, Any]) -> Check:
        wanted = schema["type"]
        if isinstance(wanted, str):
            return _TYPES[wanted]
        tests = tuple(_TYPES[kind] for kind in wanted)
        return lambda value: any(test(value) for test in tests)

    def ref(self, schema: Mapping[str, Any]) -> Check:
        name = schema["$ref"].removeprefix("#/$defs/")
        if name not in self.shared:
            self.shared[name] = self.check(self.root["$defs"][name])
        return self.shared[name]

    def enum(self, schema: Mapping[str, Any]) -> Check:
        allowed = frozenset((type(word) is bool, word) for word in schema["enum"])
        return lambda value: (
            not isinstance(value, (dict, list)) and (isinstance(value, bool), value) in allowed
        )

    def limits(self, schema: Mapping[str, Any]) -> Check:
        low, high = schema.get("minimum"), schema.get("maximum")
        above, below = schema.get("exclusiveMinimum"), schema.get("exclusiveMaximum")

        def within(value: Any) -> bool:
            return not _is_number(value) or (
                (low is None or value >= low)
                and (high is None or value <= high)
                and (above is None or value > above)
                and (below is None or value < below)
            )

        return within

    def text(self, schema: Mapping[str, Any]) -> Check:
        least, most = schema.get("minLength", 0), schema.get("maxLength", 1 << 60)
        # JSON Schema's '$' is the end of the text; Python's also stands before a last line break.
        pattern = re.compile(schema.get("pattern", "").replace("$", r"\Z"))

        def reads(value: Any) -> bool:
            return not isinstance(value, str) or (
                least <= len(value) <= most and pattern.search(value) is not None
            )

        return reads

    def array(self, schema: Mapping[str, Any]) -> Check:
        least, most = schema.get("minItems", 0), schema.get("maxItems", 1 << 60)
        item = self.check(schema["items"]) if "items" in schema else None

        def lists(value: Any) -> bool:
            if not isinstance(value, list):
                return True
            if not least <= len(value) <= most:
                return False
            return item is None or all(item(child.value) for child in value)

        return lists

    def map(self, schema: Mapping[str, Any]) -> Check:
        required = schema.get("required", ())
        least = schema.get("minProperties", 0)
        known = {key: self.check(sub) for key, sub in schema.get("properties", {}).items()}
        name = self.check(schema["propertyNames"]) if "propertyNames" in schema else None
        others = schema.get("additionalProperties", {})
        other = self.check(others) if others is not False else None

        def maps(value: Any) -> bool:
            if not isinstance(value, dict):
                return True
            if len(value) < least or any(key not in value for key in required):
                return False
            for key, child in value.items():
                test = known.get(key, other)
                if test is None or not test(child.value) or (name is not None and not name(key)):
                    return False
            return True

        return maps


_KEYWORDS: dict[str, Callable[[_Compiler, Mapping[str, Any]], Check]] = {
    "type": _Compiler.type,
    "$ref": _Compiler.ref,
    "enum": _Compiler.enum,
    **dict.fromkeys(
        ("minimum", "maximum", "exclusiveMinimum", "exclusiveMaximum"), _Compiler.limits
    ),
    **dict.fromkeys(("minLength", "maxLength", "pattern"), _Compiler.text),
    **dict.fromkeys(("items", "minItems", "maxItems"), _Compiler.array),
    **dict.fromkeys(
        ("properties", "required", "additionalProperties", "propertyNames", "minProperties"),
        _Compiler.map,
    ),
}
