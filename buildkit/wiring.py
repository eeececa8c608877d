"""Circuit to the pages that hang beside the bench: HTML, CSV and Markdown.

``rows`` is the wire table.  All text goes through one door on its way into a
page: Jinja2's ``finalize`` makes invisible characters visible, and then HTML
is escaped by autoescape and Markdown by ``markdown``.  The same circuit gives
the same bytes: no dates, no locale.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
import textwrap
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from buildkit import bench, bill, budget, cautions, changes, picture, proving
from buildkit.changes import Rewire, rewiring
from buildkit.circuit import Circuit, End, Net
from buildkit.escapes import visible
from buildkit.model import Finding
from buildkit.places import data_dir

__all__ = [
    "Rewire",
    "WireRow",
    "render_csv",
    "render_html",
    "render_md",
    "render_rewiring_html",
    "render_rewiring_md",
    "render_rewiring_text",
    "rewiring",
    "rows",
]


@dataclass(frozen=True, slots=True)
class WireRow:
    """One net of the wiring list: a wire, or the block that three or more ends need."""

    number: int
    net: str
    kind: str
    start: str  # the first end, or the block
    ends: tuple[str, ...]  # where the wires go from there
    signal: str
    volts: str
    size: str
    colour: str
    length: str
    continuity: str

    @property
    def block(self) -> bool:
        """Whether three or more ends meet."""
        return len(self.ends) > 1


def rows(circuit: Circuit) -> tuple[WireRow, ...]:
    """Every net once, in the order of work."""
    colours = bench.colours(circuit)
    made = []
    for number, net in enumerate(bench.work_order(circuit), 1):
        ends = tuple(_end(circuit, end) for end in net.ends)
        block = len(ends) > 2
        made.append(
            WireRow(
                number=number,
                net=net.name,
                kind=net.kind,
                start=f"{bench.net_word(circuit.build, net)} block, {len(ends)} ways"
                if block
                else ends[0],
                ends=ends if block else ends[1:],
                signal=_signal(circuit, net),
                volts=_volts(circuit, net),
                size=bench.size(circuit, net).text,
                colour=colours[net.name],
                length=bench.length(circuit, net),
                continuity=bench.continuity(circuit, net),
            )
        )
    return tuple(made)


def _end(circuit: Circuit, end: End) -> str:
    """An end, with what its cable is made of where the build gives one."""
    cable = bench.cable_at(circuit, end)
    return bench.end_text(circuit.board, end) + (f" (cable {cable.said_as})" if cable else "")


def _signal(circuit: Circuit, net: Net) -> str:
    """What runs along a net, in the words of its terminals."""
    if net.kind == "ground":
        return "ground"
    if net.kind == "supply":
        return f"supply {net.name}"
    if net.kind != "signal":
        word = bench.net_word(circuit.build, net)
        plug = "it lies inside the plug"
        care = plug if bench.region(circuit.build) == "uk" else "keep it short"
        return f"{word} before the fuse; {care}" if net.name == "live" else word
    spots = {wire.spot: wire for wire in circuit.wires}
    words = [
        spots[end.owner, end.label].terminal.about
        for end in net.ends
        if (end.owner, end.label) in spots
    ]
    owners = {end.owner for end in net.ends}
    for passage in circuit.passages.values():
        parts = {c.ref for c in circuit.components if c.use is passage.use} | {passage.use.name}
        if not words and parts & owners:
            words.append(f"{' '.join(passage.spot)}, through its {passage.kind}")
    for part in circuit.components:
        if not words and part.ref in owners:
            words.append(f"{part.use.name} {part.extra.between[0]}, through {part.ref}")
    return words[0] if words else net.name


def _volts(circuit: Circuit, net: Net) -> str:
    volts = bench.short(net.volts)
    if net.kind != "signal":
        return f"{volts} V"
    wires = {wire.spot: wire for wire in circuit.signals()}
    ends = [wires[e.owner, e.label] for e in net.ends if (e.owner, e.label) in wires]
    if len(ends) == 1 and ends[0].terminal.flow == "out":
        high = bill.figure(ends[0].use, "out_high_v")
        volts = bench.short(high) if high is not None else volts
    return f"0 to {volts} V"


# --- text on its way out ---------------------------------------------------------


def markdown(text: str) -> str:
    """Text as Markdown that shows exactly this text (CommonMark 0.31, 2.4 backslash escapes)."""
    escaped = re.sub(r"([\\`*_\[\]<>|~&#$])", r"\\\1", visible(text).strip())
    # What makes a list or a heading where a line begins with it.
    escaped = re.sub(r"^([0-9]*)([-+=.)])", r"\1\\\2", escaped)
    # GitHub turns bare addresses into links; without the first character they are none.
    return re.sub(r"(?i)(?<=\w)(://)|(?<=www)(\.)", lambda m: "\\" + m.group(0), escaped)


def _cell(text: str) -> str:
    """Text for a spreadsheet cell that is never taken for a formula (OWASP, CSV injection)."""
    shown = visible(text)
    formula = text.startswith(("\t", "\r")) or shown.lstrip().startswith(("=", "+", "-", "@"))
    return f"'{shown}" if formula else shown


def _for_html(value: object) -> object:
    return visible(value) if isinstance(value, str) and not isinstance(value, Markup) else value


def _for_markdown(value: object) -> object:
    return markdown(value) if isinstance(value, str) else value


def _environment(kind: str) -> Environment:
    html = kind == "html"
    return Environment(
        loader=FileSystemLoader(data_dir("templates") / "wiring"),
        autoescape=html,
        undefined=StrictUndefined,
        finalize=_for_html if html else _for_markdown,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )


# --- the pages ---------------------------------------------------------------------


# A spreadsheet may take the file for one in a code page of its own.
_SPELLED = str.maketrans({"²": "2", "Ω": "ohm"})


def render_csv(circuit: Circuit) -> str:
    """The wire table for a spreadsheet, after RFC 4180."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    head = "number,from,to,signal,volts,size,colour,length,continuity,done"
    writer.writerow(head.split(","))
    for row in rows(circuit):
        cells = [row.start, "; ".join(row.ends), row.signal, row.volts, row.size, row.colour]
        spelled = [cell.translate(_SPELLED) for cell in [*cells, row.length, row.continuity, ""]]
        writer.writerow([row.number, *map(_cell, spelled)])
    return out.getvalue()


