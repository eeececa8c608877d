"""Findings, boards, parts and rules as text for a terminal, and as JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from buildkit import sentences
from buildkit.checking import Report
from buildkit.circuit import Circuit
from buildkit.model import Board, Finding, Part, Pin
from buildkit.pages import WIDTH, wrapped
from buildkit.terminal import Paint, plain, quote, safe


def check_json(reports: Iterable[Report]) -> dict[str, Any]:
    """What ``check --format json`` prints."""
    return {"builds": [build_json(report) for report in reports]}


def build_json(report: Report) -> dict[str, Any]:
    """What ``check --format json`` says of one build."""
    build = report.circuit.build if report.circuit else None
    return {
        "file": _name(report.file),
        "build": build.name if build else None,
        "board": build.board.id if build else None,
        "findings": [_finding_json(finding) for finding in report.findings],
        "seating": _seating_json(report),
    }


def _name(file: str) -> str:
    """A file's name as text: bytes of it that are none are replaced."""
    return file.encode("utf-8", "surrogateescape").decode("utf-8", "replace")


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "rule": finding.rule,
        "severity": finding.severity,
        "message": finding.message,
        "fix": finding.fix,
        "file": _name(finding.at.file),
        "line": finding.at.line,
        "column": finding.at.column,
        "path": finding.at.path,
        "numbers": dict(finding.numbers),
        "source": finding.source,
    }


def _seating_json(report: Report) -> list[dict[str, str]]:
    wires = report.circuit.signals() if report.circuit else ()
    return [
        {"part": w.use.name, "terminal": w.terminal.name, "pin": w.label, "chosen": w.chosen}
        for w in wires
    ]


def check_text(report: Report, paint: Paint = plain, *, pins: bool = True) -> str:
    """Findings, what the build does, and (with ``pins``) the pins, at 80 columns."""
    lines: list[str] = []
    for finding in report.findings:
        lines += finding_lines(finding, paint)
    circuit = report.circuit
    if circuit is not None:
        lines.append(f"{circuit.build.name} on {circuit.board.id}")
        for entry in circuit.build.control:
            lines += wrapped(sentences.say(entry, circuit.build), "  ")
        lines += pin_lines(circuit) if pins else []
    lines.append(summary(report))
    return "\n".join(lines) + "\n"


def summary(report: Report) -> str:
    """One line that counts what was found."""
    counts = [
        f"{n} {word}{'s' if n != 1 else ''}"
        for word in ("error", "warning", "note")
        if (n := report.count(word))
    ]
    return f"{safe(report.file)}: {', '.join(counts) or 'nothing to find fault with'}"


def finding_lines(finding: Finding, paint: Paint = plain) -> list[str]:
    """A finding with the line that it is about, its numbers and its remedy."""
    severity = finding.severity
    place = f"{safe(str(finding.at))}:"
    # The place and the severity stay on one line: editors read them there.
    lines = [f"{place} {paint(severity, severity)}"]
    rule = paint(finding.rule, "strong")
    if len(f"{place} {severity} {finding.rule}") > WIDTH:
        lines.append(f"  {rule}")
    else:
        lines[0] += f" {rule}"
    lines += quote(finding.at, severity, paint)
    lines += wrapped(f"{finding.message}.", "  ")
    lines += wrapped(f"> {finding.fix}", "  ", "    ")
    return [*lines, ""]


def pin_lines(circuit: Circuit) -> list[str]:
    """Every signal's terminal and pin, with why it is there."""
    return columns(
        (
            wire.name,
            f"pin {wire.label}",
            "as the build says" if wire.chosen == "build" else f"chosen: {wire.why}",
        )
        for wire in circuit.signals()
    )


def columns(cells: Iterable[tuple[str, ...]], indent: str = "  ") -> list[str]:
    """Rows in columns as wide as they need; the last column wraps under itself."""
    rows = list(cells)
    wide = [max(len(row[n]) for row in rows) for n in range(len(rows[0]) - 1)] if rows else []
    lines: list[str] = []
    for row in rows:
        head = indent + "".join(f"{cell:<{w}}  " for cell, w in zip(row[:-1], wide, strict=True))
        lines += wrapped(row[-1], head, " " * len(head)) or [head.rstrip()]
    return lines


