"""Faults of power: rails, pins, groups, chip and cables that carry too much."""

from __future__ import annotations

import random

from buildkit.model import Pin
from tests.planting import entries as e
from tests.planting.beds import Bed, add, own, section_of, wire, wire_path
from tests.planting.garden import Plant, at, plants

COPPER = 0.01724  # IEC 60028, ohm mm2 a metre


@plants("power.rail-missing")
def fed_behind_the_regulator(bed: Bed, dice: random.Random) -> Plant | None:
    """Current does not flow back through a regulator: what feeds 3.3 V leaves 5 V dead."""
    needed = {wire.rail.name for wire in bed.circuit.wires if wire.rail is not None}
    needed.add(bed.board.io_rail)
    made = [r for r in bed.board.rails.values() if r.fed_by is not None and needed - {r.name}]
    if not made:
        return None
    tree, rail = bed.copy(), dice.choice(made)
    others = [bed.board.rails[name] for name in needed if name != rail.name]
    if all(other.fed_by == rail.name for other in others):
        return None
    tree["supply"]["rail"] = rail.name
    return at(tree, "supply.rail")


@plants("power.rail-missing")
def a_part_for_which_there_is_no_rail(bed: Bed, dice: random.Random) -> Plant | None:
    """9 V parts, 1.8 V parts."""
    found = [use for use in bed.uses() if "supply_min_v" in use.figures]
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    supply = next(t.name for t in use.part.terminals.values() if t.kind == "supply")
    tree[use.section][use.name].get("wires", {}).pop(supply, None)
    if tree[use.section][use.name].get("wires") == {}:
        del tree[use.section][use.name]["wires"]
    low, high = dice.choice(((9.0, 12.0), (1.6, 2.0), (5.6, 6.5), (3.7, 4.2)))
    return at(tree, own(tree, use, supply_min_v=low, supply_max_v=high))


@plants("power.rail-overload")
def a_supply_too_small(bed: Bed, dice: random.Random) -> Plant | None:
    rail = bed.board.rails[bed.build.supply.rail]
    total = sum(bed.circuit.rail_draw_ma(rail).values())
    tree = bed.copy()
    if not total:
        return None
    most = total + e.figure(bed, "board_ma")
    tree["supply"]["max_ma"] = float(f"{most * dice.uniform(0.3, 0.99):.4g}")
    return at(tree, "supply.max_ma")


@plants("power.rail-overload")
def a_hungry_part_on_the_small_rail(bed: Bed, dice: random.Random) -> Plant | None:
    """A sensor's heater on a regulator that gives less."""
    small = [r for r in bed.board.rails.values() if r.fed_by is not None and r.labels]
    found = [use for use in bed.uses() if use.part.id in (e.AIR, e.SOIL)]
    if not small or not found:
        return None
    rail, use, tree = dice.choice(small), dice.choice(found), bed.copy()
    path = wire(tree, use, "VDD", dice.choice(rail.labels))
    ma = e.beyond(rail.gives_ma, dice)
    own(tree, use, supply_peak_ma=min(ma, 1400))
    return at(tree, path) if ma <= 1400 else None


@plants("power.pin-current")
def a_lamp_with_too_small_a_resistor(bed: Bed, dice: random.Random) -> Plant | None:
    lamps, tree = bed.uses(part=e.LED), bed.copy()
    volts = bed.circuit.io_rail.volts - 2.0
    ohms = volts / (e.figure(bed, "pin_ma") / 1000)
    value = round(e.below(ohms, dice), 1)
    if lamps:
        use = dice.choice(lamps)
        own(tree, use, series_ohms=value)
        return at(tree, wire_path(tree, use, "A"))
    if not bed.free():
        return None
    pin = dice.choice(bed.free())
    path = add(
        tree, "alarms", "bright", e.lamp(own_figures={"series_ohms": value}, wires={"A": pin.label})
    )
    return at(tree, f"{path}.wires.A")


