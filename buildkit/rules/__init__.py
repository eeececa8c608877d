"""The catalogue of rules, and the run over a circuit.

A rule is one function under ``@rule`` in the file of its family.  It sees a
circuit and yields ``Fault``; it knows nothing of files, output or its own
severity.  Its docstring is its published page: a first sentence that says
the fault, then paragraphs that begin with ``Why:``, ``Wrong:`` and ``Right:``.
"""

from __future__ import annotations

import importlib
import inspect
import pkgutil
from collections.abc import Callable, Iterable
from functools import cache

from buildkit.circuit import Circuit
from buildkit.model import Fault, Finding, Severity
from buildkit.records import dataclass

Check = Callable[[Circuit], Iterable[Fault]]


@dataclass(frozen=True, slots=True)
class Rule:
    """One entry of the catalogue.  ``check`` is None for rules that reading itself applies."""

    name: str
    severity: Severity
    summary: str
    why: str
    wrong: str
    right: str
    source: str
    check: Check | None


_registry: dict[str, Rule] = {}


def rule(name: str, severity: Severity, *, source: str) -> Callable[[Check], Check]:
    """Put a function into the catalogue under ``name``."""

    def register(function: Check) -> Check:
        _enter(name, severity, source, function.__doc__ or "", function)
        return function

    return register


def declare(name: str, severity: Severity, page: str, *, source: str) -> None:
    """Put a rule into the catalogue that is applied while a file is read."""
    _enter(name, severity, source, page, None)


def _enter(name: str, severity: Severity, source: str, page: str, check: Check | None) -> None:
    if name in _registry:
        raise ValueError(f"rule {name} is written twice")
    parts = {"Why": "", "Wrong": "", "Right": ""}
    summary, *paragraphs = [block.strip() for block in inspect.cleandoc(page).split("\n\n")]
    for paragraph in paragraphs:
        head, _, body = paragraph.partition(":")
        if head not in parts:
            raise ValueError(f"rule {name}: paragraph '{head}' is none of {sorted(parts)}")
        parts[head] = inspect.cleandoc(body) if "\n" in body else body.strip()
    if not all(parts.values()):
        raise ValueError(f"rule {name}: its page lacks {[k for k, v in parts.items() if not v]}")
    why = " ".join(parts["Why"].split())
    summary = " ".join(summary.split())
    _registry[name] = Rule(
        name, severity, summary, why, parts["Wrong"], parts["Right"], source, check
    )


@cache
def catalogue() -> dict[str, Rule]:
    """Every rule by name, in the order of families and files."""
    for module in pkgutil.iter_modules(__path__):
        importlib.import_module(f"{__name__}.{module.name}")
    return dict(sorted(_registry.items()))


def named(name: str) -> Rule | None:
    """One rule, for which only the files of its family are read; None when there is none."""
    family = name.partition(".")[0]
    for module in pkgutil.iter_modules(__path__):
        if module.name == family or module.name.startswith(f"{family}_"):
            importlib.import_module(f"{__name__}.{module.name}")
    return _registry.get(name)


def finding(fault: Fault) -> Finding:
    """A fault that carries its rule's name, made ready to be shown."""
    entry = catalogue()[fault.rule]
    return Finding(
        entry.name, entry.severity, fault.message, fault.fix, fault.at, fault.numbers, entry.source
    )


def run(circuit: Circuit) -> list[Finding]:
    """Every finding of every rule over a circuit: errors first, then by place."""
    found = [
        Finding(r.name, r.severity, f.message, f.fix, f.at, f.numbers, r.source)
        for r in catalogue().values()
        if r.check is not None
        for f in r.check(circuit)
    ]
    return in_order(found)


def in_order(findings: Iterable[Finding]) -> list[Finding]:
    """Errors, then warnings, then notes; within each by place in the file."""
    ranks = {"error": 0, "warning": 1, "note": 2}
    return sorted(
        findings, key=lambda f: (ranks[f.severity], f.at.file, f.at.line, f.at.column, f.rule)
    )
