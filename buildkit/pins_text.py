"""Chosen pins, a move and the survey of boards as text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence

from buildkit import bridging, report, shortage
from buildkit.checking import Report
from buildkit.circuit import Circuit
from buildkit.moving import Move, Step, Verdict
from buildkit.tables import Tables

WIDTH = report.WIDTH


def wrapped(text: str, indent: str, later: str | None = None) -> list[str]:
    """Lines of at most 80 columns."""
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=later or indent,
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def _table(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows in columns as wide as they need; the last column wraps under itself."""
    wide = [max(len(row[n]) for row in rows) for n in range(len(rows[0]) - 1)] if rows else []
    lines: list[str] = []
    for row in rows:
        head = "  " + "".join(f"{cell:<{w}}  " for cell, w in zip(row[:-1], wide, strict=True))
        lines += wrapped(row[-1], head, " " * len(head)) or [head.rstrip()]
    return lines


def pins_text(circuit: Circuit, tables: Tables) -> str:
    """Every signal's pin with the reason, then what found none and what would help."""
    lines = [f"{circuit.build.name} on {circuit.board.id}"]
    rows = [
        (
            f"{wire.use.name} {wire.terminal.name}",
            f"pin {wire.label}",
            "as the build says" if wire.chosen == "build" else f"chosen: {wire.why}",
        )
        for wire in circuit.signals()
    ]
    lines += _table(rows) if rows else ["  no part needs a pin"]
    if circuit.unseated:
        lines += ["", *_none_left(circuit, tables)]
    return "\n".join(lines) + "\n"


def _none_left(circuit: Circuit, tables: Tables) -> list[str]:
    lines = ["No pin is left for"]
    spots = [(f"{name} {t}", circuit.why_unseated[name, t]) for name, t in circuit.unseated]
    lines += _table(spots)
    short = shortage.shortage_of(circuit.build)
    if short is not None:
        lines += wrapped(f"{shortage.says(circuit.build, short)}.", "  ")
        ways = [shortage.giving_up(short), *shortage.helps(circuit.build, short, tables)]
        for way in ways:
            lines += wrapped(f"> {way[:1].upper()}{way[1:]}.", "  ", "    ")
    return lines


def move_text(move: Move, file: str) -> str:
    """What stays and what goes, what is needed, what differs, then every finding there."""
    build = move.circuit.build
    lines = [f"{build.name}: from {move.before.board.id} to {build.board.id}", ""]
    lines += _steps(move.steps)
    if move.needs:
        lines += ["", "The new levels need, put in with --add-parts"]
        lines += [line for p in move.needs for line in _bullet(bridging.passage_says(p))]
    if move.added:
        lines += ["", "Added for the new levels"]
        lines += [line for p in move.added for line in _bullet(bridging.passage_says(p))]
    if move.supply:
        lines += ["", "Supply", *(line for said in move.supply for line in _bullet(said))]
    return "\n".join(lines) + "\n\n" + report.check_text(Report(file, move.circuit, move.findings))


def _bullet(text: str) -> list[str]:
    return wrapped(text, "  - ", "    ")


def _steps(steps: Iterable[Step]) -> list[str]:
    """Kept wires first, in one line each, then those that move."""
    rows = [
        (
            f"{step.spot[0]} {step.spot[1]}",
            step.state,
            f"{step.before or '-'} -> {step.after or '-'}"
            if step.state != "kept"
            else f"{step.after}",
            step.why,
        )
        for step in steps
    ]
    return _table(rows) if rows else ["  no wire"]


def survey_text(name: str, verdicts: Iterable[Verdict]) -> str:
    """Every board with its verdict and one reason, the least change first."""
    lines = [f"{name} on every board, the least change first"]
    lines += _table([(v.board, v.state, v.reason) for v in verdicts])
    return "\n".join(lines) + "\n"
