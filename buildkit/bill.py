"""What must be bought, with the ratings that decide: a list of the wiring pages."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from buildkit import bench, electrics
from buildkit.bench import ohms, short
from buildkit.circuit import Circuit
from buildkit.model import Load, Use
from buildkit.units import UNITS


@dataclass(frozen=True, slots=True)
class Item:
    """One line of the bill of materials: what, for what, and the ratings that decide."""

    what: str
    use: str
    ratings: str


def figure(use: Use, name: str) -> float | None:
    """A figure of a part, or None when its table is silent."""
    return use.figure(name) if name in use.figures else None


# --- ratings of switching parts ----------------------------------------------


def derated(circuit: Circuit, use: Use, rated_a: float) -> float:
    """A rating after the hottest air in the box."""
    from_c, to_c = figure(use, "derate_from_c"), figure(use, "derate_to_c")
    if from_c is None or to_c is None:
        return rated_a
    return electrics.derated_a(rated_a, from_c, to_c, circuit.build.ambient_c)


def limits_a(circuit: Circuit, load: Load) -> dict[str, float]:
    """What a switching part may carry in this box, by how it is mounted."""
    use = load.use
    rated, bare = figure(use, "load_max_a"), figure(use, "bare_max_a")
    found: dict[str, float] = {}
    if rated is not None:
        share = figure(use, "motor_share_percent")
        motor = load.draws is not None and load.draws.kind == "motor"
        part = share / 100 if share is not None and motor else 1.0
        found["on its heat sink" if bare is not None else ""] = derated(circuit, use, rated) * part
    if bare is not None:
        found["without a heat sink"] = derated(circuit, use, bare)
    return found


def air_limits_c(load: Load) -> dict[str, int]:
    """The air at which a switching part's derated rating would just be its load, by mounting."""
    use, draws = load.use, load.draws
    from_c, to_c = figure(use, "derate_from_c"), figure(use, "derate_to_c")
    rated, bare = figure(use, "load_max_a"), figure(use, "bare_max_a")
    if draws is None or from_c is None or to_c is None or rated is None:
        return {}
    share = figure(use, "motor_share_percent")
    part = share / 100 if share is not None and draws.kind == "motor" else 1.0
    ratings = {"on its heat sink" if bare is not None else "": rated * part}
    if bare is not None:
        ratings["without a heat sink"] = bare
    return {
        how: math.floor(to_c - (to_c - from_c) * draws.amps / limit)
        for how, limit in ratings.items()
        if draws.amps <= limit
    }


def _takes(load: Load) -> str:
    draws = load.draws
    if draws is None:
        return "what its load takes is not given in the build"
    inrush = f", {short(draws.inrush_amps)} A at start" if draws.inrush_amps else ""
    return f"{short(draws.volts)} V, {short(draws.amps)} A {draws.kind}{inrush}"


def _switch_ratings(circuit: Circuit, load: Load) -> str:
    use = load.use
    assert use.part.switching is not None
    words = [f"switches {_takes(load)}"]
    volts, amps = figure(use, "load_max_v"), figure(use, "load_max_a")
    if volts is not None and amps is not None:
        own = use.whose("load_max_v") or use.whose("load_max_a")
        words.append(f"rated {short(volts)} V and {short(amps)} A{own}")
    for how, limit in limits_a(circuit, load).items():
        at = f"at {short(circuit.build.ambient_c)} °C in the box"
        words.append(f"of that {short(limit, 2)} A count {at}{', ' + how if how else ''}")
    return "; ".join(words)


# --- bill of materials ---------------------------------------------------------


def materials(circuit: Circuit) -> tuple[Item, ...]:
    """Everything to buy, with the ratings that decide."""
    return (
        Item(f"Board {circuit.board.id}", "", circuit.board.title),
        _supply(circuit),
        # A divider is its two resistors, which are listed among the small parts.
        *(_part(circuit, use) for use in circuit.build.uses() if use.part.between != "divider"),
        *_small(circuit),
        *_blocks(circuit),
        *_cables(circuit),
        *_load_items(circuit),
    )


def _supply(circuit: Circuit) -> Item:
    build = circuit.build
    rail = circuit.board.rails[build.supply.rail]
    needed = sum(circuit.rail_draw_ma(rail).values()) + circuit.board.figure("board_ma")
    low, high = circuit.supply_range_v()
    # Told volts are those for which the heat of the board's regulator was judged.
    told = build.supply.volts
    volts = f"{short(low)} to {short(high)} V" if told is None else f"{short(told)} V"
    return Item(
        f"Supply for {build.supply.label}",
        "board",
        f"{volts}; the build needs {short(needed, 0)} mA at "
        f"its peak, board included, and counts on {short(build.supply.max_ma)} mA",
    )


