"""A document to a Build: names resolved, units known, every place kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

from buildkit import document, fields, model, validation
from buildkit.document import Node
from buildkit.electrics import awg_area_mm2
from buildkit.model import Place, Refused
from buildkit.tables import Tables
from buildkit.units import UNITS, units_like
from buildkit.used import UseReader
from buildkit.validation import clip

T = TypeVar("T")

# Owners of connections in every circuit (circuit.End), so no part may be called so.
_TAKEN_NAMES = frozenset({"board", "fuse", "supply"})
_USED: tuple[model.Section, ...] = ("probes", "loads", "displays", "alarms", "hands")

# Device names that Windows keeps for itself (Microsoft, Naming Files, Paths, and Namespaces).
_RESERVED = frozenset(
    ["con", "prn", "aux", "nul"] + [f"{port}{n}" for port in ("com", "lpt") for n in range(10)]
)


def load(path: Path, tables: Tables) -> model.Build:
    """The build at ``path``.  Raises document.CannotOpen or Refused."""
    return from_tree(document.read(path), tables)


def from_tree(tree: Node, tables: Tables) -> model.Build:
    """The build that a document describes.  Raises Refused with every doc.* fault."""
    faults = validation.faults(tree, "build")
    if faults:
        raise Refused(faults)
    return _Reader(tree, tables).build()


class _Reader(UseReader):
    """All sections of a build."""

    def build(self) -> model.Build:
        tree = self.tree
        board = self._board(tree.value["board"])
        if str(tree.value["build"].value) in _RESERVED:
            self.fault(
                "doc.unsafe-name",
                tree.value["build"].at,
                f"'{tree.value['build'].value}' cannot name a folder on every computer",
                "Choose another name for the build.",
            )
        self._names_once()
        probes = self._section("probes", self._probe)
        loads = self._section("loads", self._load)
        displays = self._section("displays", self._display)
        alarms = self._section("alarms", self._alarm)
        hands = self._section("hands", self._hand)
        between = self._between()
        for display in displays.values():
            self._shows(display)
        if board is not None:
            for use in self.uses:
                self._pins(use, board)
        supply = self._supply(tree.value["supply"], board)
        control = self._control()
        cables = self._cables()
        if self.faults or board is None:
            raise self.refused()
        return model.Build(
            name=tree.value["build"].value,
            about=fields.text(tree, "about", ""),
            board=board,
            supply=supply,
            mains=_mains(tree.get("mains")),
            ambient_c=fields.number(tree, "ambient_c", 40.0),
            probes=probes,
            loads=loads,
            displays=displays,
            alarms=alarms,
            control=control,
            cables=cables,
            at=tree.at,
            places=fields.places(tree),
            between=between,
            hands=hands,
        )

    def _board(self, node: Node) -> model.Board | None:
        return self._table(node, self.tables.board_ids(), self.tables.board, "board")

    def _names_once(self) -> None:
        first: dict[str, tuple[str, Place]] = {}
        for section in _USED:
            for name, node in fields.items(self.tree, section):
                if name in _TAKEN_NAMES:
                    self.fault(
                        "doc.unsafe-name",
                        node.name_at,
                        f"'{name}' is what the wiring list calls something else",
                        f"Choose another name than {', '.join(sorted(_TAKEN_NAMES))}.",
                    )
                if name in first:
                    where, at = first[name]
                    self.fault(
                        "doc.duplicate-key",
                        node.name_at,
                        f"'{name}' is already the name of one of the {where}, on line {at.line}",
                        "Give each probe, load, display, alarm and hand control a name of its own.",
                    )
                first.setdefault(name, (section, node.name_at))

    def _section(
        self, section: model.Section, make: Callable[[model.Use, Node], T | None]
    ) -> dict[str, T]:
        made: dict[str, T] = {}
        for name, node in fields.items(self.tree, section):
            use = self._use(section, name, node)
            item = make(use, node) if use is not None else None
            if use is not None and item is not None:
                self.uses.append(use)
                made[name] = item
        return made

    def _between(self) -> dict[str, model.Between]:
        """Parts in wires, by the key that names the wire."""
        made: dict[str, model.Between] = {}
        owners = {use.name: use for use in self.uses}
        named = [name for section in _USED for name, _ in fields.items(self.tree, section)]
        for key, node in fields.items(self.tree, "between"):
            owner, dot, terminal = key.partition(".")
            if not dot or owner not in named:
                self.fault(
                    "doc.unknown-part",
                    node.name_at,
                    f"'{clip(key)}' names no wire of this build",
                    "Write it as NAME.TERMINAL. "
                    + validation.did_you_mean(owner, named, "parts of this build"),
                )
                continue
            if owner in owners:
                self._crossed(owners[owner], terminal, node)
            use = self._use("between", key, node)
            if use is not None:
                use = replace(use, name=f"{use.part.between} {key}")
                made[key] = model.Between(use, owner, terminal)
        return made

    def _crossed(self, use: model.Use, terminal: str, node: Node) -> None:
        """Whether there is a wire for a part to sit in."""
        signals = {t.name: t for t in use.part.signals()}
        found = signals.get(terminal)
        if found is not None and (not found.leave_open or terminal in use.wires):
            return
        wired = [t.name for t in signals.values() if not t.leave_open or t.name in use.wires]
        is_other = found is None and terminal in use.part.terminals
        why = "carries no signal" if is_other else "is not wired to a pin"
        if terminal not in use.part.terminals:
            why = f"is no terminal of '{use.part.id}'"
        self.fault(
            "doc.unknown-terminal",
            node.name_at,
            f"'{clip(terminal)}' of {use.name} {why}, so that nothing can sit in its wire",
            validation.did_you_mean(terminal, wired, f"wires of {use.name}"),
        )

    def _probe(self, use: model.Use, node: Node) -> model.Probe | None:
        wanted = node.value["value"]
        quantity = use.part.quantities.get(wanted.value)
        if quantity is None:
            self.fault(
                "doc.unknown-value",
                wanted.at,
                f"part '{use.part.id}' does not measure '{clip(wanted.value)}'",
                validation.did_you_mean(wanted.value, use.part.quantities, "values of this part"),
            )
            return None
        unit = fields.text(node, "unit", quantity.unit)
        like = units_like(quantity.unit) if quantity.unit in UNITS else []
        if unit not in like:
            self.fault(
                "doc.unknown-value",
                node.value.get("unit", wanted).at,
                f"'{clip(unit)}' is not a unit for {quantity.name}",
                validation.did_you_mean(unit, like, "units for it"),
            )
            return None
        return model.Probe(
            use,
            quantity,
            unit,
            fields.number(node, "every_s", 1.0),
            fields.integer(node, "average", 1) or 1,
        )

    def _load(self, use: model.Use, node: Node) -> model.Load:
        draws = node.get("draws")
        said, part = self._cutout(node.get("cutout"))
        switches = fields.text(node, "switches", "live")
        return model.Load(use, _draws(draws) if draws else None, said, part, switches)

    def _cutout(self, node: Node | None) -> tuple[str | None, model.Part | None]:
        """A cut-out in the builder's words; a part when the words are the id of one."""
        if node is None or node.value not in self.tables.part_ids():
            return (None if node is None else str(node.value)), None
        if not self._fits(node.value, "cutouts"):
            return str(node.value), None
        part = self.tables.part(node.value)
        return part.title, part

    def _display(self, use: model.Use, node: Node) -> model.Display:
        rows = node.get("rows")
        row_nodes = rows.value if rows else []
        follows = node.get("follows")
        return model.Display(
            replace(use, places={**use.places, **fields.row_places(row_nodes)}),
            tuple(row.value for row in row_nodes),
            tuple(row.at for row in row_nodes),
            follows.value if follows else None,
        )

    def _alarm(self, use: model.Use, node: Node) -> model.Alarm:
        return model.Alarm(use, tuple(item.value for item in node.value["when"].value))

    def _hand(self, use: model.Use, node: Node) -> model.Hand:
        does, for_s = fields.text(node, "does", ""), fields.optional(node, "for_s")
        commands = str(node.value["commands"].value)
        self._known("load", commands, use.place("commands"))
        does_it, lasts = "what a press does: rest, toggle or run-for", "how many seconds it runs"
        self._goes_with(use, "does", use.part.hand == "button", "a button", does_it)
        self._goes_with(use, "for_s", does == "run-for", "'does: run-for'", lasts)
        return model.Hand(use, commands, does, for_s)

    def _goes_with(self, use: model.Use, key: str, wanted: bool, what: str, says: str) -> None:
        """A key that belongs to one kind of hand control, and must stand there."""
        if wanted and key not in use.places:
            self.fault(
                "doc.missing-key", use.at, f"'{use.name}' has no '{key}'", f"Add '{key}', {says}."
            )
        elif key in use.places and not wanted:
            self.fault(
                "doc.unknown-key", use.place(key), f"'{key}' goes with {what} only",
                f"Delete '{key}': it says {says}.",
            )  # fmt: skip

    def _shows(self, display: model.Display) -> None:
        use = display.use
        lamp = use.part.shows == "lamp"
        if lamp and display.follows is None:
            self.fault(
                "doc.missing-key",
                use.at,
                f"'{use.name}' has no 'follows'",
                "Add 'follows: NAME' with the load that the lamp shows.",
            )
        elif lamp and display.follows is not None:
            self._known("load", display.follows, use.place("follows"))
        idle, why = (
            ("rows", "a lamp shows no text") if lamp else ("follows", "it shows rows of text")
        )
        if idle in use.places:
            self.fault(
                "doc.unknown-key",
                use.place(idle),
                f"'{idle}' means nothing for {use.part.id}: {why}",
                f"Delete '{idle}', or choose another display.",
            )

    def _known(self, what: str, name: str, at: Place) -> None:
        known = [name for name, _ in fields.items(self.tree, f"{what}s")]
        if name not in known:
            self.fault(
                f"doc.unknown-{what}",
                at,
                f"there is no {what} '{clip(name)}' in this build",
                validation.did_you_mean(name, known, f"{what}s"),
            )

    def _supply(self, node: Node, board: model.Board | None) -> model.Supply:
        rail, volts = node.value["rail"], fields.optional(node, "volts")
        inlet = board.inlets.get(rail.text) if board is not None else None
        if board is not None and inlet is None and rail.text not in board.rails:
            self.fault(
                "doc.unknown-pin",
                rail.at,
                f"board '{board.id}' has no rail '{clip(rail.text)}'",
                validation.did_you_mean(rail.text, [*board.rails, *board.inlets], "rails"),
            )
        if inlet is not None and volts is None:
            self.fault(
                "doc.missing-key",
                rail.at,
                f"the supply is on {inlet.name}, and its 'volts' are not told",
                f"Add 'volts: NUMBER' with what it gives; {inlet.name} takes {inlet.min_v:g} to "
                f"{inlet.max_v:g} V.",
            )
        return model.Supply(
            rail.text if inlet is None else inlet.feeds,
            float(node.value["max_ma"].value),
            node.name_at,
            fields.places(node),
            volts,
            inlet,
        )

    def _control(self) -> tuple[model.Control, ...]:
        section = self.tree.get("control")
        entries = []
        for node in section.value if section else []:
            places = fields.places(node)
            drive, by = node.value["drive"].value, node.value["by"].value
            self._known("load", drive, places["drive"])
            self._known("probe", by, places["by"])
            entries.append(
                model.Control(
                    drive=drive,
                    by=by,
                    start_at=fields.exact(node.value["start_at"]),
                    stop_at=fields.exact(node.value["stop_at"]),
                    min_on_s=fields.number(node, "min_on_s", 0.0),
                    min_off_s=fields.number(node, "min_off_s", 0.0),
                    max_on_s=fields.optional(node, "max_on_s"),
                    run_on_s=fields.number(node, "run_on_s", 0.0),
                    if_no_reading=node.value["if_no_reading"].value,
                    no_reading_after_s=float(node.value["no_reading_after_s"].value),
                    stuck_after_s=fields.optional(node, "stuck_after_s"),
                    at=node.at,
                    places=places,
                )
            )
        return tuple(entries)

    def _cables(self) -> dict[str, model.Cable]:
        cables: dict[str, model.Cable] = {}
        uses = [name for section in _USED for name, _ in fields.items(self.tree, section)]
        for name, node in fields.items(self.tree, "cables"):
            if name not in uses:
                self.fault(
                    "doc.unknown-part",
                    node.name_at,
                    f"there is no part '{name}' in this build for this cable",
                    validation.did_you_mean(name, uses, "parts of this build"),
                )
            awg, mm2 = node.get("awg"), node.get("size_mm2")
            if (awg is None) == (mm2 is None):
                self.fault(
                    "doc.missing-key",
                    node.name_at,
                    f"cable '{name}' needs its wire size once",
                    "Give either 'awg' or 'size_mm2'.",
                )
                continue
            chosen = awg or mm2
            assert chosen is not None
            area = awg_area_mm2(awg.value) if awg else float(chosen.value)
            said = f"AWG {awg.text}" if awg else f"{chosen.text} mm2"
            cables[name] = model.Cable(
                name, float(node.value["length_m"].value), area, said, node.name_at
            )
        return cables


def _draws(node: Node) -> model.Draws:
    return model.Draws(
        float(node.value["volts"].value),
        float(node.value["amps"].value),
        node.value["kind"].value,
        fields.optional(node, "inrush_amps"),
        node.name_at,
    )


def _mains(node: Node | None) -> model.Mains | None:
    if node is None:
        return None
    return model.Mains(
        float(node.value["volts"].value),
        float(node.value["hz"].value),
        node.value["region"].value,
        node.name_at,
    )
