"""Faults of loads: too much or too little for the part, and nothing that stops them."""

from __future__ import annotations

import random

from buildkit.model import Load
from tests.planting import entries as e
from tests.planting.beds import EXTRA, Bed, Tree, add, own, wire, wire_path
from tests.planting.garden import Plant, at, plants

COILS = ("motor", "solenoid", "transformer")


def _load(bed: Bed, dice: random.Random, *parts: str) -> Load | None:
    found = [
        load
        for load in bed.build.loads.values()
        if load.draws is not None and load.use.part.id in (parts or e.MAINS_SWITCHES)
    ]
    return dice.choice(found) if found else None


def _direct(bed: Bed) -> bool:
    return bed.build.mains is None


@plants("load.undescribed")
def a_load_without_figures(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice)
    if load is None:
        return None
    tree = bed.copy()
    del tree["loads"][load.use.name]["draws"]
    return at(tree, f"loads.{load.use.name}")


@plants("load.over-rating")
def too_many_amps_or_volts(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice)
    if load is None or load.draws is None:
        return None
    tree, use = bed.copy(), load.use
    drawn = e.draws(tree, use.name)
    if dice.random() < 0.5:
        drawn["amps"] = min(100.0, e.beyond(use.figure("load_max_a"), dice))
    else:
        direct = _direct(bed) and use.part.id == e.RELAY
        drawn["volts"] = e.beyond(use.figure("load_max_v"), dice)
        if direct:
            drawn["volts"] = round(dice.uniform(30.1, 49.9), 1)
    return at(tree, e.draws_path(use.name))


@plants("load.over-rating")
def a_weaker_part_than_the_class(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice)
    if load is None or load.draws is None:
        return None
    tree = bed.copy()
    own(tree, load.use, load_max_a=e.below(load.draws.amps, dice))
    return at(tree, e.draws_path(load.use.name))


@plants("load.derated")
def a_coil_above_its_share(bed: Bed, dice: random.Random) -> Plant | None:
    """Motors, solenoids and transformers have 30 % of the printed amps."""
    load = _load(bed, dice)
    if load is None:
        return None
    tree, use = bed.copy(), load.use
    rated, share = use.figure("load_max_a"), use.figure("motor_share_percent") / 100
    drawn = e.draws(tree, use.name)
    drawn["kind"] = dice.choice(COILS)
    drawn["amps"] = round(dice.uniform(share * rated * 1.01, rated), 3)
    return at(tree, e.draws_path(use.name))


@plants("load.derated")
def a_box_too_hot(bed: Bed, dice: random.Random) -> Plant | None:
    """The rating falls in a straight line from derate_from_c to nothing at derate_to_c."""
    load = _load(bed, dice)
    if load is None or load.draws is None or load.draws.kind in COILS:
        return None
    tree, use = bed.copy(), load.use
    start, end = use.figure("derate_from_c"), use.figure("derate_to_c")
    hot = round(dice.uniform(start + 1, min(end, 84)), 1)
    left = use.figure("load_max_a") * max(0.0, end - hot) / (end - start)
    tree["ambient_c"] = hot
    e.draws(tree, use.name)["amps"] = round(
        dice.uniform(left * 1.01 + 0.01, use.figure("load_max_a")), 3
    )
    return at(tree, e.draws_path(use.name))


@plants("load.heat-sink")
def a_bare_relay_too_hot(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice, e.SSR)
    if load is None:
        return None
    tree, use = bed.copy(), load.use
    bare, rated = use.figure("bare_max_a"), use.figure("load_max_a")
    drawn = e.draws(tree, use.name)
    if dice.random() < 0.7:
        drawn["amps"] = round(dice.uniform(bare * 1.01, rated), 3)
    else:
        own(tree, use, bare_max_a=float(f"{drawn['amps'] * dice.uniform(0.1, 0.98):.4g}"))
    return at(tree, e.draws_path(use.name))


@plants("load.inrush")
def a_start_that_welds(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice)
    if load is None:
        return None
    tree = bed.copy()
    e.draws(tree, load.use.name)["inrush_amps"] = min(
        1000.0, e.beyond(load.use.figure("surge_a"), dice)
    )
    return at(tree, e.draws_path(load.use.name))