def _part(circuit: Circuit, use: Use) -> Item:
    words = []
    load = circuit.build.loads.get(use.name)
    if load is not None and use.part.switching is not None:
        words.append(_switch_ratings(circuit, load))
    low, high, peak = (figure(use, f"supply_{w}") for w in ("min_v", "max_v", "peak_ma"))
    if low is not None and high is not None and peak is not None:
        whose = use.whose("supply_peak_ma")
        words.append(f"fed with {short(low)} to {short(high)} V, up to {short(peak)} mA{whose}")
    if use.address is not None:
        words.append(f"I2C address 0x{use.address:02X}")
    probe = circuit.build.probes.get(use.name)
    if probe is not None:
        quantity = probe.quantity
        low_high = f"{short(float(quantity.low))} to {short(float(quantity.high))}"
        sign = UNITS[quantity.unit].sign
        words.insert(0, f"measures {quantity.about}, {low_high} {sign}")
    if use.name in circuit.build.hands:
        words.append(f"commands {circuit.build.hands[use.name].commands}")
    if use.part.between == "shifter":
        words.append(_channels(circuit))
    return Item(use.part.title, use.name, "; ".join(words + _loose_parts(use)))


def _channels(circuit: Circuit) -> str:
    """How many modules of four channels all level shifters of the build make."""
    count = sum(p.kind == "shifter" for p in circuit.passages.values())
    modules = -(-count // 4)
    return f"{count} channel{'s' * (count != 1)} in this build, so {modules} module{'s' * (modules != 1)}"


def _loose_parts(use: Use) -> list[str]:
    """Components that a part consists of and that its table gives as figures only."""
    words = []
    beta, r25 = figure(use, "beta_k"), figure(use, "r25_ohms")
    if r25 is not None and beta is not None:
        whose = use.whose("r25_ohms") or use.whose("beta_k")
        words.append(f"thermistor {ohms(r25)} at 25 °C, B {short(beta)} K{whose}")
    fixed = figure(use, "series_ohms")
    lamp_v, lamp_ma = figure(use, "forward_v"), figure(use, "led_max_ma")
    if lamp_v is not None and lamp_ma is not None:
        words.append(f"LED of about {short(lamp_v)} V, up to {short(lamp_ma)} mA")
    if fixed is not None and not use.part.extras:
        whose = use.whose("series_ohms")
        words.append(f"fixed resistor {ohms(fixed)}, 1 %{whose}")
    return words


def _small(circuit: Circuit) -> Iterable[Item]:
    for component in circuit.components:
        extra = component.extra
        size = f"{ohms(extra.ohms)}, 5 %, 0.25 W: " if extra.ohms is not None else ""
        yield Item(f"{component.ref}, {extra.name}", component.use.name, size + extra.why)


def _blocks(circuit: Circuit) -> Iterable[Item]:
    for net in bench.work_order(circuit):
        if len(net.ends) > 2:
            rating = (
                f"for {short(bench.mains_volts(circuit))} V mains, insulated"
                if net.kind == "mains"
                else "any size that takes the wires"
            )
            what = f"Terminal block or splice, {len(net.ends)} ways"
            yield Item(what, bench.net_word(circuit.build, net), rating)


def _cables(circuit: Circuit) -> Iterable[Item]:
    for cable in circuit.build.cables.values():
        yield Item(f"Cable, {cable.said_as}", cable.to, f"{short(cable.length_m)} m")


def _load_items(circuit: Circuit) -> Iterable[Item]:
    loads = circuit.build.loads.values()
    on_mains = [load for load in loads if load.draws and circuit.on_mains(load)]
    if on_mains:
        motor = any(load.draws and load.draws.kind == "motor" for load in on_mains)
        yield _fuse(circuit, motor)
        yield Item(
            "Closed box, strain reliefs, covers over the mains terminals",
            "mains",
            "a wall or 8 mm at least between the two sides (common practice, no source); "
            "metal boxes bonded",
        )
    for load in loads:
        if load.draws and not circuit.on_mains(load):
            yield Item("Fuse and holder", load.use.name, f"next to its supply; {_takes(load)}")
            yield Item("Supply of the load", load.use.name, _takes(load))
        if load.cutout:
            yield Item("Independent cut-out", load.use.name, cutout_words(load))


def cutout_words(load: Load) -> str:
    """The cut-out in the builder's words, or what its table says of it."""
    part = load.cutout_part
    if part is None:
        return load.cutout or ""
    opens, volts, amps = (part.figures[n].value for n in ("opens_at_c", "load_max_v", "load_max_a"))
    return f"{part.title}: {short(opens)} °C, {short(volts)} V, {short(amps)} A"


def _fuse(circuit: Circuit, motor: bool) -> Item:
    uk = bench.region(circuit.build) == "uk"
    usual = bench.fuse_a(circuit)
    size = f"usually {short(usual)} A" if usual is not None else "no usual size is enough"
    slow = ", slow, because of the motor" if motor and not uk else ""
    return Item(
        "Plug with fuse, BS 1363 and BS 1362" if uk else "Fuse with insulated holder",
        "mains",
        f"{size}{slow}, for {short(bench.mains_amps(circuit))} A of load; rated for "
        f"{short(bench.mains_volts(circuit))} V; never more than the thinnest wire behind it and "
        "the switching part bear; your local code decides",
    )
