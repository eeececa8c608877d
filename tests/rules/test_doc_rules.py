"""Every doc.* name is in the catalogue, raised somewhere, and shown by a faulty example."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

import pytest

import buildkit
from buildkit import checking, rules
from buildkit.places import data_dir
from buildkit.tables import Tables

FAULTY = Path(data_dir("examples")) / "faulty"
DECLARED = sorted(name for name in rules.catalogue() if name.startswith("doc."))


@cache
def raised() -> frozenset[str]:
    """Names in the source; a name that is put together ends in '*'."""
    package = Path(buildkit.__file__ or "").parent
    source = "\n".join(path.read_text(encoding="utf-8") for path in sorted(package.glob("*.py")))
    return frozenset(
        name + ("*" if name.endswith("-") else "")
        for name in re.findall(r"[\"'](doc\.[a-z-]+)", source)
    )


def test_every_name_raised_is_declared() -> None:
    whole = {name for name in raised() if not name.endswith("*")}
    assert whole <= set(DECLARED)
    for stem in (name[:-1] for name in raised() - whole):
        assert any(name.startswith(stem) for name in DECLARED), stem


@pytest.mark.parametrize("name", DECLARED)
def test_every_name_declared_is_raised_by_its_example(name: str) -> None:
    report = checking.check(FAULTY / f"{name}.yaml", Tables())
    assert {finding.rule for finding in report.findings} == {name}
    assert report.circuit is None
    stems = [stem[:-1] for stem in raised() if stem.endswith("*")]
    assert name in raised() or any(name.startswith(stem) for stem in stems)


@pytest.mark.parametrize("name", DECLARED)
def test_nothing_is_checked_by_the_page_itself(name: str) -> None:
    entry = rules.catalogue()[name]
    assert entry.check is None
    assert entry.severity == "error"
    assert entry.source
