"""One build file to its findings: the road from text to circuit to rules."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from buildkit import buildfile, document, rules, seating
from buildkit.circuit import Circuit
from buildkit.model import Build, Finding, Refused
from buildkit.records import dataclass
from buildkit.tables import Tables


@dataclass(frozen=True, slots=True)
class Report:
    """What a check found.  ``circuit`` is None when the file could not be taken."""

    file: str
    circuit: Circuit | None
    findings: tuple[Finding, ...]

    @property
    def errors(self) -> int:
        """How many of the findings are errors."""
        return self.count("error")

    def count(self, severity: str) -> int:
        """How many findings have that severity."""
        return sum(1 for finding in self.findings if finding.severity == severity)


def check(path: Path, tables: Tables) -> Report:
    """All findings of the build at ``path``.  Raises document.CannotOpen."""
    return _report(str(path), lambda: buildfile.load(path, tables))


def check_text(raw: bytes, file: str, tables: Tables) -> Report:
    """All findings of a build that is not, or not yet, the content of ``file``."""
    return _report(file, lambda: buildfile.from_tree(document.parse(raw, file), tables))


def _report(file: str, load: Callable[[], Build]) -> Report:
    try:
        build = load()
    except Refused as refused:
        findings = rules.in_order(rules.finding(fault) for fault in refused.faults)
        return Report(file, None, tuple(findings))
    circuit = seating.seat(build)
    return Report(file, circuit, tuple(rules.run(circuit)))
