"""Findings as SARIF 2.1.0 (OASIS), so that a code-hosting site shows them at their lines."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from buildkit import __version__, rules, terminal
from buildkit.checking import Report
from buildkit.model import Finding, Place

SCHEMA = (
    "https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json"
)


def results(report: Report) -> list[dict[str, Any]]:
    """The results of one checked file."""
    return [_result(finding) for finding in report.findings]


def log(found: list[dict[str, Any]], complaints: list[str]) -> dict[str, Any]:
    """The whole log: one run over every file, with the rules that were met."""
    met = sorted({result["ruleId"] for result in found})
    for result in found:
        result["ruleIndex"] = met.index(result["ruleId"])
    return {
        "$schema": SCHEMA,
        "version": "2.1.0",
        "runs": [
            {
                "tool": {
                    "driver": {
                        "name": "buildkit",
                        "version": __version__,
                        "rules": [_rule(rules.catalogue()[name]) for name in met],
                    }
                },
                "columnKind": "unicodeCodePoints",
                "invocations": [
                    {
                        "executionSuccessful": not complaints,
                        "toolExecutionNotifications": [
                            {"level": "error", "message": {"text": literal(complaint)}}
                            for complaint in complaints
                        ],
                    }
                ],
                "results": found,
            }
        ],
    }


def literal(text: str) -> str:
    """Words of ours or of a file as a SARIF message, in which they mean nothing else.

    Braces are doubled (3.11.5, placeholders), a link is taken apart (3.11.6,
    embedded links), and the characters that HTML begins with are for the
    viewer to escape, as in any plain text.
    """
    doubled = text.replace("{", "{{").replace("}", "}}")
    return terminal.safe(re.sub(r"\]\s*\(", "] - (", doubled))


def _result(finding: Finding) -> dict[str, Any]:
    return {
        "ruleId": finding.rule,
        "level": finding.severity,
        "message": {"text": literal(f"{finding.message}. {finding.fix}")},
        "locations": [
            {
                "physicalLocation": {
                    "artifactLocation": {"uri": uri(finding.at.file)},
                    "region": _region(finding.at),
                }
            }
        ],
        "properties": {"numbers": dict(finding.numbers), "path": finding.at.path},
    }


def _region(place: Place) -> dict[str, int]:
    line = terminal.line_at(place)
    end = place.column + (terminal.span(line, place.column) if line else 1)
    return {"startLine": place.line, "startColumn": place.column, "endColumn": end}


def uri(file: str) -> str:
    """A file's name as a URI: relative as it was given, else with its scheme (RFC 3986)."""
    from urllib.parse import quote_from_bytes

    path = Path(file)
    if path.is_absolute():
        return path.as_uri()
    return quote_from_bytes(os.fsencode(path.as_posix()))


def _rule(rule: rules.Rule) -> dict[str, Any]:
    return {
        "id": rule.name,
        "shortDescription": {"text": literal(rule.summary)},
        "fullDescription": {"text": literal(rule.why)},
        "help": {"text": _help(rule)},
        "defaultConfiguration": {"level": rule.severity},
        "properties": {"tags": [rule.name.partition(".")[0]]},
    }


def _help(rule: rules.Rule) -> str:
    parts: Iterable[tuple[str, str]] = (
        ("Why", rule.why), ("Wrong", rule.wrong), ("Right", rule.right), ("Source", rule.source),
    )  # fmt: skip
    text = "\n\n".join(f"{head}\n{body}" for head, body in parts)
    return "\n".join(literal(line) for line in text.split("\n"))
