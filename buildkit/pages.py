"""Text for a terminal, wrapped, and the page of a rule."""

from __future__ import annotations

import textwrap

from buildkit.rules import Rule

WIDTH = 80


def wrapped(text: str, indent: str, later: str | None = None) -> list[str]:
    """A paragraph as lines; those after the first begin with ``later``."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=later or indent,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def rule_text(rule: Rule) -> str:
    """The page of a rule: what, why, wrong, right, source."""
    return "\n".join(
        [
            f"{rule.name} ({rule.severity})",
            *wrapped(rule.summary, "  "),
            "",
            "Why",
            *wrapped(_capital(rule.why), "  "),
            "",
            "Wrong",
            textwrap.indent(rule.wrong, "  "),
            "",
            "Right",
            textwrap.indent(rule.right, "  "),
            "",
            "Source",
            *wrapped(rule.source, "  "),
            "",
        ]
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
