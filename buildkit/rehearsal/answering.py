"""What stimuli of parts on the I2C bus have in common: asked with a command, they answer bytes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from buildkit.rehearsal.stimuli import PASSES_S, Wires

_DRY = 4000  # hundredths of %RH beside a temperature that is read


def climate(reply: Callable[..., bytes]) -> Callable[[Wires, int], bytes]:
    """The reply of a part that measures humidity and temperature, both in hundredths."""

    def of(wires: Wires, steps: int) -> bytes:
        return reply(steps) if wires.quantity.name == "humidity" else reply(_DRY, steps)

    return of


@dataclass(frozen=True, slots=True)
class AskedOnBus:
    """A part that measures when it is asked, and is read a while later.

    ``reply`` gives the bytes of a reading in steps, ``waits`` is the figure of its
    table that the sketch waits out, and ``turned`` the places of the bytes in
    which a bit is turned over to spoil them.  While it measures, for ``refuses_us``,
    it refuses to be read.
    """

    command: bytes
    reply: Callable[[Wires, int], bytes]
    waits: str
    turned: tuple[int, ...]
    refuses_us: int = 0

    def begin(self, wires: Wires) -> None:
        """How it is while it measures."""
        wires.scenario.i2c_busy(0, wires.address, self.refuses_us)

    def late_s(self, wires: Wires) -> float:
        """The sketch asks when a reading is due, and fetches it when it must be there."""
        return wires.figure(self.waits) / 1000 + PASSES_S

    def reading(self, wires: Wires, t_s: float, until_s: float, steps: int) -> None:
        """From now on it measures this."""
        wires.i2c(t_s, self.command, self.reply(wires, steps))

    def spoilt(self, wires: Wires, t_s: float, until_s: float, steps: int) -> None:
        """From now on bits are turned over on the way."""
        good = self.reply(wires, steps)
        bad = bytes(b ^ 0x10 if at in self.turned else b for at, b in enumerate(good))
        wires.i2c(t_s, self.command, bad)

    def silent(self, wires: Wires, t_s: float) -> None:
        """From now on it does not answer its address."""
        wires.i2c_gone(t_s)
