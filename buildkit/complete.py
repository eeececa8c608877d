"""What a shell offers when the tab key is pressed: ids, names of rules, examples."""

from __future__ import annotations

from collections.abc import Iterable

Offer = list[tuple[str, str]]  # the word, and what it is


def _offer(words: Iterable[tuple[str, str]], begun: str) -> Offer:
    return [(word, about) for word, about in words if word.startswith(begun)]


def boards(incomplete: str) -> Offer:
    """Board ids."""
    from buildkit.tables import Tables

    known = Tables()
    return _offer(((name, known.board(name).title) for name in known.board_ids()), incomplete)


def parts(incomplete: str) -> Offer:
    """Part ids."""
    from buildkit.tables import Tables

    known = Tables()
    return _offer(((name, known.part(name).title) for name in known.part_ids()), incomplete)


def rules(incomplete: str) -> Offer:
    """Names of rules."""
    from buildkit.rules import catalogue

    return _offer(((rule.name, rule.summary) for rule in catalogue().values()), incomplete)


def examples(incomplete: str) -> Offer:
    """Names of examples."""
    from buildkit import start

    return _offer(start.examples().items(), incomplete)