@plants("load.inrush")
def a_cold_start_that_nobody_named(bed: Bed, dice: random.Random) -> Plant | None:
    """A motor starts with six times its current, a cold lamp with ten."""
    load = _load(bed, dice)
    if load is None or load.draws is None:
        return None
    tree, use = bed.copy(), load.use
    kind, times = dice.choice((("motor", 6), ("lamp", 10)))
    surge = use.figure("surge_a")
    if surge > use.figure("load_max_a") * times:
        own(tree, use, surge_a=30)
        surge = 30
    drawn = e.draws(tree, use.name)
    drawn.pop("inrush_amps", None)
    drawn["kind"] = kind
    drawn["amps"] = round(dice.uniform(surge / times * 1.01, use.figure("load_max_a")), 3)
    return at(tree, e.draws_path(use.name))


@plants("load.leakage")
def a_small_lamp_that_glows(bed: Bed, dice: random.Random) -> Plant | None:
    """Beyond 1 % of what it draws."""
    load = _load(bed, dice, e.SSR)
    if load is None:
        return None
    tree = bed.copy()
    drawn = e.draws(tree, load.use.name)
    drawn["kind"] = "lamp"
    drawn["amps"] = round(load.use.figure("leakage_ma") / 10 * dice.uniform(0.05, 0.98), 4)
    return at(tree, e.draws_path(load.use.name))


@plants("load.leakage")
def an_electronic_supply_behind_a_leak(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice, e.RELAY)
    if load is None or load.draws is None or load.draws.kind not in ("lamp", "electronic"):
        return None
    tree = bed.copy()
    least = load.draws.amps * 10  # 1 % in mA
    if not load.use.figure("leakage_ma"):
        own(tree, load.use, leakage_ma=min(999.0, e.beyond(least, dice)))
    return at(tree, e.draws_path(load.use.name))


@plants("load.wrong-kind")
def a_kind_the_part_does_not_switch(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice, e.SSR)
    if load is None:
        return None
    tree = bed.copy()
    e.draws(tree, load.use.name)["kind"] = "electronic"
    return at(tree, e.draws_path(load.use.name))


