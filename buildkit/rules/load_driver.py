"""Loads, third part: what stands between a pin and a coil, and what takes the coil's last current."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit, Driver
from buildkit.driver import MOST_BETA
from buildkit.model import Fault, Place, Use
from buildkit.rules import rule
from buildkit.rules.load import is_dc, switched

COILS = frozenset({"motor", "solenoid"})


def _coils(circuit: Circuit) -> Iterable[tuple[Use, Driver]]:
    """Bare coils that have a supply, with the stage that drives them."""
    for load in circuit.build.loads.values():
        stage = circuit.driver(load.use)
        if stage is not None:
            yield load.use, stage


def _own_place(use: Use) -> Place:
    """Where the builder's own figures stand, or the use."""
    return use.place("own_figures")


@rule("load.no-driver", "error", source="the board's table, pin_ma; the part's, coil_ohms")
def no_driver(circuit: Circuit) -> Iterable[Fault]:
    """A relay's bare coil hangs on a pin without a transistor.

    Why: a coil takes many times what a pin can give, and returns a spike of a
    hundred volts when it is switched off. The pin dies, sometimes at once.

    Wrong:
        mat: {part: relay-coil-bare, own_figures: {driver_max_ma: 0}}

    Right:
        mat: {part: relay-coil-bare}
    """
    pin_ma = circuit.board.figure("pin_ma")
    for use, stage in _coils(circuit):
        if use.figure("driver_max_ma") <= 0:
            wire = circuit.wire(use, _input(use))
            pin = f"pin {wire.label}" if wire is not None else "a pin"
            yield Fault(
                _own_place(use),
                f"the coil of {use.name} takes {stage.coil_ma:.0f} mA, and {pin} gives {pin_ma:g} mA: "
                "no transistor stands between",
                "Take driver_max_ma out, and fit the transistor stage of the wiring list.",
                {"coil_ma": stage.coil_ma, "pin_ma": pin_ma},
            )


def _input(use: Use) -> str:
    return use.part.switching.input_terminal if use.part.switching is not None else ""


@rule("load.coil-current", "error", source="data sheets of small NPN transistors, VCE(sat), hFE")
def coil_current(circuit: Circuit) -> Iterable[Fault]:
    """The transistor below a relay's coil cannot carry its current, or is not driven hard enough.

    Why: a transistor is closed when its base gets a tenth to a twentieth of
    the coil's current. With less it heats, the coil gets too few volts, and
    the contact chatters. A small one bears 100 mA.

    Wrong:
        mat: {part: relay-coil-bare, own_figures: {base_ohms: 10000}}

    Right:
        mat: {part: relay-coil-bare}   # 620 ohms at 5 V, forced beta 15
    """
    for use, stage in _coils(circuit):
        most = use.figure("driver_max_ma")
        if stage.coil_ma > most > 0:
            yield Fault(
                _own_place(use),
                f"the coil of {use.name} takes up to {stage.coil_ma:.0f} mA{use.whose('coil_ohms')}, and "
                f"its transistor bears {most:g} mA{use.whose('driver_max_ma')}",
                "Use a transistor for more, and put its amps under own_figures as driver_max_ma, or "
                "a relay with a weaker coil.",
                {"coil_ma": stage.coil_ma, "most_ma": most},
            )
        elif most > 0 and stage.coil_ma > MOST_BETA * stage.base_ma:
            needed = stage.coil_ma / MOST_BETA
            yield Fault(
                _own_place(use),
                f"through {stage.base_ohms:g} ohms{use.whose('base_ohms')} the transistor of {use.name} "
                f"gets {stage.base_ma:.2g} mA for a coil of {stage.coil_ma:.0f} mA, and needs "
                f"{needed:.2g} mA to close",
                "Take base_ohms out and it is computed, or use a MOSFET stage.",
                {"base_ma": stage.base_ma, "needed_ma": needed, "base_ohms": stage.base_ohms},
            )


@rule("load.no-flyback", "error", source="common practice, no source: L di/dt of an opened coil")
def no_flyback(circuit: Circuit) -> Iterable[Fault]:
    """A coil is switched off by a transistor, and no diode takes its current.

    Why: the current of a coil cannot stop at once. Without a diode it drives
    the voltage up until something breaks down, and that is the transistor.

    Wrong:
        pump:
          part: mosfet-low-side
          own_figures: {flyback_max_a: 0}   # no diode
          draws: {volts: 12, amps: 2, kind: motor}

    Right:
        pump:
          part: mosfet-low-side   # a diode for 10 A on the wiring list
          draws: {volts: 12, amps: 2, kind: motor}
    """
    coils = [(use, stage.coil_ma / 1000, "coil") for use, stage in _coils(circuit)]
    for _, use, draws, switching in switched(circuit):
        if switching.low_side and draws.kind in COILS and is_dc(circuit, draws):
            coils.append((use, draws.amps, draws.kind))
    for use, amps, what in coils:
        bears = use.figure("flyback_max_a") if "flyback_max_a" in use.figures else 0.0
        if bears < amps:
            has = f"its diode bears {bears:g} A" if bears > 0 else "there is no diode across it"
            whose = use.whose("flyback_max_a") if "flyback_max_a" in use.figures else ""
            yield Fault(
                _own_place(use),
                f"the {what} of {use.name} carries {amps:.3g} A when it is switched off, and {has}{whose}",
                f"Fit a diode for {amps:.3g} A or more across it, its cathode at plus, and put its "
                "amps under own_figures as flyback_max_a.",
                {"amps": amps, "diode_a": bears},
            )