@plants("power.pin-current")
def a_control_that_takes_too_much(bed: Bed, dice: random.Random) -> Plant | None:
    use = e.some_load(bed, dice)
    if use is None or use.part.switching is None:
        return None
    tree = bed.copy()
    own(tree, use, on_ma=e.beyond(e.figure(bed, "pin_ma"), dice))
    return at(tree, wire_path(tree, use, use.part.switching.input_terminal))


def _lamps(bed: Bed, dice: random.Random, pins: list[Pin], limit_ma: float) -> Plant | None:
    """As many lamps, each within the pin's limit, as go beyond the limit of their sum."""
    each_ma = 0.95 * e.figure(bed, "pin_ma")
    count = int(limit_ma / each_ma) + 1
    if count > len(pins):
        return None
    ohms = round((bed.circuit.io_rail.volts - 2.0) / each_ma * 1000, 2)
    tree, path = bed.copy(), ""
    for pin in dice.sample(pins, count):
        entry = e.lamp(own_figures={"series_ohms": ohms}, wires={"A": pin.label})
        path = add(tree, "alarms", "row", entry)
    return at(tree, f"{path}.wires.A")


@plants("power.group-current")
def many_lamps_on_one_group(bed: Bed, dice: random.Random) -> Plant | None:
    groups = [g for g in bed.board.groups if g.direction in ("source", "both")]
    if not groups or bed.form == "open":
        return None
    group = dice.choice(groups)
    able = bed.free(lambda pin: pin.port in group.pins and "digital-out" in pin.can)
    return _lamps(bed, dice, able, group.max_ma)


@plants("power.group-current")
def many_relay_modules_on_one_group(bed: Bed, dice: random.Random) -> Plant | None:
    """Active-low modules sink."""
    groups = [g for g in bed.board.groups if g.direction in ("sink", "both")]
    if not groups or bed.circuit.io_rail.volts < 4 or bed.form == "open":
        return None
    group = dice.choice(groups)
    able = bed.free(lambda pin: pin.port in group.pins and "digital-out" in pin.can)
    each = 0.95 * e.figure(bed, "pin_ma")
    count = int(group.max_ma / each) + 1
    if count > len(able):
        return None
    tree, path = bed.copy(), ""
    for pin in dice.sample(able, count):
        entry = e.switched(
            e.RELAY, 24, 0.2, "lamp", own_figures={"on_ma": each}, wires={"IN": pin.label}
        )
        path = add(tree, "loads", "row", entry)
    return at(tree, f"{path}.wires.IN")


@plants("power.chip-current")
def many_lamps_on_all_pins(bed: Bed, dice: random.Random) -> Plant | None:
    able = bed.free(lambda pin: "digital-out" in pin.can)
    return _lamps(bed, dice, able, e.figure(bed, "chip_ma"))


@plants("power.chip-current")
def many_modules_that_sink(bed: Bed, dice: random.Random) -> Plant | None:
    able, each = bed.free(lambda pin: "digital-out" in pin.can), 0.95 * e.figure(bed, "pin_ma")
    count = int(e.figure(bed, "chip_ma") / each) + 1
    if count > len(able):
        return None
    tree, path = bed.copy(), ""
    for pin in dice.sample(able, count):
        entry = e.switched(
            e.RELAY, 24, 0.2, "lamp", own_figures={"on_ma": each}, wires={"IN": pin.label}
        )
        path = add(tree, "loads", "row", entry)
    return at(tree, f"{path}.wires.IN")


