"""Faults of level: one side's volts against what the other sees or bears."""

from __future__ import annotations

import random

from buildkit.model import Rail, Use
from tests.planting import entries as e
from tests.planting.beds import Bed, Tree, add, own, unwire, wire, wire_path
from tests.planting.garden import Plant, at, plants


def _io(bed: Bed) -> Rail:
    return bed.board.rails[bed.board.io_rail]


def _lower_rail(bed: Bed) -> Rail | None:
    """A rail below the level of the pins."""
    lower = [r for r in bed.board.rails.values() if r.volts < _io(bed).volts - 1 and r.labels]
    return lower[0] if lower else None


def _higher_rail(bed: Bed) -> Rail | None:
    higher = [r for r in bed.board.rails.values() if r.volts > _io(bed).volts + 1 and r.labels]
    return higher[0] if higher else None


@plants("level.over-voltage")
def a_low_fed_sensor_on_a_high_bus(bed: Bed, dice: random.Random) -> Plant | None:
    """Fed with 3.3 V it bears 3.6 V, and a display pulls the bus to 5 V."""
    rail, found = _lower_rail(bed), bed.uses(part=e.AIR)
    if rail is None or len(found) != 1 or not bed.uses(part=e.LCD):
        return None
    tree = bed.copy()
    return at(tree, wire(tree, found[0], "VDD", dice.choice(rail.labels)))


@plants("level.over-voltage")
def an_input_of_3_6_volts_on_a_pin_of_5(bed: Bed, dice: random.Random) -> Plant | None:
    found, pins = bed.uses(part=e.DUST), bed.free()
    if not found or not pins or _io(bed).volts < 4:
        return None
    tree = bed.copy()
    terminal = dice.choice(("SET", "RESET", "RXD"))
    return at(tree, wire(tree, dice.choice(found), terminal, dice.choice(pins).label))


