"""Small builds from a few lines, boards and parts with a fact or two changed, and what a rule says."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from buildkit import buildfile, document, rules, seating
from buildkit.circuit import Circuit
from buildkit.model import Board, Build, Fault, Figure, Hazard, Load, Probe
from buildkit.tables import Tables

Edit = Callable[[Build], Build]

SOIL = "  soil: {part: ds18b20, value: temperature, every_s: 2}\n"
SMOKE = "  smoke: {part: pm-frame32, value: pm2_5, every_s: 1}\n"
AIR = "  air: {part: sht3x, value: humidity, every_s: 5}\n"
SHELF = "  shelf: {part: ntc-divider, value: temperature, every_s: 5}\n"
MAINS = "mains: {volts: 230, hz: 50, region: eu}\n"
SSR, RELAY = "ssr-zero-cross-dc-control", "relay-module-active-low"


def probes(*entries: str) -> str:
    return "probes:\n" + "".join(entries)


def panel(name: str = "panel", more: str = "") -> str:
    return f"  {name}: {{part: lcd1602-pcf8574, rows: [hi]{more}}}\n"


def displays(*entries: str) -> str:
    return "displays:\n" + "".join(entries)


def lamp(name: str = "lamp", more: str = "") -> str:
    return f"  {name}: {{part: led-indicator, when: [no-reading]{more}}}\n"


def alarms(*entries: str) -> str:
    return "alarms:\n" + "".join(entries)


def load(part: str = RELAY, draws: str = "volts: 230, amps: 1, kind: lamp", more: str = "") -> str:
    return f"loads:\n  fan: {{part: {part}, draws: {{{draws}}}{more}}}\n"


def build(body: str, board: str = "atmega328p-5v", ma: float = 500, rail: str = "5V") -> Build:
    text = f"build: small\nboard: {board}\nsupply: {{rail: {rail}, max_ma: {ma}}}\n{body}"
    return buildfile.from_tree(document.parse(text.encode(), "small.yaml"), Tables())


def circuit(body: str, *edits: Edit, **head: Any) -> Circuit:
    made = build(body, **head)
    for edit in edits:
        made = edit(made)
    return seating.seat(made)


def told(rule: str, body: str, *edits: Edit, **head: Any) -> list[Fault]:
    check = rules.catalogue()[rule].check
    assert check is not None
    return list(check(circuit(body, *edits, **head)))


def pin(label: str, **facts: Any) -> Edit:
    """The board with other facts for one pin."""

    def edit(made: Build) -> Build:
        pins = {**made.board.pins, label: replace(made.board.pins[label], **facts)}
        return replace(made, board=replace(made.board, pins=pins))

    return edit


def hazard(label: str, kind: str, needs: str | None = None) -> Edit:
    return pin(label, hazards=(Hazard(kind, "an invented hazard", needs),))


def board(**facts: float) -> Edit:
    """The board with other figures."""

    def edit(made: Build) -> Build:
        figures = {**made.board.figures, **{n: Figure(v, "invented") for n, v in facts.items()}}
        return replace(made, board=replace(made.board, figures=figures))

    return edit


def family(name: str) -> Edit:
    def edit(made: Build) -> Build:
        core = replace(made.board.core, family=name)
        return replace(made, board=replace(made.board, core=core))

    return edit


def rail(name: str, **facts: Any) -> Edit:
    def edit(made: Build) -> Build:
        rails = {**made.board.rails, name: replace(made.board.rails[name], **facts)}
        return replace(made, board=replace(made.board, rails=rails))

    return edit


def three_volts(made: Build) -> Build:
    """The same board with 3.3 V pins that bear 3.6 V, its core not AVR."""
    wide = rail("3V3", gives_ma=500.0)(made)
    lower = board(vih_min_v=2.0, vil_max_v=0.8, voh_min_v=2.6, voh_at_ma=20, pin_max_v=3.6)(wide)
    lower = board(adc_reference_v=3.3)(family("other")(lower))
    at_three: Board = replace(lower.board, io_rail="3V3")
    return replace(lower, board=at_three)


def figures(name: str, **facts: float | None) -> Edit:
    """A part with other figures, or without one where None is given."""

    def edit(made: Build) -> Build:
        return _with_use(made, name, lambda use: replace(use, figures=_laid_over(use, facts)))

    return edit


def _laid_over(use: Any, facts: Mapping[str, float | None]) -> dict[str, Figure]:
    kept = {n: f for n, f in use.figures.items() if n not in facts}
    return {**kept, **{n: Figure(v, "invented") for n, v in facts.items() if v is not None}}


def switching(name: str, **facts: Any) -> Edit:
    """A switching part with other facts."""

    def change(use: Any) -> Any:
        return replace(use, part=replace(use.part, switching=replace(use.part.switching, **facts)))

    return lambda made: _with_use(made, name, change)


def terminal(name: str, which: str, **facts: Any) -> Edit:
    """A part with another fact for one terminal."""

    def change(use: Any) -> Any:
        other = replace(use.part.terminals[which], **facts)
        return replace(use, part=replace(use.part, terminals={**use.part.terminals, which: other}))

    return lambda made: _with_use(made, name, change)


def _with_use(made: Build, name: str, change: Callable[[Any], Any]) -> Build:
    def swapped(group: Mapping[str, Any]) -> dict[str, Any]:
        return {
            n: replace(item, use=change(item.use)) if n == name else item
            for n, item in group.items()
        }

    probes_: dict[str, Probe] = swapped(made.probes)
    loads: dict[str, Load] = swapped(made.loads)
    return replace(
        made,
        probes=probes_,
        loads=loads,
        displays=swapped(made.displays),
        alarms=swapped(made.alarms),
    )
