"""Parts as a build uses them: tables found, wires and own figures looked over."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TypeVar

from buildkit import fields, model, validation
from buildkit.document import Node
from buildkit.model import Fault, Figure, Place, Refused
from buildkit.tables import Tables
from buildkit.validation import clip

T = TypeVar("T")

# Own figures: a thousand times the table's is a slip; what formulas divide by is never zero.
_OWN_FACTOR = 1000
_NEVER_ZERO = ("_ohms", "_k", "_baud", "_hz", "_bytes", "_count")
_SIGNED = ("_c", "_per_k")


class UseReader:
    """Collects faults while reading, so that one run reports them all."""

    def __init__(self, tree: Node, tables: Tables) -> None:
        self.tree = tree
        self.tables = tables
        self.faults: list[Fault] = []
        self.uses: list[model.Use] = []

    def fault(self, rule: str, at: Place, message: str, fix: str) -> None:
        """Note a fault; beyond the most that anyone would read, raises Refused."""
        self.faults.append(Fault(at, message, fix, {}, rule))
        if len(self.faults) >= validation.MOST_FAULTS:
            raise self.refused()

    def refused(self) -> Refused:
        """Every fault found, in the order of the file."""
        # A faulty table is told once, however many parts of the build use it.
        single = {(fault.at, fault.message): fault for fault in self.faults}
        return Refused(sorted(single.values(), key=lambda fault: (fault.at.line, fault.at.column)))

    def _table(
        self, node: Node, known: list[str], look_up: Callable[[str], T], what: str
    ) -> T | None:
        if node.value not in known:
            self.fault(
                f"doc.unknown-{what}",
                node.at,
                f"there is no {what} '{clip(node.value)}'",
                validation.did_you_mean(str(node.value), known, f"{what}s"),
            )
            return None
        try:
            return look_up(node.value)
        except Refused as refused:
            self.faults.extend(refused.faults)
            return None

    def _use(self, section: model.Section, name: str, node: Node) -> model.Use | None:
        part_node = node.value["part"]
        part = self._table(part_node, self.tables.part_ids(), self.tables.part, "part")
        if part is None:
            return None
        if section not in part.roles:
            fitting = [p for p in self.tables.part_ids() if self._fits(p, section)]
            self.fault(
                "doc.unknown-part",
                part_node.at,
                f"part '{part.id}' does not belong under '{section}' but under "
                f"'{' or '.join(sorted(part.roles))}'",
                f"Move it there, or choose one of: {validation.choices(fitting)}.",
            )
            return None
        wires = dict(fields.items(node, "wires"))
        self._terminals(part, wires)
        return model.Use(
            name=name,
            section=section,
            part=part,
            at=node.name_at,
            wires={terminal: child.text for terminal, child in wires.items()},
            wire_at={terminal: child.at for terminal, child in wires.items()},
            figures=self._own_figures(node, part),
            address=fields.integer(node, "address", part.default_address),
            places=fields.places(node),
        )

    def _fits(self, part_id: str, section: str) -> bool:
        try:
            return section in self.tables.part(part_id).roles
        except Refused:
            return False

    def _own_figures(self, node: Node, part: model.Part) -> Mapping[str, Figure]:
        figures = dict(part.figures)
        for name, child in fields.items(node, "own_figures"):
            if name not in figures:
                self.fault(
                    "doc.unknown-key",
                    child.name_at,
                    f"part '{part.id}' has no figure '{clip(name)}'",
                    validation.did_you_mean(name, figures, "figures of this part"),
                )
                continue
            self._plausible(name, child, figures[name].value)
            figures[name] = Figure(float(child.value), "the builder's own figure", own=True)
        return figures

    def _plausible(self, name: str, child: Node, table: float) -> None:
        """An own figure that no part can have: a slip of its unit or sign."""
        value = float(child.value)
        most = _OWN_FACTOR * abs(table) if table else _OWN_FACTOR
        most = 100 if name.endswith("_percent") else most
        least = table / _OWN_FACTOR if name.endswith(_NEVER_ZERO) else 0.0
        if name.endswith(_SIGNED):
            least = -most
        if not least <= value <= most:
            self.fault(
                "doc.out-of-range",
                child.at,
                f"'{name}' is {clip(child.text)}, and the part's table says {table:g}",
                f"Give a number from {least:g} to {most:g}; the unit is the end of the name.",
            )

    def _terminals(self, part: model.Part, wires: Mapping[str, Node]) -> None:
        for terminal, child in wires.items():
            if terminal not in part.terminals:
                self.fault(
                    "doc.unknown-terminal",
                    child.name_at,
                    f"part '{part.id}' has no terminal '{clip(terminal)}'",
                    validation.did_you_mean(terminal, part.terminals, "terminals"),
                )

    def _pins(self, use: model.Use, board: model.Board) -> None:
        for terminal, label in use.wires.items():
            if label in board.other_labels:
                self.fault(
                    "doc.unknown-pin",
                    use.wire_at[terminal],
                    f"'{clip(label)}' on board '{board.id}' is no pin for parts: "
                    f"{board.other_labels[label]}",
                    "Take another pin, or leave the terminal out and one is chosen.",
                )
            elif not (board.pin(label) or board.rail_at(label) or label in board.ground_labels):
                self.fault(
                    "doc.unknown-pin",
                    use.wire_at[terminal],
                    f"board '{board.id}' has no pin '{clip(label)}'",
                    validation.did_you_mean(label, _labels(board), "pins"),
                )


def _labels(board: model.Board) -> list[str]:
    rails = [label for rail in board.rails.values() for label in rail.labels]
    return [*board.pins, *rails, *board.ground_labels]
