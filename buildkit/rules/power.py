"""Power: what each rail must give, and what each pin, group and chip must bear."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from buildkit import electrics
from buildkit.circuit import Circuit, Wire
from buildkit.model import Fault, Place, Rail, Use
from buildkit.rules import rule

COIL_SHARE = 0.5  # common practice, no source: a step of half the rail is felt by all on it


def _who(draw: Mapping[str, float]) -> str:
    """Who draws what, the greatest first."""
    ordered = sorted(draw.items(), key=lambda entry: -entry[1])
    return ", ".join(f"{name} {ma:.3g}" for name, ma in ordered)


def _rounded(draw: Mapping[str, float]) -> dict[str, float]:
    return {name: round(ma, 3) for name, ma in draw.items()}


def _active_low(wire: Wire) -> bool:
    switching = wire.use.part.switching
    return switching is not None and switching.active == "low"


def _fed_from(circuit: Circuit) -> Iterable[tuple[Wire, Use, Rail]]:
    """Supply terminals that are on a rail."""
    for wire in circuit.wires:
        if wire.rail is not None and wire.terminal.kind == "supply":
            yield wire, wire.use, wire.rail


@rule("power.rail-missing", "error", source="the board's table, rails; the part's table, supply")
def rail_missing(circuit: Circuit) -> Iterable[Fault]:
    """A part, or the board's own pins, would get no supply.

    Why: either the board has no rail within the part's supply range, or the
    rail is not fed: the supply of this build comes in behind it.

    Wrong:
        supply: {rail: 3V3, max_ma: 500}   # the 5 V side of the board stays dead

    Right:
        supply: {rail: 5V, max_ma: 500}    # the board makes its 3.3 V from it
    """
    uses = {use.name: use for use in circuit.build.uses()}
    rails = {name: rail.volts for name, rail in circuit.board.rails.items()}
    offer = ", ".join(f"{name} {volts:g} V" for name, volts in rails.items())
    for spot in circuit.unfed:
        use = uses[spot[0]]
        low, high = use.figure("supply_min_v"), use.figure("supply_max_v")
        yield Fault(
            use.at,
            f"{spot[0]} {spot[1]} needs {low:g} to {high:g} V, and the board has {offer}",
            "Choose a part for one of these rails, or a board that has such a rail.",
            {"min_v": low, "max_v": high, "rails_v": rails},
        )
    needed = {rail.name: use.name for _, use, rail in _fed_from(circuit)}
    needed[circuit.io_rail.name] = "the pins of the board"
    for name, whose in needed.items():
        if not _reached(circuit, name):
            supply = circuit.build.supply
            yield Fault(
                supply.places.get("rail", supply.at),
                f"the supply feeds {supply.rail}, and nothing feeds {name}, which {whose} "
                f"need{'' if name == circuit.io_rail.name else 's'}",
                f"Feed {_origin(circuit, name)}; the board makes the other rails from it.",
                {"fed": supply.rail, "dead": name},
            )


def _reached(circuit: Circuit, name: str) -> bool:
    """Whether a rail is the supply's, or made from it."""
    supply = circuit.build.supply.rail
    return supply in rail_chain(circuit, name)


def rail_chain(circuit: Circuit, name: str) -> list[str]:
    """A rail, the rail that feeds it, and so on."""
    chain = [name]
    while (source := circuit.board.rails[chain[-1]].fed_by) and source not in chain:
        chain.append(source)
    return chain


def _origin(circuit: Circuit, name: str) -> str:
    return rail_chain(circuit, name)[-1]


@rule(
    "power.rail-overload", "error", source="the board's table, rails; the parts' tables, peak draw"
)
def rail_overload(circuit: Circuit) -> Iterable[Fault]:
    """The parts on a rail together draw more than it can give.

    Why: the rail sags, the board restarts in the moment when the relay pulls
    in, or a regulator overheats. Peaks are added up, and the board's own
    current is taken off the supply.

    Wrong:
        supply: {rail: 5V, max_ma: 100}
        smoke: {part: pm-frame32}        # 100 mA, and the board 50 mA

    Right:
        supply: {rail: 5V, max_ma: 500}
        smoke: {part: pm-frame32}
    """
    for rail in circuit.board.rails.values():
        draw, gives = circuit.rail_draw_ma(rail), circuit.rail_gives_ma(rail)
        total = sum(draw.values())
        if total <= gives or not draw:
            continue
        yield Fault(
            rail_place(circuit, rail),
            f"rail {rail.name} must give {total:.4g} mA and can give {gives:.4g} mA: {_who(draw)}",
            _rail_fix(circuit, rail, total),
            {"draw_ma": _rounded(draw), "total_ma": total, "gives_ma": gives},
        )


