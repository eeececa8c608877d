"""The transistor stage that drives a bare relay coil: its values, computed from pin and coil.

An NPN transistor between coil and ground, a resistor from the pin to its
base, a resistor from the base to ground that keeps it off while the pin
floats, and a diode across the coil.
"""

from __future__ import annotations

from dataclasses import dataclass

from buildkit import electrics
from buildkit.model import Board, Rail, Use

COIL_LOW = 0.9  # IEC 61810-1 allows a coil's resistance 10 % either way (from memory)
AIM_BETA = 15.0  # common practice, no source: forced beta 10 to 20 saturates any small NPN
MOST_BETA = 20.0
LEAST_OHMS = 100.0  # common practice, no source: less than that protects nothing


@dataclass(frozen=True, slots=True)
class Driver:
    """The stage with every value settled; currents in the worst case."""

    coil_ma: float  # highest: rail at its top, coil at its least ohms
    base_ohms: float
    pull_down_ohms: float
    base_ma: float  # lowest: rail of the pin at its least
    pin_ma: float  # highest

    @property
    def forced_beta(self) -> float:
        """Coil current over base current; above 20 the transistor may not saturate."""
        return self.coil_ma / self.base_ma if self.base_ma > 0 else float("inf")


def settle(board: Board, use: Use, feed: Rail | None) -> Driver | None:
    """The stage of a part that has a bare coil, None for others and while the coil has no rail."""
    if "coil_ohms" not in use.figures or feed is None:
        return None
    io, on_v = board.rails[board.io_rail], use.figure("base_on_v")
    coil_ma = feed.max_v / (COIL_LOW * use.figure("coil_ohms")) * 1000
    pull_down = use.figure("pull_down_ohms")
    pin_ohms = (io.volts - board.figure("voh_min_v")) / board.figure("voh_at_ma") * 1000
    chosen = use.figures["base_ohms"]
    if chosen.own:
        ohms = chosen.value
    else:
        whole = electrics.base_ohms(io.min_v, on_v, coil_ma / AIM_BETA, pull_down)
        ohms = electrics.preferred_below(max(LEAST_OHMS, whole - pin_ohms))
    least_ma = electrics.base_ma(io.min_v, on_v, ohms + pin_ohms, pull_down)
    most_ma = (io.max_v - on_v) / ohms * 1000
    return Driver(coil_ma, ohms, pull_down, least_ma, most_ma)
