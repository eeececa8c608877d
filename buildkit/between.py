"""Parts that sit in a wire: what a divider or a level shifter makes of the levels on its sides.

Seen from the wire: its board side ends at a pin, its part side at a terminal.
The circuit makes one ``Passage`` for each entry of the build's ``between``.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

from buildkit import electrics
from buildkit.model import Between, Board, Extra, Rail, Terminal, Use
from buildkit.records import dataclass

Side = Literal["board", "part"]

NEARLY_ALL = 0.95  # common practice, no source: a divider that takes less off is none


@dataclass(frozen=True, slots=True)
class Passage:
    """A part in a wire with its figures settled.

    ``flow`` is the crossed terminal's, seen from its part.  A divider has its
    two resistors, a shifter its two rails and the pull-up on each side.
    """

    between: Between
    kind: str  # divider | shifter
    flow: str  # in | out | both
    board_v: float  # what the board's side is at when high, nothing between
    part_v: float
    upper_ohms: float = 0.0
    lower_ohms: float = 0.0
    board_rail: Rail | None = None
    part_rail: Rail | None = None
    pull_up_ohms: float = 0.0
    on_ohms: float = 0.0

    @property
    def use(self) -> Use:
        """The part in the wire."""
        return self.between.use

    @property
    def spot(self) -> tuple[str, str]:
        """The part and the terminal whose wire it sits in."""
        return self.between.of, self.between.terminal

    @property
    def part_side_v(self) -> float:
        """Volts of the wire's part side when high."""
        if self.kind == "divider" and self.flow == "out":
            return self.part_v
        return self.high_v(self.board_v, "part")

    @property
    def ratio(self) -> float:
        """What is left of a level behind the divider."""
        return self.lower_ohms / (self.upper_ohms + self.lower_ohms)

    def high_v(self, driven_v: float, to: Side) -> float:
        """The high behind the part, when the other side is driven to ``driven_v``."""
        if self.kind == "divider":
            return driven_v * self.ratio
        rail = self.board_rail if to == "board" else self.part_rail
        return rail.volts if rail is not None else driven_v

    def low_v(self, driven_v: float, to: Side) -> float:
        """The low behind the part, when the other side is pulled to ``driven_v``."""
        if self.kind == "divider":
            return driven_v * self.ratio
        rail = self.board_rail if to == "board" else self.part_rail
        return driven_v + (rail.volts / self.pull_up_ohms * self.on_ohms if rail else 0.0)

    @property
    def source_ohms(self) -> float:
        """The resistance through which a high reaches what is behind the part."""
        if self.kind == "divider":
            return electrics.parallel_ohms(self.upper_ohms, self.lower_ohms)
        return self.pull_up_ohms

    @property
    def sink_ohms(self) -> float:
        """The resistance through which a low takes current from what is behind the part."""
        return self.upper_ohms if self.kind == "divider" else self.on_ohms

    def terminal_at(self, side: Side) -> str:
        """The part's own terminal on that side of the wire."""
        if self.kind == "divider":
            role = "in" if (side == "part") == (self.flow == "out") else "out"
        else:
            role = "high" if (side == "part") == self.part_is_high else "low"
        through = (t for t in self.use.part.terminals.values() if t.kind == "through")
        return next(t.name for t in through if t.side == role)

    def settled(self, extra: Extra) -> Extra:
        """A resistor of the divider with the value that it has in this wire."""
        sides = {t.name: t.side for t in self.use.part.terminals.values()}
        upper = {sides.get(name) for name in extra.between} == {"in", "out"}
        return replace(extra, ohms=self.upper_ohms if upper else self.lower_ohms)

    def rail_at(self, terminal: Terminal) -> Rail | None:
        """The rail that feeds one side of a shifter, by the side of its supply terminal."""
        part_side = (terminal.side == "high") == self.part_is_high
        return self.part_rail if part_side else self.board_rail

    @property
    def part_is_high(self) -> bool:
        """Whether the part's side of a shifter is the one of the higher rail."""
        board, part = self.board_rail, self.part_rail
        return part is not None and board is not None and part.volts >= board.volts


def settle(board: Board, between: Between, use: Use, feed: Rail | None) -> Passage:
    """The passage of one entry; ``use`` is the part whose wire it sits in."""
    terminal = use.part.terminals[between.terminal]
    io = board.rails[board.io_rail]
    part_v = signal_v(use, terminal, feed, io)
    flow = terminal.flow or "both"
    if between.use.part.between == "shifter":
        return Passage(
            between,
            "shifter",
            flow,
            io.volts,
            part_v,
            board_rail=io,
            part_rail=_nearest_rail(board, part_v),
            pull_up_ohms=between.use.figure("pull_up_ohms"),
            on_ohms=between.use.figure("on_ohms"),
        )
    heard_v = board.figure("adc_reference_v") if terminal.needs == "adc" else io.volts
    driven, wanted = (part_v, heard_v) if flow == "out" else (io.volts, part_v)
    upper, lower = _resistors(between.use, min(wanted / driven, NEARLY_ALL))
    return Passage(between, "divider", flow, io.volts, part_v, upper_ohms=upper, lower_ohms=lower)


def _resistors(use: Use, ratio: float) -> tuple[float, float]:
    """The divider's resistors: the builder's own, else computed for the ratio."""
    upper, lower = electrics.divider_pair(ratio)
    own_upper, own_lower = use.figures["upper_ohms"], use.figures["lower_ohms"]
    if own_upper.own and own_lower.own:
        return own_upper.value, own_lower.value
    if own_upper.own:
        return own_upper.value, electrics.preferred_below(own_upper.value * ratio / (1 - ratio))
    if own_lower.own:
        return electrics.preferred_above(own_lower.value * (1 - ratio) / ratio), own_lower.value
    return upper, lower


def signal_v(use: Use, terminal: Terminal, feed: Rail | None, io: Rail) -> float:
    """The level of a part's own signals when high, volts."""
    if terminal.flow == "out" and "out_high_v" in use.figures:
        return use.figure("out_high_v")
    supply_v = feed.volts if feed is not None else None
    if "in_max_v" in use.figures:
        most = use.figure("in_max_v")
        # A limit is some tenths above the level that it belongs to.
        return min(supply_v if supply_v is not None else io.volts, most / 1.1)
    if supply_v is not None:
        return supply_v
    return max(use.figure("on_min_v"), io.volts) if "on_min_v" in use.figures else io.volts


def _nearest_rail(board: Board, volts: float) -> Rail:
    """The rail of the board, brought out, that is nearest to a level; of equals the higher."""
    offered = [rail for rail in board.rails.values() if rail.labels]
    return min(offered, key=lambda rail: (abs(rail.volts - volts), -rail.volts))