def rail_place(circuit: Circuit, rail: Rail) -> Place:
    """Where a fault of a rail stands: at the supply that feeds it, else at its hungriest part."""
    supply = circuit.build.supply
    if rail.name == supply.rail:
        return supply.places.get("max_ma", supply.at)
    wires = [(use.figure("supply_peak_ma"), w) for w, use, on in _fed_from(circuit) if on is rail]
    return max(wires, key=lambda entry: entry[0])[1].at if wires else supply.at


def _rail_fix(circuit: Circuit, rail: Rail, total_ma: float) -> str:
    supply = circuit.build.supply
    needed_ma = total_ma + circuit.board.figure("board_ma")
    if rail.name == supply.rail and total_ma <= rail.gives_ma:
        return f"Use a supply of {needed_ma:.0f} mA or more, and set max_ma to what it gives."
    return "Move a part to another rail, or give the hungriest a supply of its own."


def _by_direction(circuit: Circuit, direction: str) -> list[tuple[Wire, float]]:
    """The wires whose pins source, or sink, a current worth counting."""
    found = []
    for wire in circuit.signals():
        ma = circuit.pin_ma(wire)
        way = "sink" if _active_low(wire) else "source"
        if ma > 0 and direction in (way, "both"):
            found.append((wire, ma))
    return found


@rule("power.pin-current", "error", source="the board's table, pin_ma, with the chip's data sheet")
def pin_current(circuit: Circuit) -> Iterable[Fault]:
    """A pin must carry more current than the chip guarantees.

    Why: above it the pin's level is no longer what the data sheet promises,
    and not far above it the chip is damaged.

    Wrong:
        lamp: {part: led-indicator, own_figures: {series_ohms: 100}}   # 30 mA

    Right:
        lamp: {part: led-indicator}   # 680 ohms, 4.4 mA
    """
    most = circuit.board.figure("pin_ma")
    for label, wires in circuit.by_pin().items():
        ma = sum(circuit.pin_ma(wire) for wire in wires)
        if ma > most:
            wire = wires[-1]
            yield Fault(
                wire.at,
                f"pin {label} must carry {ma:.3g} mA for {wire.use.name}, and {most:g} mA is its limit",
                _less_current(circuit, wire, most),
                {"ma": ma, "most_ma": most, "pin": label},
            )


def _less_current(circuit: Circuit, wire: Wire, most_ma: float) -> str:
    if wire.use.part.shows == "lamp":
        volts = circuit.io_rail.volts - wire.use.figure("forward_v")
        return f"Use a resistor of at least {volts / most_ma * 1000:.0f} ohms for {wire.use.name}."
    return (
        f"Use a part that needs less, measure yours and put its on_ma under own_figures, "
        f"or switch {wire.use.name} through a transistor."
    )


@rule(
    "power.group-current", "error", source="the board's table, groups, with the chip's data sheet"
)
def group_current(circuit: Circuit) -> Iterable[Fault]:
    """Pins that share a supply inside the chip carry too much together.

    Why: each pin may be within its limit, and still the chip's inner wires
    are not made for the sum.

    Wrong:
        eight led-indicator of 19 mA each on pins 5 to 12

    Right:
        four of them there and four on A0 to A3, or larger resistors
    """
    for group in circuit.board.groups:
        carried = [
            (wire, ma)
            for wire, ma in _by_direction(circuit, group.direction)
            if wire.pin is not None and wire.pin.port in group.pins
        ]
        total = sum(ma for _, ma in carried)
        if total > group.max_ma:
            draw = {wire.use.name: ma for wire, ma in carried}
            yield Fault(
                carried[-1][0].at,
                f"the pins of group {group.name} carry {total:.4g} mA together, and "
                f"{group.max_ma:g} mA is the limit: {_who(draw)}",
                "Move some of them to pins of another group, or let each take less.",
                {"total_ma": total, "most_ma": group.max_ma, "draw_ma": _rounded(draw)},
            )


@rule(
    "power.chip-current", "error", source="the board's table, chip_ma, with the chip's data sheet"
)
def chip_current(circuit: Circuit) -> Iterable[Fault]:
    """All pins together carry more than the chip's supply pins bear.

    Why: what every pin gives comes in through the chip's supply pins, and what
    it sinks leaves through its ground pins; both have an absolute maximum.

    Wrong:
        eleven led-indicator of 19 mA each

    Right:
        eleven led-indicator of 4.4 mA each
    """
    most = circuit.board.figure("chip_ma")
    for direction, words in (("source", "give"), ("sink", "sink")):
        carried = _by_direction(circuit, direction)
        total = sum(ma for _, ma in carried)
        if total > most:
            draw = {wire.use.name: ma for wire, ma in carried}
            yield Fault(
                carried[-1][0].at,
                f"the pins {words} {total:.4g} mA together, and the chip bears {most:g} mA: {_who(draw)}",
                "Let each take less, or switch some of them through transistors.",
                {"total_ma": total, "most_ma": most, "direction": direction},
            )


