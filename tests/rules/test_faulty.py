"""Each file of examples/faulty/ gives what its head says, and every rule has one."""

from __future__ import annotations

import json
import re
from functools import cache
from pathlib import Path

import pytest

from buildkit.checking import Report, check
from buildkit.model import Finding
from buildkit.places import data_dir
from buildkit.rules import catalogue
from buildkit.tables import Tables

EXAMPLES = Path(data_dir("examples"))
FAULTY = sorted((EXAMPLES / "faulty").glob("*.yaml"))
GOOD = sorted(EXAMPLES.glob("*.yaml"))
EXPECT = re.compile(r"^# expect: (\S+) @ (\d+)\s*$", re.MULTILINE)

# Rules that no build can break with the boards and parts of today, and why.
WITHOUT_EXAMPLE: dict[str, str] = {}


@cache
def _report(path: Path) -> Report:
    return check(path, Tables())


def _expected(path: Path) -> set[tuple[str, int]]:
    sidecar = path.with_name(path.name + ".expect")
    text = (sidecar if sidecar.exists() else path).read_bytes().decode("latin-1")
    return {(rule, int(line)) for rule, line in EXPECT.findall(text)}


def _rule_of(path: Path) -> str:
    """The rule that a file is named after: its name, or the longest beginning of it."""
    fitting = [n for n in catalogue() if path.stem == n or path.stem.startswith(f"{n}-")]
    return max(fitting, key=len, default="")


@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.name)
def test_errors_and_warnings_are_those_of_the_head(path: Path) -> None:
    found = {(f.rule, f.at.line) for f in _report(path).findings if f.severity != "note"}
    assert found == _expected(path)


@pytest.mark.parametrize("path", FAULTY, ids=lambda path: path.name)
def test_a_file_shows_the_rule_that_it_is_named_after(path: Path) -> None:
    assert _rule_of(path) in {f.rule for f in _report(path).findings}


def test_every_rule_has_a_faulty_example_or_a_reason() -> None:
    shown = {_rule_of(path) for path in FAULTY}
    assert set(catalogue()) - shown == set(WITHOUT_EXAMPLE)


@pytest.mark.parametrize("path", GOOD, ids=lambda path: path.name)
def test_the_good_examples_give_no_error(path: Path) -> None:
    report = _report(path)
    warnings = [(f.rule, f.message) for f in report.findings if f.severity == "warning"]
    errors = [(f.rule, f.message) for f in report.findings if f.severity == "error"]
    assert errors == [], f"warnings besides: {warnings}"


def _all_findings() -> list[Finding]:
    return [finding for path in (*FAULTY, *GOOD) for finding in _report(path).findings]


@pytest.mark.parametrize("name", sorted(catalogue()))
def test_a_rule_says_itself_in_one_line_with_a_fix(name: str) -> None:
    findings = [finding for finding in _all_findings() if finding.rule == name]
    assert findings or name in WITHOUT_EXAMPLE
    for finding in findings:
        assert "\n" not in finding.message + finding.fix
        assert not finding.message.endswith(".")
        assert finding.fix[:1].isupper()
        assert finding.fix.endswith((".", "?"))
        json.dumps(dict(finding.numbers), allow_nan=False)


@pytest.mark.parametrize("family", ["pin", "bus", "level", "power", "load"])
def test_a_circuit_rule_tells_the_figures_or_names_that_decided_it(family: str) -> None:
    findings = [f for f in _all_findings() if f.rule.startswith(f"{family}.")]
    assert findings
    for finding in findings:
        assert finding.numbers, finding.rule
        shown = [v for v in finding.numbers.values() if isinstance(v, str | int | float)]
        named = any(str(v) in finding.message for v in shown if isinstance(v, str) and v)
        assert named or re.search(r"\d", finding.message), finding.message


@pytest.mark.parametrize("entry", catalogue().values(), ids=catalogue().keys())
def test_every_rule_names_where_it_is_published(entry: object) -> None:
    source = getattr(entry, "source", "")
    assert len(source) > 8
    assert not source.endswith(".")
