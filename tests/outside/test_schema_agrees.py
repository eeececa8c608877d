"""The schemas before a validator that we did not write (jsonschema-rs), and our quick answer."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path
from typing import Any

import jsonschema_rs
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buildkit import buildfile, document, fit, published, validation
from buildkit.model import Refused
from buildkit.places import data_dir
from buildkit.tables import Tables
from tests.fuzz import inputs

TABLES = Tables()
README = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
FILES = {
    "build": data_dir("examples").glob("*.yaml"),
    "board": data_dir("boards").glob("*.yaml"),
    "part": (data_dir("templates") / "parts").glob("*/part.yaml"),
}
TEXTS = {
    **{kind: [path.read_text("utf-8") for path in sorted(found)] for kind, found in FILES.items()},
    "room": re.findall(r"```yaml\n(room: .*?)```", README, re.DOTALL),
}
SCHEMAS = {kind: published.schema(kind, TABLES) for kind in published.KINDS}
OUTSIDE = {kind: jsonschema_rs.validator_for(schema) for kind, schema in SCHEMAS.items()}
PLAIN = {kind: jsonschema_rs.validator_for(validation.schema(kind)) for kind in published.KINDS}


def plain(text: str) -> Any:
    return document.parse(text.encode(), "x.yaml").plain()


@pytest.mark.parametrize("kind", published.KINDS)
def test_ours_are_valid_before_the_validator(kind: str) -> None:
    jsonschema_rs.meta.validate(SCHEMAS[kind])
    assert TEXTS[kind]
    for text in TEXTS[kind]:
        assert [str(e) for e in OUTSIDE[kind].iter_errors(plain(text))] == [], text


@pytest.mark.parametrize("kind", published.KINDS)
def test_every_key_is_described(kind: str) -> None:
    bare: list[str] = []

    def walk(node: Any, path: str) -> None:
        if isinstance(node, dict):
            for key, one in node.get("properties", {}).items():
                name = str(one.get("$ref", "")).removeprefix("#/$defs/")
                about = one.get("description") or SCHEMAS[kind]["$defs"].get(name, {}).get(
                    "description"
                )
                if not about and "/then/" not in path:
                    bare.append(f"{path}/{key}")
            for key, child in node.items():
                walk(child, f"{path}/{key}")
        elif isinstance(node, list):
            for child in node:
                walk(child, path)

    walk(validation.schema(kind), "")
    assert bare == []


def test_a_key_left_out_has_the_default_that_the_schema_tells() -> None:
    """Whatever has a default there may be written out with it, and the build stays the same."""
    given = plain((data_dir("examples") / "kitchen-hood.yaml").read_text("utf-8"))
    defaults = {
        (place, key): one["default"]
        for place, schema in (("probe", SCHEMAS["build"]["$defs"]["probe"]),
                              ("control", SCHEMAS["build"]["$defs"]["control"]),
                              ("", SCHEMAS["build"]))
        for key, one in schema["properties"].items() if "default" in one
    }  # fmt: skip
    assert len(defaults) >= 4
    for (place, key), default in defaults.items():
        bare, full = copy.deepcopy(given), copy.deepcopy(given)
        for build, value in ((bare, None), (full, default)):
            target = {"probe": build["probes"]["smoke"], "control": build["control"][0], "": build}
            target[place].pop(key, None)
            if value is not None:
                target[place][key] = value
        made = []
        for build in (bare, full):
            tree = document.parse(json.dumps(build).encode(), "x.yaml")
            read = buildfile.from_tree(tree, TABLES)
            owner: Any = {"probe": read.probes["smoke"], "control": read.control[0], "": read}[
                place
            ]
            made.append(getattr(owner, key))
        assert made[0] == made[1], key


@pytest.mark.slow
@settings(max_examples=400, deadline=None)
@given(st.binary(min_size=5, max_size=33))
def test_the_quick_answer_is_the_validators(data: bytes) -> None:
    kind, text = ("build", inputs.examples()[data[0] % len(inputs.examples())])
    if data[1] % 3:
        kind, _, text = inputs.tables()[data[0] % len(inputs.tables())]
    try:
        tree = document.parse(inputs.edited(data[2:], text).encode(), "x.yaml")
    except Refused:
        return
    quick = fit.compiled(validation.schema(kind))(tree)
    assert quick == PLAIN[kind].is_valid(tree.plain())
    assert quick == (validation.faults(tree, kind) == [])


def test_an_unknown_keyword_is_refused() -> None:
    with pytest.raises(ValueError, match="dependentRequired"):
        fit.compiled({"properties": {"a": {"dependentRequired": {}}}})