@rule("power.supply-range", "error", source="the part's table, supply_min_v and supply_max_v")
def supply_range(circuit: Circuit) -> Iterable[Fault]:
    """A part or the board itself is fed with volts outside its supply range.

    Why: below its range a part works by luck; above it, it is damaged.

    Wrong:
        panel: {part: lcd1602-pcf8574, wires: {VCC: 3V3}}   # 4.5 to 5.5 V

    Right:
        panel: {part: lcd1602-pcf8574, wires: {VCC: 5V}}
    """
    supply, (low, high) = circuit.build.supply, circuit.supply_range_v()
    if supply.volts is not None and not low <= supply.volts <= high:
        yield Fault(
            supply.place("volts"),
            f"the supply gives {supply.volts:g} V, and {supply.label} takes {low:g} to {high:g} V",
            f"Use a supply within that range{_other_inlet(circuit)}.",
            {"volts": supply.volts, "min_v": low, "max_v": high},
        )
    for wire, use, rail in _fed_from(circuit):
        low, high = use.figure("supply_min_v"), use.figure("supply_max_v")
        if not low <= rail.volts <= high:
            whose = use.whose("supply_min_v" if rail.volts < low else "supply_max_v")
            yield Fault(
                wire.at,
                f"{wire.name} is on {rail.volts:g} V, and it takes {low:g} to {high:g} V{whose}",
                f"Wire it to a rail within that range, or leave {wire.terminal.name} out "
                "and one is chosen.",
                {"volts": rail.volts, "min_v": low, "max_v": high},
            )


def _other_inlet(circuit: Circuit) -> str:
    """Where else on the board the supply's volts may come in."""
    volts = circuit.build.supply.volts or 0.0
    fits = [i for i in circuit.board.inlets.values() if i.min_v <= volts <= i.max_v]
    return f", or wire it to {fits[0].name}: 'rail: {fits[0].name}'" if fits else ""


@rule(
    "power.cable-drop", "error", source="ASTM B258 and IEC 60028, resistance of copper; Ohm's law"
)
def cable_drop(circuit: Circuit) -> Iterable[Fault]:
    """The cable to a part loses so many volts that too few arrive.

    Why: the current flows out and back, so that both conductors count. What
    is left must be within the part's supply range at its peak current.

    Wrong:
        cables: {smoke: {length_m: 12, awg: 28}}   # 0.5 V lost at 100 mA

    Right:
        cables: {smoke: {length_m: 12, awg: 24}}   # 0.2 V lost
    """
    for _, use, rail in _fed_from(circuit):
        cable = circuit.build.cables.get(use.name)
        low = use.figure("supply_min_v")
        if cable is None or rail.volts < low:
            continue
        ma = use.figure("supply_peak_ma")
        lost = electrics.cable_drop_v(ma / 1000, cable.length_m, cable.area_mm2)
        if rail.volts - lost < low:
            yield Fault(
                cable.at,
                f"{cable.length_m:g} m of {cable.said_as} lose {lost:.2f} V at {ma:g} mA: "
                f"{use.name} gets {rail.volts - lost:.2f} V and needs {low:g} V",
                "Use thicker wire or a shorter cable, or feed the part where it is.",
                {"lost_v": lost, "left_v": rail.volts - lost, "min_v": low, "ma": ma},
            )


@rule(
    "power.coil-shares-logic-rail", "warning", source="common practice, no source: half of the rail"
)
def coil_shares_logic_rail(circuit: Circuit) -> Iterable[Fault]:
    """Relay coils take more than half of what the rail of the chip can give.

    Why: a coil switches its whole current in one step. A rail that is mostly
    coil dips with it, and the chip on the same rail restarts.

    Wrong:
        supply: {rail: 5V, max_ma: 200}   # 150 mA left for parts
        mat: {part: relay-module-active-low}   # 90 mA in one step

    Right:
        supply: {rail: 5V, max_ma: 500}
        mat: {part: relay-module-active-low}
    """
    io = circuit.io_rail
    coils = {
        use.name: circuit.peak_ma(use)
        for _, use, rail in _fed_from(circuit)
        if rail is io and use.part.switching is not None and use.part.switching.contact == "metal"
    }
    total, gives = sum(coils.values()), circuit.rail_gives_ma(io)
    if coils and total > COIL_SHARE * gives:
        last = next(use for use in circuit.build.uses() if use.name == list(coils)[-1])
        yield Fault(
            last.at,
            f"relay coils take {total:g} of the {gives:g} mA that rail {io.name} gives: {_who(coils)}",
            "Use a supply that gives more, or feed the coils from one of their own.",
            {"coils_ma": total, "gives_ma": gives, "share_percent": COIL_SHARE * 100},
        )
