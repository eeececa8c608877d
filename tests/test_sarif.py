"""SARIF 2.1.0: what code-hosting sites need of it, and words that stay words."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buildkit import checking, rules, sarif
from buildkit.tables import Tables

EXAMPLES = Path(__file__).parent.parent / "examples"
TABLES = Tables()


def test_a_finding_has_its_place_rule_and_remedy() -> None:
    path = EXAMPLES / "faulty" / "pin.taken-twice.yaml"
    report = checking.check(path, TABLES)
    log = sarif.log(sarif.results(report), [])
    (run,) = log["runs"]
    result = run["results"][0]
    assert (result["ruleId"], result["level"]) == ("pin.taken-twice", "error")
    rule = run["tool"]["driver"]["rules"][result["ruleIndex"]]
    assert rule["id"] == "pin.taken-twice"
    assert rules.catalogue()["pin.taken-twice"].source in rule["help"]["text"]
    region = result["locations"][0]["physicalLocation"]["region"]
    line = path.read_text().splitlines()[region["startLine"] - 1]
    assert line[region["startColumn"] - 1 : region["endColumn"] - 1] == "8"
    assert report.findings[0].fix in result["message"]["text"]
    assert run["invocations"] == [{"executionSuccessful": True, "toolExecutionNotifications": []}]


def test_a_file_that_cannot_be_opened_is_told() -> None:
    log = sarif.log([], ["x.yaml is not there."])
    (told,) = log["runs"][0]["invocations"]
    assert not told["executionSuccessful"]
    assert told["toolExecutionNotifications"][0]["message"]["text"] == "x.yaml is not there."


@pytest.mark.parametrize(
    ("file", "uri"),
    [
        ("a/b.yaml", "a/b.yaml"),
        ("a b/µ%.yaml", "a%20b/%C2%B5%25.yaml"),
        ("c:d.yaml", "c%3Ad.yaml"),
        ("/tmp/a b.yaml", "file:///tmp/a%20b.yaml"),
        ("bad\udcff.yaml", "bad%FF.yaml"),
    ],
)
def test_a_file_as_uri(file: str, uri: str) -> None:
    assert sarif.uri(file) == uri


@given(st.text())
def test_no_text_is_a_placeholder_a_link_or_a_control(text: str) -> None:
    made = sarif.literal(text)
    assert not re.search(r"(?<!\{)\{(\{\{)*\d+\}", made)  # 3.11.5: a lone brace
    assert made.count("{") == 2 * text.count("{")
    assert not re.search(r"\]\s*\(", made)  # 3.11.6: an embedded link
    assert made.isprintable()
    json.dumps(made).encode()
