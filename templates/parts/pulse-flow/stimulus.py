"""What a turbine's Hall switch does to its pin: so many pulses a litre, pulled low by it."""

from __future__ import annotations

from buildkit.rehearsal.stimuli import PASSES_S, Wires

SENDS = False


def hertz(wires: Wires, litres_per_min: float) -> float:
    """Pulses a second of a flow."""
    return litres_per_min * wires.figure("per_litre_count") / 60


def cut(wires: Wires) -> int | None:
    """Without pulses there is no flow."""
    return 0


def late_s(wires: Wires) -> float:
    """The sketch's clock begins a little after power-up, and a pass goes by."""
    return PASSES_S


def reading(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """So much flow from the question before, since what is read is all that came after it."""
    _turns(wires, t_s, hertz(wires, steps * float(wires.quantity.resolution)))


def spoilt(wires: Wires, t_s: float, until_s: float, steps: int) -> None:
    """Noise on the wire: half as many pulses again as the greatest flow has."""
    _turns(wires, t_s, 1.5 * hertz(wires, float(wires.quantity.high)))


def silent(wires: Wires, t_s: float) -> None:
    """A cut wire."""
    _turns(wires, t_s, 0)


def _turns(wires: Wires, t_s: float, pulses_hz: float) -> None:
    from_s = max(0.0, t_s - wires.every_s / 2 + PASSES_S)
    wires.scenario.pulses(from_s, wires.port("OUT"), 1 / pulses_hz if pulses_hz else 0.0)
