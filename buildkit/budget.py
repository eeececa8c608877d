"""What is left in reserve: rails, pins, bus, cables and switching parts against their limits."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import electrics
from buildkit.bench import ohms, printed, short
from buildkit.bill import air_limits_c, figure, limits_a
from buildkit.circuit import Circuit
from buildkit.model import Load, Rail, Use
from buildkit.records import dataclass
from buildkit.rules.bus import LEAD_F_PER_M, LOW_V, PIN_F, RISE_S, SHORT_LEAD_M, SINK_MA


@dataclass(frozen=True, slots=True)
class Budget:
    """One line of the budget: how much is taken of what there is."""

    what: str
    value: str
    limit: str
    margin: str
    fits: bool


def budgets(circuit: Circuit) -> tuple[Budget, ...]:
    """Every limit that the build comes near: taken, limit and margin."""
    return (
        *_rails(circuit),
        *_pins(circuit),
        *_bus(circuit),
        *_cable_drop(circuit),
        *(line for load in circuit.build.loads.values() for line in _ratings(circuit, load)),
    )


def _line(what: str, value: float, limit: float, unit: str, more: str = "") -> Budget:
    left = limit - value
    share = f" ({short(100 * left / limit, 0)} %)" if limit > 0 else ""
    digits = 1 if unit == "mA" else 2
    return Budget(
        what,
        f"{short(value, digits)} {unit}{more}",
        f"at most {short(limit, digits)} {unit}",
        f"{short(left, digits)} {unit}{share}",
        left >= 0,
    )


def _rails(circuit: Circuit) -> Iterable[Budget]:
    for rail in circuit.board.rails.values():
        draw = circuit.rail_draw_ma(rail)
        if draw:
            names = ", ".join(f"{name} {short(ma, 1)}" for name, ma in draw.items())
            gives = circuit.rail_gives_ma(rail)
            what = f"Rail {rail.name} for parts, at peak"
            yield _line(what, sum(draw.values()), gives, "mA", f" ({names})")


def _pins(circuit: Circuit) -> Iterable[Budget]:
    board = circuit.board
    driven = [(wire, circuit.pin_ma(wire)) for wire in circuit.signals()]
    for wire, ma in driven:
        if ma:
            what = f"Pin {printed(board, wire.label)}, to {wire.name}"
            yield _line(what, ma, board.figure("pin_ma"), "mA")
    for group in board.groups:
        total = sum(
            ma
            for wire, ma in driven
            if wire.pin
            and wire.pin.port in group.pins
            and group.direction in ("both", "sink" if _sinks(wire.use) else "source")
        )
        if total:
            yield _line(f"Pins {group.name}, together", total, group.max_ma, "mA")
    everything = sum(ma for _, ma in driven)
    if everything and "chip_ma" in board.figures:
        yield _line("All pins of the chip", everything, board.figure("chip_ma"), "mA")


def _sinks(use: Use) -> bool:
    return use.part.switching is not None and use.part.switching.active == "low"


def bus_pull_ups(circuit: Circuit) -> dict[str, tuple[Rail, float, str]]:
    """Per piece of a bus line: its rail, the ohms of all modules together, and whose."""
    found: dict[str, tuple[Rail, float, str]] = {}
    for line in ("sda", "scl"):
        far = [use for use in circuit.uses_talking("i2c") if _shifted(circuit, use, line)]
        for behind in (None, *far):
            each = circuit.bus_pull_ups(line, behind)
            if each:
                names = " beside ".join(f"{ohms(value)} on {use.name}" for use, _, value in each)
                together = electrics.parallel_ohms(*(value for _, _, value in each))
                place = line.upper() + (f" behind the shifter of {behind.name}" if behind else "")
                found[place] = (each[0][1], together, names)
    return found


def _shifted(circuit: Circuit, use: Use, line: str) -> bool:
    passage = circuit.bus_passage(use, line)
    return passage is not None and passage.kind == "shifter"


def bus_most_ohms(circuit: Circuit) -> float:
    """The greatest pull-up that still lifts a line in time, all wires of the bus counted."""
    uses, cables = circuit.uses_talking("i2c"), circuit.build.cables
    wire_m = sum(cables[u.name].length_m if u.name in cables else SHORT_LEAD_M for u in uses)
    farads = PIN_F * (1 + len(uses)) + LEAD_F_PER_M * wire_m
    return electrics.pull_up_max_ohms(RISE_S, farads)


def bus_least_ohms(rail: Rail) -> float:
    """The least pull-up that a bus output can still pull low."""
    return electrics.pull_up_min_ohms(rail.volts, LOW_V, SINK_MA)


def _bus(circuit: Circuit) -> Iterable[Budget]:
    most = bus_most_ohms(circuit)
    for line, (rail, together, names) in bus_pull_ups(circuit).items():
        least = bus_least_ohms(rail)
        margin = min((together - least) / least, (most - together) / together)
        yield Budget(
            f"Pull-up of {line}",
            f"{ohms(together)} ({names})",
            f"{ohms(least)} to {ohms(float(f'{most:.3g}'))}",
            f"{short(100 * margin, 0)} %",
            margin >= 0,
        )


def _cable_drop(circuit: Circuit) -> Iterable[Budget]:
    for use in circuit.build.uses():
        cable, rail = circuit.build.cables.get(use.name), circuit.feed(use)
        least, peak = figure(use, "supply_min_v"), figure(use, "supply_peak_ma")
        if cable is None or rail is None or least is None or peak is None:
            continue
        drop = electrics.cable_drop_v(peak / 1000, cable.length_m, cable.area_mm2)
        said = f" ({short(cable.length_m)} m of {cable.said_as} at {short(peak)} mA)"
        yield _line(f"Drop along the cable to {use.name}", drop, rail.min_v - least, "V", said)


def _ratings(circuit: Circuit, load: Load) -> Iterable[Budget]:
    draws, use = load.draws, load.use
    if draws is None:
        return
    most_v, most_dc_v = figure(use, "load_max_v"), figure(use, "load_max_dc_v")
    if most_dc_v is not None and not circuit.on_mains(load):
        yield _line(f"Load voltage of {use.name}, taken as DC", draws.volts, most_dc_v, "V")
    elif most_v is not None:
        yield _line(f"Load voltage of {use.name}", draws.volts, most_v, "V")
    for how, limit in limits_a(circuit, load).items():
        what = f"Load current of {use.name}{', ' + how if how else ''}"
        yield _line(what, draws.amps, limit, "A")
    yield from _heat(circuit, load)
    surge = figure(use, "surge_a")
    if draws.inrush_amps is not None and surge is not None:
        yield _line(f"First moments of {use.name}", draws.inrush_amps, surge, "A")


def _heat(circuit: Circuit, load: Load) -> Iterable[Budget]:
    """What a switching part turns into heat, and the air it bears, against its derating curve."""
    draws, use = load.draws, load.use
    drop = figure(use, "drop_v")
    if draws is None:
        return
    for how, limit in limits_a(circuit, load).items():
        at = f"{', ' + how if how else ''}, at {short(circuit.build.ambient_c)} °C"
        if drop:
            said = f" ({short(drop)} V at {short(draws.amps)} A)"
            yield _line(f"Heat of {use.name}{at}", drop * draws.amps, drop * limit, "W", said)
    ambient = circuit.build.ambient_c
    for how, most_c in air_limits_c(load).items():
        what = f"Air around {use.name}{', ' + how if how else ''}, by its derating curve"
        yield Budget(
            what,
            f"{short(ambient)} °C",
            f"at most {most_c} °C at {short(draws.amps)} A",
            f"{short(most_c - ambient)} K",
            most_c >= ambient,
        )
