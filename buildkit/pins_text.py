"""Chosen pins, a move and the survey of boards as text for a terminal."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import bridging, report, shortage
from buildkit.checking import Report
from buildkit.circuit import Circuit
from buildkit.moving import Move, Step, Verdict
from buildkit.pages import wrapped
from buildkit.report import columns
from buildkit.tables import Tables


def pins_text(circuit: Circuit, tables: Tables) -> str:
    """Every signal's pin with the reason, then what found none and what would help."""
    lines = [f"{circuit.build.name} on {circuit.board.id}"]
    lines += report.pin_lines(circuit) or ["  no part needs a pin"]
    if circuit.unseated:
        lines += ["", *_none_left(circuit, tables)]
    return "\n".join(lines) + "\n"


def _none_left(circuit: Circuit, tables: Tables) -> list[str]:
    lines = ["No pin is left for"]
    spots = [(f"{name} {t}", circuit.why_unseated[name, t]) for name, t in circuit.unseated]
    lines += columns(spots)
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
    return (
        "\n".join(lines)
        + "\n\n"
        + report.check_text(Report(file, move.circuit, move.findings), pins=False)
    )


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
    return columns(rows) if rows else ["  no wire"]


def survey_text(name: str, verdicts: Iterable[Verdict]) -> str:
    """Every board with its verdict and one reason, the least change first."""
    lines = [f"{name} on every board, the least change first"]
    lines += columns([(v.board, v.state, v.reason) for v in verdicts])
    return "\n".join(lines) + "\n"
