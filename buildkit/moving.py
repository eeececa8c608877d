"""The same build on another board: what stays, what moves, what must be added, what differs."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from buildkit import bridging, rules, seating, wants
from buildkit.between import Passage
from buildkit.circuit import Circuit, Spot, Wire
from buildkit.editing import Changes, Path
from buildkit.model import Board, Build, Finding, Pin, Refused, Use
from buildkit.rewiring import Wires, rewired
from buildkit.tables import Tables

# Families of rules whose outcome hangs on the board; the others find the same anywhere.
_OF_THE_BOARD = ("pin.", "bus.", "level.", "power.", "memory.", "load.rests-on", "load.rest-undef")


@dataclass(frozen=True, slots=True)
class Step:
    """One terminal: its label before and after, ``kept``, ``moved`` or ``none left``, and why."""

    spot: Spot
    before: str | None
    after: str | None
    state: str
    why: str


@dataclass(frozen=True)
class Move:
    """A build on another board.  ``circuit`` is what it becomes there."""

    before: Circuit
    circuit: Circuit
    steps: tuple[Step, ...]
    added: tuple[Passage, ...]  # parts that the new levels need, put in
    needs: tuple[Passage, ...]  # the same, not put in
    supply: tuple[str, ...]  # what differs in the supply, one sentence each
    findings: tuple[Finding, ...]
    changes: Changes = field(default_factory=dict)  # for the text of the build file

    @property
    def errors(self) -> int:
        """How many findings on the new board are errors."""
        return sum(1 for finding in self.findings if finding.severity == "error")

    @property
    def unfit(self) -> tuple[Finding, ...]:
        """The errors that hang on the board, and not on the build alone."""
        return tuple(f for f in self.findings if f.severity == "error" and _of_the_board(f))

    @property
    def homeless(self) -> tuple[str, ...]:
        """Terminals that the build names a label for and that have none on the new board."""
        lost = (step for step in self.steps if step.after is None and step.before is not None)
        return tuple(f"{step.spot[0]} {step.spot[1]}" for step in lost)

    @property
    def moved(self) -> int:
        """How many terminals get another label."""
        return sum(1 for step in self.steps if step.state != "kept")


@dataclass(frozen=True, slots=True)
class Verdict:
    """One board for a build: ``fits``, ``fits with added parts`` or ``does not fit``, and why."""

    board: str
    state: str
    reason: str
    moved: int
    added: int


STATES = ("fits", "fits with added parts", "does not fit")


def move(build: Build, board: Board, tables: Tables, *, add_parts: bool = False) -> Move:
    """The build on another board.

    Pins that the build names stay where the new board can take them, the
    others get the pin that seating chooses.  With ``add_parts`` the dividers
    and level shifters that the new levels need are put in; without it they
    are named in ``Move.needs``.
    """
    before = seating.seat(build)
    wires = _wires_there(build, board)
    there = rewired(build, board, wires)
    found = bridging.with_parts(there, tables)
    needs = _passages(found, there)
    circuit = seating.seat(found if add_parts else there)
    added = tuple(passage for passage in circuit.passages.values() if _is_new(passage, build))
    return Move(
        before,
        circuit,
        tuple(_steps(before, circuit)),
        added,
        () if add_parts else needs,
        tuple(_supply_differences(before, circuit)),
        tuple(rules.run(circuit)),
        _changes(build, circuit),
    )


def survey(build: Build, tables: Tables) -> list[Verdict]:
    """Every board for a build, those that fit first, and of those the least change first."""
    verdicts = []
    for board_id in tables.board_ids():
        try:
            verdicts.append(_verdict(build, tables.board(board_id), tables))
        except Refused as refused:
            fault = refused.faults[0]
            reason = f"its table is faulty: {fault.at}: {fault.message}"
            verdicts.append(Verdict(board_id, STATES[2], reason, 0, 0))
    own = build.board.id
    return sorted(
        verdicts,
        key=lambda v: (STATES.index(v.state), v.board != own, v.added, v.moved, v.board),
    )


def _verdict(build: Build, board: Board, tables: Tables) -> Verdict:
    found = move(build, board, tables, add_parts=True)
    if found.unfit:
        first = found.unfit[0]
        return Verdict(board.id, STATES[2], f"{first.rule}: {first.message}", found.moved, 0)
    if not found.added:
        return Verdict(board.id, STATES[0], _how_much(found), found.moved, 0)
    reason = f"{_parts_in_wires(found.added)}; {_how_much(found)}"
    return Verdict(board.id, STATES[1], reason, found.moved, len(found.added))


def _how_much(found: Move) -> str:
    if found.before.board.id == found.circuit.board.id and not found.moved:
        return "the board of the build"
    return f"{found.moved or 'none'} of {len(found.steps)} wires move"


def _parts_in_wires(passages: Iterable[Passage]) -> str:
    """``level shifter in panel.SDA, panel.SCL, divider in smoke.TXD``."""
    words = {"shifter": "level shifter", "divider": "divider"}
    by_kind: dict[str, list[str]] = {}
    for p in passages:
        by_kind.setdefault(words[p.kind], []).append(f"{p.between.of}.{p.between.terminal}")
    return ", ".join(f"{kind} in {', '.join(wires)}" for kind, wires in by_kind.items())


def _of_the_board(finding: Finding) -> bool:
    return finding.rule.startswith(_OF_THE_BOARD)


# --- which wires stay --------------------------------------------------------


def _wires_there(build: Build, board: Board) -> Wires:
    """For every wire that the build names its label on the new board."""
    if board is build.board:
        return {use.name: dict(use.wires) for use in build.uses()}
    kept = _keepable(build, board)
    circuit = seating.seat(rewired(build, board, _as_wires(kept)))
    bare = seating.seat(rewired(build, board))
    least = _trouble(bare)
    if _trouble(circuit) > least:
        # One by one, so that a wire goes only when it is in the way.
        staying: dict[Spot, str] = {}
        for spot, label in kept.items():
            tried = seating.seat(rewired(build, board, _as_wires({**staying, spot: label})))
            if _trouble(tried) <= least:
                staying[spot] = label
        circuit = seating.seat(rewired(build, board, _as_wires(staying)))
    labels = {wire.spot: wire.label for wire in circuit.wires}
    return _as_wires(
        {
            (use.name, terminal): labels[use.name, terminal]
            for use in build.uses()
            for terminal in use.wires
            if (use.name, terminal) in labels
        }
    )


def _as_wires(labels: Mapping[Spot, str]) -> dict[str, dict[str, str]]:
    wires: dict[str, dict[str, str]] = {}
    for (name, terminal), label in labels.items():
        wires.setdefault(name, {})[terminal] = label
    return wires


def _keepable(build: Build, board: Board) -> dict[Spot, str]:
    """The labels of the build that the new board has, and that can do the same work there."""
    bare = rewired(build, board)
    offers = {want.spot: want.harm for want in wants.wants_of(wants.ground_of(bare))}
    kept: dict[Spot, str] = {}
    for use in build.uses():
        for terminal, label in use.wires.items():
            spot, kind = (use.name, terminal), use.part.terminals[terminal].kind
            pin, rail = board.pin(label), board.rail_at(label)
            need = use.part.terminals[terminal].needs or ""
            if kind == "ground":
                stays = label in board.ground_labels
            elif kind == "supply":
                low, high = use.figure("supply_min_v"), use.figure("supply_max_v")
                stays = rail is not None and low <= rail.volts <= high
            elif need.startswith("i2c-"):
                stays = pin is not None and pin is board.role_pin(f"Wire.{need[4:]}")
            else:
                stays = pin is not None and offers.get(spot, {}).get(pin.label, wants.FLAW) < 10
            if stays:
                kept[spot] = label
    return kept


def _trouble(circuit: Circuit) -> int:
    """Terminals without a pin, and errors of pins and buses."""
    return len(circuit.unseated) + len(bridging.found(circuit, ("pin.", "bus."), "error"))


def _passages(build: Build, without: Build) -> tuple[Passage, ...]:
    """What sits in the wires of one build and not in those of the other."""
    passages = seating.seat(build).passages
    return tuple(p for p in passages.values() if _is_new(p, without))


def _is_new(passage: Passage, build: Build) -> bool:
    return f"{passage.between.of}.{passage.between.terminal}" not in build.between


# --- what is told and written ------------------------------------------------


def _steps(before: Circuit, after: Circuit) -> Iterable[Step]:
    were = {wire.spot: wire for wire in before.wires}
    for wire in after.wires:
        if wire.use.section == "between":
            continue
        was = were.get(wire.spot)
        label = was.label if was is not None else None
        kept = label == wire.label
        yield Step(
            wire.spot, label, wire.label, "kept" if kept else "moved", _why(was, wire, after)
        )
    for spot in (*after.unseated, *after.unfed):
        label = were[spot].label if spot in were else None
        why = after.why_unseated.get(spot, "no rail of the board is within its supply range")
        yield Step(spot, label, None, "none left", why)


def _why(was: Wire | None, wire: Wire, after: Circuit) -> str:
    """Why a terminal stays or goes, in one phrase."""
    if was is None:
        return "it had no pin before"
    if was.label == wire.label:
        return "there too, and able" if wire.pin is not None else "there too"
    if wire.pin is None:
        return f"{after.board.id} has no fitting {was.label}"
    there = after.board.pin(was.label)
    return f"no pin {was.label} there" if there is None else _why_not(was.label, there, wire, after)


def _why_not(label: str, there: Pin, wire: Wire, after: Circuit) -> str:
    """Why a pin of the old label is not the one on the new board."""
    need = wire.terminal.needs or ""
    if need.startswith("i2c-"):
        return f"the bus has its {need[4:].upper()} there"
    if not wants.able(after.board, there, need):
        return f"{label} cannot do it there"
    never = wants.never(wire.use, wire.terminal, there)
    if never:
        return f"{label} there: {never}"
    return wire.why or "another has its pin there"


def _supply_differences(before: Circuit, after: Circuit) -> Iterable[str]:
    old, new = before.board, after.board
    if before.io_rail.volts != after.io_rail.volts:
        yield (
            f"The pins work at {after.io_rail.volts:g} V, and at {before.io_rail.volts:g} V before."
        )
    was, now = before.build.supply.rail, after.build.supply.rail
    if was != now:
        yield f"The supply feeds rail {now} ({new.rails[now].volts:g} V), before it was {was}."
    for use in after.build.uses():
        feed, fed = after.feed(use), before.feed(_same_use(before, use))
        if feed is not None and fed is not None and feed.volts != fed.volts:
            yield f"{use.name} is fed with {feed.volts:g} V ({feed.name}), before with {fed.volts:g} V."
    gives = [c.rail_gives_ma(c.board.rails[c.build.supply.rail]) for c in (before, after)
             if c.build.supply.rail in c.board.rails]  # fmt: skip
    if len(gives) == 2 and gives[0] != gives[1]:
        own = [board.figure("board_ma") for board in (old, new)]
        yield (
            f"Parts may take {gives[1]:g} mA from the supply's rail, before {gives[0]:g} mA "
            f"(the board itself takes {own[1]:g} mA, before {own[0]:g} mA)."
        )


def _same_use(circuit: Circuit, use: Use) -> Use:
    return next((u for u in circuit.build.uses() if u.name == use.name), use)


def _changes(build: Build, after: Circuit) -> dict[Path, str]:
    """What changes in the text: the board, its rail, labels that moved, parts that were added."""
    changes: dict[Path, str] = {}
    if after.board.id != build.board.id:
        changes["board",] = after.board.id
    if after.build.supply.label != build.supply.label:
        changes["supply", "rail"] = after.build.supply.label
    labels = {wire.spot: wire.label for wire in after.wires}
    for use in build.uses():
        for terminal, label in use.wires.items():
            new = labels.get((use.name, terminal))
            if new is not None and new != label:
                changes[use.section, use.name, "wires", terminal] = new
    for key, item in after.build.between.items():
        if key not in build.between:
            changes["between", key, "part"] = item.use.part.id
    return changes


def pin_changes(circuit: Circuit) -> dict[Path, str]:
    """For the text: the pins that were chosen for open terminals."""
    return {
        (wire.use.section, wire.use.name, "wires", wire.terminal.name): wire.label
        for wire in circuit.signals()
        if wire.chosen == "seated" and wire.use.section != "between"
    }