def render_html(circuit: Circuit, findings: Sequence[Finding], said: Sequence[str]) -> str:
    """The wiring page: one file with everything in it."""
    drawings = [
        {"title": drawn.title, "svg": Markup(picture.svg(drawn))}
        for drawn in picture.layout(circuit)
    ]
    template = _environment("html").get_template("wiring.html.j2")
    return template.render(_pack(circuit, findings, said), pictures=drawings)


def render_md(circuit: Circuit, findings: Sequence[Finding], said: Sequence[str]) -> str:
    """The wiring page as Markdown, without the pictures."""
    template = _environment("md").get_template("wiring.md.j2")
    return template.render(_pack(circuit, findings, said))


def render_rewiring_html(before: Circuit, after: Circuit) -> str:
    """The re-wiring list as a page of its own."""
    return _environment("html").get_template("rewiring.html.j2").render(_swap(before, after))


def render_rewiring_md(before: Circuit, after: Circuit) -> str:
    """The re-wiring list as Markdown."""
    return _environment("md").get_template("rewiring.md.j2").render(_swap(before, after))


def render_rewiring_text(before: Circuit, after: Circuit) -> str:
    """The re-wiring list for a terminal of 80 columns."""
    pack = _swap(before, after)
    lines = [f"Re-wiring {pack['build'].name}: {pack['old_board']} -> {pack['new_board']}"]
    for caution in pack["cautions"] if pack["changes"] else ():
        lines += textwrap.wrap(visible(caution), 78, initial_indent="  ", subsequent_indent="  ")
    for change in pack["changes"]:
        number = f"#{change.number}" if change.number else ""
        text = f"{visible(change.what)}: {visible(change.old)} -> {visible(change.new)}"
        head = f"  [ ] {number:<4} "
        lines += textwrap.wrap(text, 80, initial_indent=head, subsequent_indent=" " * len(head))
    if not pack["changes"]:
        lines.append("  Nothing: every wire goes where it went.")
    lines.append(f"  {pack['same']}")
    return "\n".join(lines) + "\n"


def _swap(before: Circuit, after: Circuit) -> dict[str, Any]:
    same = changes.kept(before, after)
    return {
        "build": after.build,
        "old_board": before.board.id,
        "new_board": after.board.id,
        "cautions": cautions.rewiring(after),
        "changes": changes.rewiring(before, after),
        "same": f"{same} ends keep their label." if same != 1 else "1 end keeps its label.",
    }


def _pack(circuit: Circuit, findings: Sequence[Finding], said: Sequence[str]) -> dict[str, Any]:
    build = circuit.build
    table = rows(circuit)
    return {
        "build": build,
        "board": build.board,
        "said": tuple(said),
        "findings": _worst_first(findings),
        "cautions": cautions.cautions(circuit),
        "part_cautions": cautions.part_cautions(circuit),
        "items": bill.materials(circuit),
        "rows": table,
        "stages": proving.stages(circuit),
        "budgets": budget.budgets(circuit),
        "mains": bench.has_mains(circuit),
        "earth_word": bench.earth_word(build),
        "colour_source": _colour_source(circuit),
        "length_note": bench.LENGTH_NOTE,
        "key": f"{build.name} {_key(circuit)}",
        "order": [kind for kind in _HEADS if any(row.kind == kind for row in table)],
        "heads": _HEADS,
    }


_HEADS = {
    "ground": "Grounds",
    "supply": "Supplies",
    "signal": "Signals",
    "load": "Loads on extra-low voltage",
    "mains": "Mains, last of all",
}


def _worst_first(findings: Iterable[Finding]) -> list[Finding]:
    """The findings of the first page; what load.mains says stands there already, at more length."""
    ranks = {"error": 0, "warning": 1, "note": 2}
    shown = [finding for finding in findings if finding.rule != "load.mains"]
    return sorted(shown, key=lambda finding: ranks[finding.severity])


def _key(circuit: Circuit) -> str:
    """Changes with the wiring, so that old ticks never stand on a new list."""
    return hashlib.sha256(render_csv(circuit).encode()).hexdigest()[:12]


def _colour_source(circuit: Circuit) -> str:
    if not bench.has_mains(circuit):
        return "black for ground and red for the supply by common practice"
    if bench.region(circuit.build) == "us":
        return "mains after US usual practice (NFPA 70), from memory; the rest by common practice"
    return "mains after IEC 60445, from memory; the rest by common practice"