@plants("load.wrong-kind")
def direct_current_through_an_ac_relay(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    if _direct(bed):
        volts = dice.choice((12, 24, 36, 48))
        path = add(tree, "loads", "vent", e.switched(e.SSR, volts, 0.5, "motor"))
        return at(tree, f"{path}.draws")
    load = _load(bed, dice, e.SSR)
    if load is None:
        return None
    if any(
        other.draws and other.draws.volts >= 50
        for other in bed.build.loads.values()
        if other is not load
    ):
        return None
    del tree["mains"]
    e.draws(tree, load.use.name)["volts"] = dice.choice((12, 24, 36, 48))
    return at(tree, e.draws_path(load.use.name))


@plants("load.rest-undefined")
def a_relay_stirred_by_a_leaking_pin(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice, e.SSR)
    if load is None:
        return None
    tree, leaks = bed.copy(), e.figure(bed, "leakage_ua")
    own(tree, load.use, off_ua=dice.choice((leaks, e.below(leaks, dice))))
    return at(tree, wire_path(tree, load.use, "CTRL+"))


@plants("load.rest-undefined")
def a_transistor_without_a_resistor(bed: Bed, dice: random.Random) -> Plant | None:
    if not bed.free(lambda pin: "digital-out" in pin.can):
        return None
    pin = dice.choice(bed.free(lambda pin: "digital-out" in pin.can))
    tree = bed.copy()
    entry = e.switched("invented-switch", 24, 0.5, "motor", wires={"IN": pin.label})
    path = add(tree, "loads", "vent", entry)
    return at(tree, f"{path}.wires.IN", extra=EXTRA)


@plants("load.rests-on")
def a_pin_held_at_the_level_that_runs(bed: Bed, dice: random.Random) -> Plant | None:
    """Pulled up at reset under an active-high load whose relay wants next to nothing; or down under a low one."""
    taken = bed.taken()
    ends = [
        (use, pin.label)
        for use in bed.uses(section="loads")
        if use.part.switching is not None
        for pin in bed.board.pins.values()
        if pin.label not in taken
        and "digital-out" in pin.can
        and pin.at_reset == {"high": "up", "low": "down"}[use.part.switching.active]
    ]
    if not ends:
        return None
    use, label = dice.choice(ends)
    tree, switching = bed.copy(), use.part.switching
    assert switching is not None
    if "off_ua" in use.figures:
        through = bed.circuit.io_rail.volts / e.figure(bed, "pull_up_min_ohms") * 1e6
        own(tree, use, off_ua=e.below(through, dice))
    return at(tree, wire(tree, use, switching.input_terminal, label))


@plants("load.rests-on")
def an_active_low_module_on_a_pin_held_down(bed: Bed, dice: random.Random) -> Plant | None:
    taken = bed.taken()
    pins = [
        p
        for p in bed.board.pins.values()
        if p.at_reset == "down" and p.label not in taken and "digital-out" in p.can
    ]
    if not pins:
        return None
    tree = bed.copy()
    volts = 24.0 if _direct(bed) else e.mains_volts(bed)
    through = bed.circuit.io_rail.volts / e.figure(bed, "pull_up_min_ohms") * 1e6
    entry = e.switched(e.RELAY, volts, 0.5, "lamp", wires={"IN": dice.choice(pins).label})
    entry["own_figures"] = {"off_ua": e.below(through, dice)}
    path = add(tree, "loads", "light", entry)
    return at(tree, f"{path}.wires.IN")


@plants("load.mains")
def mains_that_nobody_named(bed: Bed, dice: random.Random) -> Plant | None:
    """The note must come with the first mains load, though the section is missing."""
    if not _direct(bed):
        return None
    tree = bed.copy()
    name = dice.choice(list(tree.get("loads", {})) or [""])
    if name:
        e.draws(tree, name)["volts"] = dice.choice((51, 100, 120, 230))
        return at(tree, e.draws_path(name))
    path = add(tree, "loads", "light", e.switched(e.SSR, dice.choice((100, 120, 230)), 1.0, "lamp"))
    return at(tree, f"{path}.draws")


@plants("load.mains")
def mains_at_a_build_without(bed: Bed, dice: random.Random) -> Plant | None:
    if not _direct(bed):
        return None
    tree = bed.copy()
    tree["mains"] = {"volts": 230, "hz": 50, "region": dice.choice(("eu", "uk", "iec"))}
    add(tree, "loads", "light", e.switched(e.SSR, 230, 1.0, "lamp"))
    return at(tree, "mains")


def _new_mains_load(bed: Bed, amps: float, kind: str) -> tuple[Tree, str]:
    tree = bed.copy()
    path = add(tree, "loads", "more", e.switched(e.SSR, e.mains_volts(bed), amps, kind))
    return tree, f"{path}.draws"


@plants("load.fuse")
def a_load_that_wants_its_fuse(bed: Bed, dice: random.Random) -> Plant | None:
    tree, path = _new_mains_load(
        bed, round(dice.uniform(0.2, 14), 2), dice.choice(("lamp", "motor"))
    )
    return at(tree, path)


@plants("load.conductor")
def a_load_that_wants_its_copper(bed: Bed, dice: random.Random) -> Plant | None:
    """From some amps up, in every region that tells copper by its fuse."""
    tree, path = _new_mains_load(bed, round(dice.uniform(5.2, 10), 2), "heater")
    return at(tree, path)


@plants("load.no-suppression")
def a_coil_on_bare_contacts(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    volts = dice.choice((12.0, 24.0)) if _direct(bed) else e.mains_volts(bed)
    path = add(tree, "loads", "pump", e.switched(e.RELAY, volts, 0.5, dice.choice(COILS)))
    return at(tree, f"{path}.draws")


@plants("load.no-cutout")
def a_heater_without_cut_out(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice)
    if load is None:
        return None
    tree = bed.copy()
    e.draws(tree, load.use.name)["kind"] = "heater"
    tree["loads"][load.use.name].pop("cutout", None)
    return at(tree, f"loads.{load.use.name}")


@plants("load.other-mains")
def a_load_for_another_mains(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice)
    if load is None or bed.build.mains is None:
        return None
    tree, volts = bed.copy(), bed.build.mains.volts
    factor = dice.choice((dice.uniform(0.45, 0.89), dice.uniform(1.11, 1.9)))
    e.draws(tree, load.use.name)["volts"] = round(volts * factor, 1)
    return at(tree, e.draws_path(load.use.name))


@plants("load.other-mains")
def another_mains_for_the_loads(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice)
    if load is None or load.draws is None or bed.build.mains is None or load.draws.volts < 50:
        return None
    tree = bed.copy()
    tree["mains"]["volts"] = 230 if load.draws.volts < 180 else 120
    return at(tree, e.draws_path(load.use.name))


@plants("load.under-minimum")
def a_load_too_small_for_the_relay(bed: Bed, dice: random.Random) -> Plant | None:
    load = _load(bed, dice, e.SSR)
    if load is None:
        return None
    tree, use = bed.copy(), load.use
    drawn = e.draws(tree, use.name)
    if dice.random() < 0.7:
        drawn["amps"] = e.below(use.figure("min_load_a"), dice)
    else:
        drawn["volts"] = e.below(use.figure("load_min_v"), dice)
    return at(tree, e.draws_path(use.name))


# --- stages of transistors ---


def _driven(bed: Bed, dice: random.Random) -> tuple[Tree, str]:
    """A build with a bare coil, and its name."""
    tree = bed.copy()
    found = bed.uses(part=e.COIL)
    if found:
        return tree, dice.choice(found).name
    volts = 24.0 if _direct(bed) else e.mains_volts(bed)
    return tree, add(tree, "loads", "bare", e.switched(e.COIL, volts, 0.5, "lamp")).split(".")[1]


def _owned(tree: Tree, name: str, **figures: float) -> Plant:
    entry = tree["loads"][name]
    entry.setdefault("own_figures", {}).update(figures)
    return at(tree, f"loads.{name}.own_figures")


@plants("load.no-driver")
def a_bare_coil_on_a_pin(bed: Bed, dice: random.Random) -> Plant | None:
    return _owned(*_driven(bed, dice), driver_max_ma=0)


@plants("load.coil-current")
def a_base_resistor_too_large(bed: Bed, dice: random.Random) -> Plant | None:
    """More than the pin's whole rail over the least base current can be."""
    ohms = bed.circuit.io_rail.volts / (
        4.2 / 80 / 20
    )  # the coil's least current, a twentieth of it
    return _owned(*_driven(bed, dice), base_ohms=round(e.beyond(ohms, dice)))


@plants("load.coil-current")
def a_transistor_too_weak(bed: Bed, dice: random.Random) -> Plant | None:
    if not _high_rail(bed):
        return None
    return _owned(*_driven(bed, dice), driver_max_ma=round(dice.uniform(5, 55)))


@plants("load.coil-current")
def a_coil_that_takes_more(bed: Bed, dice: random.Random) -> Plant | None:
    if not _high_rail(bed):
        return None
    return _owned(*_driven(bed, dice), coil_ohms=round(dice.uniform(10, 38), 1))


def _high_rail(bed: Bed) -> bool:
    return any(4.2 <= rail.volts <= 5.5 for rail in bed.board.rails.values())


@plants("load.no-flyback")
def a_coil_without_a_diode(bed: Bed, dice: random.Random) -> Plant | None:
    if dice.random() < 0.5 and _high_rail(bed):
        return _owned(*_driven(bed, dice), flyback_max_a=dice.choice((0, 0.01, 0.03)))
    if not _direct(bed):
        return None
    tree, amps = bed.copy(), round(dice.uniform(0.2, 3), 2)
    entry = e.switched(e.FET, dice.choice((12, 24)), amps, dice.choice(("motor", "solenoid")))
    name = add(tree, "loads", "spool", entry).split(".")[1]
    return _owned(tree, name, flyback_max_a=dice.choice((0, e.below(amps, dice))))


@plants("load.wrong-kind")
def mains_through_a_mosfet(bed: Bed, dice: random.Random) -> Plant | None:
    if _direct(bed):
        return None
    tree = bed.copy()
    path = add(tree, "loads", "spool", e.switched(e.FET, e.mains_volts(bed), 0.5, "lamp"))
    return at(tree, f"{path}.draws")


@plants("load.switches-neutral")
def a_switch_in_the_neutral(bed: Bed, dice: random.Random) -> Plant | None:
    live = [name for name, load in bed.build.loads.items() if bed.circuit.on_mains(load)]
    if not live:
        return None
    name, tree = dice.choice(live), bed.copy()
    tree["loads"][name]["switches"] = "neutral"
    return at(tree, f"loads.{name}.switches")
