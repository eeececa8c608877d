"""Faults on request: what may go wrong while a sketch is rehearsed, and when.

``KIND@TIME`` or ``KIND@TIME+SECONDS``, both in seconds since power-up.  Faults
of the sensor change what every probe says in that time; the others happen to
the board, its bus or its displays.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from buildkit.circuit import Circuit
from buildkit.model import Probe
from buildkit.rehearsal import stimuli
from buildkit.rehearsal.kinds import AT_ONCE, KINDS
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.stimuli import Wires
from buildkit.validation import did_you_mean

FOR_EVER = float("inf")
BEFORE_ROLL_OVER_MS = 5_000

_FAULT = re.compile(r"([a-z-]+)@([0-9]+(?:\.[0-9]+)?)(?:\+([0-9]+(?:\.[0-9]+)?))?")


class BadFault(Exception):
    """A fault that cannot be asked for so, and why."""


@dataclass(frozen=True, slots=True)
class Fault:
    """Something going wrong from ``at_s`` until ``until_s``."""

    kind: str
    at_s: float
    until_s: float

    def holds(self, t_s: float) -> bool:
        """Whether it is at work at a time."""
        return self.at_s <= t_s < self.until_s

    def __str__(self) -> str:
        lasts = f"+{self.until_s - self.at_s:g}" if self.at_s < self.until_s < FOR_EVER else ""
        return f"{self.kind}@{self.at_s:g}{lasts}"


def parse(text: str) -> Fault:
    """A fault as asked for on the command line.  Raises BadFault."""
    match = _FAULT.fullmatch(text.strip())
    if match is None:
        raise BadFault(f"'{text}' is no KIND@TIME or KIND@TIME+SECONDS, such as silent@120+30.")
    kind, at_s, lasts = match[1], float(match[2]), match[3]
    if kind not in KINDS:
        raise BadFault(f"there is no fault '{kind}'. {did_you_mean(kind, KINDS, 'faults')}")
    if kind in AT_ONCE:
        if lasts:
            raise BadFault(f"{kind} happens at once; leave out '+{lasts}'.")
        return Fault(kind, at_s, at_s)
    return Fault(kind, at_s, at_s + float(lasts) if lasts else FOR_EVER)


def put(faults: Iterable[Fault], circuit: Circuit, scenario: Scenario) -> None:
    """The faults of board, bus and displays.  Raises BadFault for one that cannot happen here."""
    for fault in faults:
        _someone(fault.kind, circuit)
        if fault.kind == "display-unplugged":
            _unplug(fault, circuit, scenario)
        elif fault.kind == "bus-low":
            if not circuit.uses_talking("i2c"):
                raise BadFault("bus-low: nothing of this build is on an I2C bus.")
            scenario.i2c_hold(fault.at_s, "sda")
            if fault.until_s < FOR_EVER:
                scenario.i2c_hold(fault.until_s, None)
        elif fault.kind == "brown-out":
            scenario.reset(fault.at_s, "power")
        elif fault.kind == "rollover":
            late = (2**32 - BEFORE_ROLL_OVER_MS).to_bytes(4, "little")
            scenario.poke(fault.at_s, "timer0_millis", late)


def unharmed(kind: str, probe: Probe, circuit: Circuit) -> str:
    """Why a kind of fault does nothing to a probe; "" when it does."""
    if kind == "corrupt":
        return stimuli.of(probe.use.part).always_reads(Wires(probe.use, circuit, Scenario()))
    if kind == "noise" and not probe.quantity.noise:
        low, high = float(probe.quantity.low), float(probe.quantity.high)
        return f"it reads {low:g} or {high:g}, and there is nothing between"
    return ""


def _someone(kind: str, circuit: Circuit) -> None:
    """Raises BadFault when a fault of the sensors harms none of them."""
    probes = circuit.build.probes
    whys = {name: unharmed(kind, probe, circuit) for name, probe in probes.items()}
    if probes and all(whys.values()):
        said = "; ".join(f"{name}: {why}" for name, why in whys.items())
        raise BadFault(f"{kind} can do nothing to this build. {said}. Try silent or stuck instead.")


def _unplug(fault: Fault, circuit: Circuit, scenario: Scenario) -> None:
    shown = [u for u in circuit.uses_talking("i2c") if u.section == "displays"]
    if not shown:
        raise BadFault("display-unplugged: no display of this build is on an I2C bus.")
    for use in shown:
        assert use.address is not None
        scenario.i2c_present(fault.at_s, use.address, False)
        if fault.until_s < FOR_EVER:
            scenario.i2c_present(fault.until_s, use.address)
