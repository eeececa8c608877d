"""Pins: what a board's pin cannot do, and what happens on it at reset."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit
from buildkit.model import Fault
from buildkit.rules import rule


@rule("pin.taken-twice", "error", source="common practice, no source: one signal, one pin")
def taken_twice(circuit: Circuit) -> Iterable[Fault]:
    """Two terminals sit on one pin, and they are no bus.

    Why: a pin carries one signal. Two parts on it drive against each other,
    or the sketch switches both when it means one.

    Wrong:
        smoke: {wires: {TXD: 8}}
        hood: {wires: {CTRL+: 8}}

    Right:
        smoke: {wires: {TXD: 8}}
        hood: {wires: {CTRL+: 7}}
    """
    for label, wires in circuit.by_pin().items():
        first = wires[0]
        for wire in wires[1:]:
            if wire.terminal.needs == first.terminal.needs and wire.use.part.talks == "i2c":
                continue
            yield Fault(
                wire.at,
                f"pin {label} already carries {first.use.name} {first.terminal.name}",
                f"Give {wire.use.name} {wire.terminal.name} another pin, or leave it out and one is chosen.",
                {"pin": label, "taken_by": f"{first.use.name} {first.terminal.name}"},
            )