@plants("power.supply-range")
def fed_from_the_wrong_rail(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [
        (w.use, w.terminal.name, label)
        for w in bed.wires("supply")
        for rail in bed.board.rails.values()
        for label in rail.labels
        if not w.use.figure("supply_min_v") <= rail.volts <= w.use.figure("supply_max_v")
    ]
    if not ends:
        return None
    tree = bed.copy()
    return at(tree, wire(tree, *dice.choice(ends)))


@plants("power.supply-range")
def a_part_for_other_volts_on_its_old_rail(bed: Bed, dice: random.Random) -> Plant | None:
    supplied = [w for w in bed.wires("supply") if w.rail is not None]
    if not supplied:
        return None
    chosen, tree = dice.choice(supplied), bed.copy()
    assert chosen.rail is not None
    if dice.random() < 0.5:
        own(tree, chosen.use, supply_max_v=e.below(chosen.rail.volts, dice), supply_min_v=0.5)
    else:
        low = e.beyond(chosen.rail.volts, dice)
        own(tree, chosen.use, supply_min_v=low, supply_max_v=low + 1)
    return at(tree, wire(tree, chosen.use, chosen.terminal.name, chosen.label))


@plants("power.cable-drop")
def a_cable_too_long_or_thin(bed: Bed, dice: random.Random) -> Plant | None:
    """2 x length x resistance x peak current against what the part can spare."""
    found = [(w.use, w.rail) for w in bed.wires("supply") if w.rail is not None]
    if not found:
        return None
    use, rail = dice.choice(found)
    assert rail is not None
    spare, amps = rail.volts - use.figure("supply_min_v"), use.figure("supply_peak_ma") / 1000
    metres = round(dice.uniform(0.5, 80), 1)
    most_mm2 = 2 * amps * metres * COPPER / spare if spare > 0 else 0.0
    area = float(f"{e.below(most_mm2, dice):.3g}") if most_mm2 else 0.0
    if area < 0.0005:
        return None
    tree = bed.copy()
    tree.setdefault("cables", {})[use.name] = {"length_m": metres, "size_mm2": area}
    return at(tree, f"cables.{use.name}")


@plants("power.cable-drop")
def a_thin_wire_by_its_gauge(bed: Bed, dice: random.Random) -> Plant | None:
    found = [
        use
        for use in bed.uses(part=e.DUST)
        if (bed.circuit.feed(use) or bed.circuit.io_rail).volts >= 4.5
    ]
    if not found:
        return None
    use, tree, gauge = dice.choice(found), bed.copy(), dice.choice((26, 28, 30, 32, 36))
    feed = bed.circuit.feed(use)
    assert feed is not None
    ohms_a_metre = COPPER / (3.14159 / 4 * (0.127 * 92 ** ((36 - gauge) / 39)) ** 2)
    amps = use.figure("supply_peak_ma") / 1000
    metres = (feed.volts - use.figure("supply_min_v")) / (2 * amps * ohms_a_metre)
    metres = round(metres * dice.uniform(1.05, 2.5) + 0.01, 2)
    if metres > 100:
        return None
    tree.setdefault("cables", {})[use.name] = {"length_m": metres, "awg": gauge}
    return at(tree, f"cables.{use.name}")


@plants("power.coil-shares-logic-rail")
def coils_that_dip_the_rail_of_the_chip(bed: Bed, dice: random.Random) -> Plant | None:
    """Half of what the supply leaves for parts is less than the coils take."""
    relays = bed.uses(part=e.RELAY)
    if not relays or bed.build.supply.rail != bed.board.io_rail:
        return None
    coils = sum(use.figure("supply_peak_ma") for use in relays)
    tree = bed.copy()
    left = 2 * coils * dice.uniform(0.3, 0.98)
    tree["supply"]["max_ma"] = float(f"{left + e.figure(bed, 'board_ma'):.4g}")
    return at(tree, section_of(relays[-1]))


@plants("power.coil-shares-logic-rail")
def coils_hungrier_than_half(bed: Bed, dice: random.Random) -> Plant | None:
    relays = bed.uses(part=e.RELAY)
    rail = bed.circuit.io_rail
    gives = min(rail.gives_ma, bed.build.supply.max_ma - e.figure(bed, "board_ma"))
    if len(relays) != 1 or bed.build.supply.rail != rail.name:
        return None
    tree = bed.copy()
    return at(tree, own(tree, relays[0], supply_peak_ma=e.beyond(gives / 2, dice)))


@plants("power.supply-range")
def a_supply_of_the_wrong_volts(bed: Bed, dice: random.Random) -> Plant | None:
    """More than a rail or the input of a regulator bears, or too little for either."""
    supply, tree = bed.build.supply, bed.copy()
    rail = bed.board.rails[supply.rail]
    low, high = (rail.min_v, rail.max_v) if supply.inlet is None else (7.0, 12.0)
    volts = e.beyond(high, dice) if dice.random() < 0.5 else e.below(low, dice)
    tree["supply"]["volts"] = volts
    return at(tree, "supply.volts") if volts <= 60 else None


# Boards whose 5 V regulator is a linear one behind VIN, from 7 to 12 V.
LINEAR = ("atmega328p-5v", "atmega328p-5v-stick", "atmega32u4-5v", "atmega32u4-5v-stick", "atmega2560-5v")  # fmt: skip


@plants("power.regulator-heat")
def too_many_volts_for_the_current(bed: Bed, dice: random.Random) -> Plant | None:
    """100 K for each watt, 125 degC at the most: (V - 5) I must stay within 1.25 W less the air's share."""
    if bed.board.id not in LINEAR:
        return None
    rail, tree = bed.board.rails["5V"], bed.copy()
    ma = sum(bed.circuit.rail_draw_ma(rail).values()) + e.figure(bed, "board_ma")
    least = 5 + (125 - bed.build.ambient_c) / 100 / (ma / 1000)
    if least > 11.9:
        return None
    volts = round(dice.uniform(max(least, 7.0) + 0.05, 12.0), 2)
    tree["supply"] = {"rail": "VIN", "volts": volts, "max_ma": max(1000.0, bed.build.supply.max_ma)}
    return at(tree, "supply.volts")


@plants("power.regulator-heat")
def a_box_too_hot_for_its_regulator(bed: Bed, dice: random.Random) -> Plant | None:
    """A hungry sensor on the 3.3 V of a chip that has its own current there too, in a hot box."""
    kelvins = {"stm32f103-stick": 250, "esp32-c3-dev": 90, "esp32-s3-dev": 90, "esp32-wroom-dev30": 90,
               "esp32-wroom-dev38": 90, "atmega328p-3v3-stick": 220, "samd21-3v3": 100}  # fmt: skip
    found = [use for use in bed.uses(part=e.AIR) if bed.circuit.feed(use) is bed.circuit.io_rail]
    if bed.board.id not in kelvins or not found or bed.build.supply.rail != "5V":
        return None
    use, tree, rail = found[0], bed.copy(), bed.circuit.io_rail
    others = sum(bed.circuit.rail_draw_ma(rail).values()) - use.figure("supply_peak_ma")
    peak = min(rail.gives_ma - others, 1400.0)
    ma = others + peak + e.figure(bed, "board_ma")
    watts = (bed.board.rails["5V"].volts - rail.volts) * ma / 1000
    ambient = 125 - watts * kelvins[bed.board.id] + dice.uniform(0.5, 20)
    if peak <= 0 or not 0 < ambient <= 85:
        return None
    own(tree, use, supply_peak_ma=peak)
    tree["ambient_c"] = round(ambient, 2)
    return at(tree, wire(tree, use, "VDD", rail.labels[0]))


@plants("power.back-feed")
def a_supply_behind_the_regulator_of_usb(bed: Bed, dice: random.Random) -> Plant | None:
    behind = [r for r in bed.board.rails.values() if r.fed_by is not None and r.labels]
    if not behind or bed.board.id == "atmega328p-3v3-stick":
        return None
    tree = bed.copy()
    tree["supply"] = {"rail": dice.choice(behind).name, "max_ma": 900}
    return at(tree, "supply.rail")


@plants("power.back-feed")
def a_loop_that_goes_on_while_the_board_is_off(bed: Bed, dice: random.Random) -> Plant | None:
    """22.5 mA through 100 ohms are 2.25 V, and 1.75 V above a dead chip's diodes drive 17.5 mA."""
    pins = bed.free(lambda pin: pin.adc is not None)
    if not pins:
        return None
    tree = bed.copy()
    path = add(tree, "probes", "far", e.loop(wires={"LOOP": dice.choice(pins).label}))
    return at(tree, f"{path}.wires.LOOP")
