"""Loads, heat: what is left of a rating in this box, and the heat that a closed switch makes."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import electrics
from buildkit.circuit import Circuit
from buildkit.model import Draws, Fault, Use
from buildkit.rules import rule
from buildkit.rules.load import INDUCTIVE, figure_of, switched

# Common practice, no source: the outside of a closed box gives off 5 W/m2 and kelvin in still air,
# and 10 K above the room are let stand.
BOX_W_PER_M2 = 5.0 * 10.0


def _derated(circuit: Circuit, use: Use, draws: Draws, rated_a: float) -> float:
    """Amps left of a rating at this build's heat."""
    start, end = figure_of(use, "derate_from_c"), figure_of(use, "derate_to_c")
    if start is None or end is None or end <= start:
        return rated_a
    return electrics.derated_a(rated_a, start, end, circuit.build.ambient_c)


@rule(
    "load.derated",
    "error",
    source="the part's table: derate_from_c, derate_to_c, motor_share_percent",
)
def derated(circuit: Circuit) -> Iterable[Fault]:
    """The load is within the printed rating, and above what is left of it here.

    Why: the printed amps hold for a heater in cool air. Heat in the box takes
    some away, and motors, solenoids and transformers arc so much more that
    only a share is theirs.

    Wrong:
        draws: {volts: 120, amps: 5, kind: motor}   # relay of 10 A, 30 % for motors

    Right:
        draws: {volts: 120, amps: 2.5, kind: motor}
    """
    for load, use, draws, _ in switched(circuit):
        rated = figure_of(use, "load_max_a")
        if rated is None or draws.amps > rated:
            continue
        share = figure_of(use, "motor_share_percent") if draws.kind in INDUCTIVE else None
        left = _derated(circuit, use, draws, rated) * (1.0 if share is None else share / 100)
        if draws.amps > left:
            for_kind = f" for a {draws.kind} ({share:g} %)" if share is not None else ""
            yield Fault(
                draws.at,
                f"{load.use.name} draws {draws.amps:g} A, and of {rated:g} A only {left:.3g} A are left"
                f"{for_kind} at {circuit.build.ambient_c:g} degC",
                "Choose a part with a higher rating, or keep the box cooler and lower ambient_c.",
                {"amps": draws.amps, "left_a": left, "rated_a": rated, "share_percent": share},
            )


@rule("load.heat-sink", "warning", source="the part's table: bare_max_a, drop_v and its derating")
def heat_sink(circuit: Circuit) -> Iterable[Fault]:
    """The load is too much for a solid-state relay without a heat sink.

    Why: a semiconductor turns about 1.6 watts into heat for each amp. Without
    metal to carry it away it overheats, and fails shorted.

    Wrong:
        draws: {volts: 230, amps: 8, kind: heater}   # bare solid-state relay

    Right:
        the same on a heat sink, and the figure of it: own_figures: {bare_max_a: 12}
    """
    ambient_c = circuit.build.ambient_c
    for load, use, draws, switching in switched(circuit):
        bare = figure_of(use, "bare_max_a")
        if switching.contact != "semiconductor" or bare is None:
            continue
        left = _derated(circuit, use, draws, bare)
        if draws.amps > left:
            watts = heat_w(use, draws.amps)
            numbers = {
                "amps": draws.amps,
                "bare_a": left,
                "heat_w": watts,
                **_heat(use, watts, ambient_c),
            }
            case = (
                f", which brings it to {numbers['bare_c']:.0f} degC" if "bare_c" in numbers else ""
            )
            sink = numbers.get("sink_k_per_w")
            kind = f" of {sink:.2g} K/W or less" if sink is not None and sink > 0 else ""
            yield Fault(
                draws.at,
                f"{load.use.name} draws {draws.amps:g} A, and {use.part.id} without a heat sink bears "
                f"{left:.3g} A at {ambient_c:g} degC; it makes {watts:.1f} W of heat{case}",
                f"Mount it on a heat sink{kind}, give the box {watts / BOX_W_PER_M2:.2g} m2 of outside "
                "or air holes, and put what the part then bears under own_figures as bare_max_a.",
                numbers,
            )


def heat_w(use: Use, amps: float) -> float:
    """Watts that a closed switch makes: V_on I, and R_on I squared when hot."""
    hot = (figure_of(use, "hot_percent") or 100.0) / 100
    ohms = (figure_of(use, "on_resistance_ohms") or 0.0) * hot
    return (figure_of(use, "drop_v") or 0.0) * amps + ohms * amps**2


def _heat(use: Use, watts: float, ambient_c: float) -> dict[str, float]:
    """What the bare part would reach, and the heat sink that keeps it within its limit."""
    air, limit = figure_of(use, "air_k_per_w"), figure_of(use, "junction_max_c")
    limit = figure_of(use, "derate_to_c") if limit is None else limit
    found = {} if air is None else {"bare_c": ambient_c + watts * air}
    if limit is not None and watts > 0:
        found |= {"limit_c": limit, "sink_k_per_w": (limit - ambient_c) / watts}
    return found