def table_text(rows: Iterable[tuple[str, str]]) -> str:
    """Ids and titles, one a line, titles wrapped beside."""
    return "\n".join(columns(rows, indent="")) + "\n"


def board_text(board: Board) -> str:
    """A board's page: hazards first, then the pin map, rails, limits and sources."""
    lines = [board.id, *wrapped(board.title, "  "), ""]
    lines.append("Pins with a hazard")
    for pin in board.pins.values():
        for hazard in pin.hazards:
            lines += wrapped(f"{hazard.kind}: {hazard.why}", f"  {pin.label:<6} ", " " * 9)
    lines += ["", "Pins", *_pin_map(board)]
    lines += ["", "Headers, in their order"]
    for header in board.headers:
        lines += wrapped(" ".join(header.labels), f"  {header.name}: ", "    ")
    lines += ["", "Rails"]
    for rail in board.rails.values():
        text = f"{rail.volts:g} V ({rail.min_v:g} to {rail.max_v:g}), gives {rail.gives_ma:g} mA"
        lines += wrapped(text, f"  {rail.name:<6} ", " " * 9)
    for inlet in board.inlets.values():
        text = f"takes {inlet.min_v:g} to {inlet.max_v:g} V and makes {inlet.feeds} of it"
        lines += wrapped(text, f"  {inlet.name:<6} ", " " * 9)
    lines += ["", "Figures", *_figure_lines(board.figures)]
    lines += _source_lines(board.sources)
    return "\n".join(lines) + "\n"


def _pin_map(board: Board) -> list[str]:
    lines = [f"  {'pin':<6} {'port':<5} what it can do beyond digital in and out"]
    for pin in board.pins.values():
        lines += wrapped(_abilities(pin), f"  {pin.label:<6} {pin.port:<5} ", " " * 15)
    return lines


def _abilities(pin: Pin) -> str:
    words = [*(f"also {alias}" for alias in pin.aliases), *pin.roles]
    if pin.adc is not None:
        words.append(f"analog {pin.adc}")
    if pin.pwm:
        words.append(f"PWM {pin.pwm}")
    if pin.interrupt is not None:
        words.append(f"interrupt {pin.interrupt}")
    if pin.soft_rx:
        words.append("soft serial in")
    if pin.hazards:
        words.append("! hazard")
    return ", ".join(words) or "-"


def part_text(part: Part) -> str:
    """A part's page: what it is, terminals, quantities, figures and sources."""
    lines = [part.id, *wrapped(part.title, "  "), "", *wrapped(part.about, "  ")]
    lines += [f"  Stands under: {', '.join(sorted(part.roles))}. Talks: {part.talks}.", ""]
    lines.append("Terminals")
    for terminal in part.terminals.values():
        needs = f" (needs {terminal.needs})" if terminal.needs else ""
        spare = ", left open unless wired" if terminal.leave_open else ""
        text = f"{terminal.kind}{needs}: {terminal.about}{spare}"
        lines += wrapped(text, f"  {terminal.name:<6} ", " " * 9)
    if part.quantities:
        lines += ["", "Values"]
    for quantity in part.quantities.values():
        span = f"{float(quantity.low):g} to {float(quantity.high):g} {quantity.unit}"
        text = f"{quantity.about}, {span}, steps of {float(quantity.resolution):g}"
        lines += wrapped(text, f"  {quantity.name}: ", "    ")
    lines += ["", "Figures, for own_figures", *_figure_lines(part.figures)]
    for caution in part.cautions:
        lines += ["", *wrapped(caution, "  ! ", "    ")]
    lines += _source_lines(part.sources)
    return "\n".join(lines) + "\n"


def _figure_lines(figures: Any) -> list[str]:
    lines: list[str] = []
    for name, figure in figures.items():
        lines += wrapped(f"{figure.value:g}  [{figure.source}]", f"  {name}: ", "      ")
    return lines


def _source_lines(sources: Any) -> list[str]:
    lines = ["", "Sources"]
    for key, title in sources.items():
        lines += wrapped(f"{key}: {title}", "  ", "    ")
    return lines