@plants("level.over-voltage")
def an_output_above_what_the_pin_bears(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(part=e.DUST)
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    pin = bed.pin(use, "TXD")
    most = pin.max_v if pin is not None and pin.max_v is not None else e.figure(bed, "pin_max_v")
    own(tree, use, out_high_v=e.beyond(most, dice))
    return at(tree, wire_path(tree, use, "TXD"))


@plants("level.over-voltage")
def a_divider_fed_above_the_pin(bed: Bed, dice: random.Random) -> Plant | None:
    rail, pins = _higher_rail(bed), bed.free(lambda pin: pin.adc is not None and pin.max_v is None)
    if rail is None or not pins or rail.volts <= e.figure(bed, "pin_max_v"):
        return None
    tree = bed.copy()
    wires = {"FEED": dice.choice(rail.labels), "OUT": dice.choice(pins).label}
    path = add(tree, "probes", "bead", e.shelf(wires=wires))
    return at(tree, f"{path}.wires.OUT")


@plants("level.over-voltage")
def a_control_that_bears_less(bed: Bed, dice: random.Random) -> Plant | None:
    use = e.some_load(bed, dice, e.SSR)
    if use is None:
        return None
    tree = bed.copy()
    own(tree, use, on_max_v=e.below(_io(bed).volts, dice))
    return at(tree, wire_path(tree, use, "CTRL+"))


@plants("level.pull-up-over-voltage")
def a_five_volt_display_on_a_lower_board(bed: Bed, dice: random.Random) -> Plant | None:
    rail = _higher_rail(bed)
    if rail is None or bed.uses(talks="i2c") or bed.board.figure("pin_max_v") > 4:
        return None
    data, tree = bed.board.role_pin("Wire.sda"), bed.copy()
    bears = data is not None and data.max_v is not None and data.max_v >= rail.volts
    if bears or not 4.5 <= rail.volts <= 5.5:
        return None
    if dice.random() < 0.5:
        return at(tree, add(tree, "displays", "panel", e.lcd()))
    path = add(tree, "displays", "panel", e.lcd(wires={"VCC": rail.labels[0]}))
    return at(tree, f"{path}.wires.VCC")


@plants("level.pull-up-over-voltage")
def a_one_wire_pulled_up_too_high(bed: Bed, dice: random.Random) -> Plant | None:
    rail, found = _higher_rail(bed), bed.uses(talks="one-wire")
    if rail is None or not found or rail.volts <= e.figure(bed, "pin_max_v"):
        return None
    use, tree = dice.choice(found), bed.copy()
    pin = bed.pin(use, "DQ")
    if pin is None or (pin.max_v is not None and pin.max_v >= rail.volts):
        return None
    wire(tree, use, "DQ", pin.label)  # left open, it would find a pin that bears more
    return at(tree, wire(tree, use, "VDD", dice.choice(rail.labels)))


@plants("level.high-not-seen")
def a_high_too_low_for_the_chip(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(part=e.DUST)
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    own(tree, use, out_high_v=e.below(e.figure(bed, "vih_min_v"), dice))
    return at(tree, wire_path(tree, use, "TXD"))


@plants("level.high-not-seen")
def a_pull_up_too_low_for_the_part(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(talks="one-wire")
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    feed = bed.circuit.feed(use)
    own(tree, use, in_high_v=e.beyond(feed.volts if feed is not None else 5.0, dice))
    return at(tree, wire_path(tree, use, "DQ"))


@plants("level.high-not-seen")
def a_pin_too_low_for_the_part(bed: Bed, dice: random.Random) -> Plant | None:
    found, pins = bed.uses(part=e.DUST), bed.free()
    if not found or not pins:
        return None
    use, tree = dice.choice(found), bed.copy()
    own(tree, use, in_high_v=e.beyond(_io(bed).volts, dice))
    return at(tree, wire(tree, use, "SET", dice.choice(pins).label))


@plants("level.low-not-seen")
def a_low_too_high_for_the_chip(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [(use, "TXD") for use in bed.uses(part=e.DUST)]
    ends += [(use, "DQ") for use in bed.uses(part=e.SOIL)]
    if not ends:
        return None
    (use, terminal), tree = dice.choice(ends), bed.copy()
    own(tree, use, out_low_v=e.beyond(e.figure(bed, "vil_max_v"), dice))
    return at(tree, wire_path(tree, use, terminal))


@plants("level.low-not-seen")
def a_pull_up_so_strong_that_the_pin_stays_high(bed: Bed, dice: random.Random) -> Plant | None:
    """The chip sinks the pull-up, ohmic from its data sheet's point, and the part wants less."""
    found = bed.uses(part=e.SOIL)
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    feed = bed.circuit.feed(use)
    if feed is None:
        return None
    ohms_of_pin = e.figure(bed, "vol_max_v") / e.figure(bed, "voh_at_ma") * 1000
    low_v = ohms_of_pin * feed.volts / use.figure("pull_up_ohms")
    own(tree, use, in_low_v=float(f"{low_v * dice.uniform(0.2, 0.98):.4g}"))
    return at(tree, wire_path(tree, use, "DQ"))


@plants("level.adc-over-range")
def more_than_the_converter_measures(bed: Bed, dice: random.Random) -> Plant | None:
    io, pins = _io(bed), bed.free(lambda pin: pin.adc is not None)
    if not e.figure(bed, "adc_reference_v") < io.volts <= e.figure(bed, "pin_max_v") or not pins:
        return None
    tree = bed.copy()
    path = add(tree, "probes", "bead", e.shelf(wires={"OUT": dice.choice(pins).label}))
    return at(tree, f"{path}.wires.OUT")


@plants("level.adc-over-range")
def a_free_thermistor_above_the_converter(bed: Bed, dice: random.Random) -> Plant | None:
    pins = bed.free(lambda pin: pin.adc is not None)
    if e.figure(bed, "adc_reference_v") >= _io(bed).volts or not pins:
        return None
    tree = bed.copy()
    return at(tree, add(tree, "probes", "bead", e.shelf()))


def _divider(bed: Bed, tree: Tree, dice: random.Random) -> Use | None:
    found = bed.uses(part=e.SHELF)
    return dice.choice(found) if found else None


@plants("level.adc-other-rail")
def a_divider_on_another_rail(bed: Bed, dice: random.Random) -> Plant | None:
    rail, tree = _lower_rail(bed), bed.copy()
    if rail is None or e.figure(bed, "adc_reference_v") < rail.volts + 1:
        return None
    use = _divider(bed, tree, dice)
    if use is not None:
        return at(tree, wire(tree, use, "FEED", dice.choice(rail.labels)))
    if not bed.free(lambda pin: pin.adc is not None):
        return None
    path = add(tree, "probes", "bead", e.shelf(wires={"FEED": dice.choice(rail.labels)}))
    return at(tree, f"{path}.wires.FEED")


@plants("level.control-too-low")
def a_relay_that_wants_more_volts(bed: Bed, dice: random.Random) -> Plant | None:
    """No pin gives more than its rail."""
    use = e.some_load(bed, dice, e.SSR)
    if use is None:
        return None
    tree, io = bed.copy(), _io(bed)
    ohms = (io.volts - e.figure(bed, "voh_min_v")) / e.figure(bed, "voh_at_ma")
    gives = io.min_v - ohms * use.figure("on_ma")
    own(tree, use, on_min_v=min(30.0, e.beyond(gives, dice)))
    return at(tree, wire_path(tree, use, "CTRL+"))


@plants("level.control-too-low")
def a_module_that_wants_a_deeper_low(bed: Bed, dice: random.Random) -> Plant | None:
    use = e.some_load(bed, dice, e.RELAY)
    if use is None:
        return None
    tree = bed.copy()
    gives = e.figure(bed, "vol_max_v") / e.figure(bed, "voh_at_ma") * use.figure("on_ma")
    own(tree, use, on_max_v=float(f"{gives * dice.uniform(0.1, 0.98):.4g}"))
    return at(tree, wire_path(tree, use, "IN"))


@plants("level.rest-not-off")
def a_module_that_rests_above_the_pin(bed: Bed, dice: random.Random) -> Plant | None:
    use = e.some_load(bed, dice, e.RELAY)
    if use is None:
        return None
    tree = bed.copy()
    own(tree, use, off_min_v=e.beyond(_io(bed).volts, dice))
    return at(tree, wire_path(tree, use, "IN"))


@plants("level.rest-not-off")
def a_five_volt_module_on_a_lower_board(bed: Bed, dice: random.Random) -> Plant | None:
    use = e.some_load(bed, dice, e.SSR)
    if use is None or _io(bed).volts > 4:
        return None
    tree = bed.copy()
    unwire(tree, use)
    entry = tree["loads"][use.name]
    entry["part"] = e.RELAY
    entry.pop("own_figures", None)
    return at(tree, f"loads.{use.name}")


# --- what sits in a wire ---


@plants("level.over-voltage")
def the_divider_forgotten(bed: Bed, dice: random.Random) -> Plant | None:
    found = [b for b in bed.build.between.values() if b.use.part.id == "divider"]
    if not found:
        return None
    tree, gone = bed.copy(), dice.choice(found)
    del tree["between"][f"{gone.of}.{gone.terminal}"]
    use = next(use for use in bed.uses() if use.name == gone.of)
    return at(tree, wire_path(tree, use, gone.terminal))


@plants("level.pull-up-over-voltage")
def the_shifters_forgotten(bed: Bed, dice: random.Random) -> Plant | None:
    if not any(b.use.part.id == "level-shifter-mosfet" for b in bed.build.between.values()):
        return None
    tree = bed.copy()
    del tree["between"]
    return at(tree, wire_path(tree, bed.uses(part="lcd2004-pcf8574")[0], "VCC"))


@plants("level.between-needless")
def a_shifter_between_equal_levels(bed: Bed, dice: random.Random) -> Plant | None:
    """The part is fed from the rail of the pins."""
    ends = [
        f"{w.use.name}.{w.terminal.name}"
        for w in bed.wires("signal")
        if bed.circuit.feed(w.use) is bed.circuit.io_rail
        and w.use.part.talks in ("i2c", "one-wire")
    ]
    if not ends or "between" in bed.tree:
        return None
    tree, end = bed.copy(), dice.choice(ends)
    tree["between"] = {end: {"part": "level-shifter-mosfet"}}
    return at(tree, f"between.{end}")


@plants("level.between-needless")
def a_divider_below_the_listener(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(part=e.DUST)
    if not found or _io(bed).volts < found[0].figure("out_high_v") or "between" in bed.tree:
        return None
    tree, end = bed.copy(), f"{dice.choice(found).name}.TXD"
    tree["between"] = {end: {"part": "divider"}}
    return at(tree, f"between.{end}")


@plants("level.divider-both-ways")
def a_divider_in_a_wire_of_two_ways(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [
        f"{w.use.name}.{w.terminal.name}"
        for w in bed.wires("signal")
        if w.use.part.talks in ("i2c", "one-wire")
    ]
    if not ends:
        return None
    tree, end = bed.copy(), dice.choice(ends)
    tree.setdefault("between", {})[end] = {"part": "divider"}
    return at(tree, f"between.{end}")


@plants("level.divider-loads-probe")
def a_divider_beside_a_thermistor_or_shunt(bed: Bed, dice: random.Random) -> Plant | None:
    """A thermistor of ten kilohms beside a divider of as much."""
    if not bed.free(lambda pin: pin.adc is not None):
        return None
    tree = bed.copy()
    name = add(tree, "probes", "bead", e.shelf()).split(".")[1]
    tree.setdefault("between", {})[f"{name}.OUT"] = {"part": "divider"}
    return at(tree, f"between.{name}.OUT")


@plants("level.shifter-on-analog")
def a_shifter_before_the_converter(bed: Bed, dice: random.Random) -> Plant | None:
    """A shifter knows low and high; an analog sensor says what lies between."""
    if not bed.free(lambda pin: pin.adc is not None):
        return None
    tree = bed.copy()
    name = add(tree, "probes", "bead", e.shelf()).split(".")[1]
    tree.setdefault("between", {})[f"{name}.OUT"] = {"part": "level-shifter-mosfet"}
    return at(tree, f"between.{name}.OUT")
