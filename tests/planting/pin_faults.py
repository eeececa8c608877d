"""Faults of pins: wires on the wrong one."""

from __future__ import annotations

import random

from buildkit.model import Pin, Use
from tests.planting import entries as e
from tests.planting.beds import Bed, add, wire
from tests.planting.garden import Plant, at, plants

Ending = tuple[Use, str]


def _signals(bed: Bed) -> list[Ending]:
    """Signal wires that are no line of the I2C bus."""
    return [
        (w.use, w.terminal.name)
        for w in bed.wires("signal")
        if not (w.terminal.needs or "").startswith("i2c")
    ]


def _needing(bed: Bed, *needs: str) -> list[Ending]:
    wires = bed.wires("signal")
    return [(w.use, w.terminal.name) for w in wires if w.terminal.needs in needs]


def _moved(bed: Bed, dice: random.Random, ends: list[Ending], pins: list[Pin]) -> Plant | None:
    """One of the terminals moved onto one of the pins."""
    if not ends or not pins:
        return None
    (use, terminal), pin = dice.choice(ends), dice.choice(pins)
    tree = bed.copy()
    names = [pin.label, *pin.aliases]
    return at(tree, wire(tree, use, terminal, dice.choice(names)))


@plants("pin.taken-twice")
def two_on_one_pin(bed: Bed, dice: random.Random) -> Plant | None:
    ends = _signals(bed)
    if len(ends) < 2:
        return None
    first, second = sorted(dice.sample(range(len(ends)), 2))
    pin = bed.pin(*ends[first])
    if pin is None:
        return None
    tree = bed.copy()
    wire(tree, *ends[first], pin.label)
    return at(tree, wire(tree, *ends[second], dice.choice([pin.label, *pin.aliases])))


@plants("pin.taken-twice")
def a_new_lamp_on_a_used_pin(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [end for end in _signals(bed) if end[0].section not in ("alarms", "hands")]
    if not ends:
        return None
    use, terminal = dice.choice(ends)
    pin = bed.pin(use, terminal)
    if pin is None:
        return None
    tree = bed.copy()
    wire(tree, use, terminal, pin.label)
    path = add(tree, "alarms", "blinker", e.lamp(wires={"A": pin.label}))
    return at(tree, f"{path}.wires.A")


@plants("pin.cannot")
def analog_where_nothing_measures(bed: Bed, dice: random.Random) -> Plant | None:
    return _moved(bed, dice, _needing(bed, "adc"), bed.free(lambda pin: pin.adc is None))


@plants("pin.cannot")
def a_new_thermistor_where_nothing_measures(bed: Bed, dice: random.Random) -> Plant | None:
    pins = bed.free(lambda pin: pin.adc is None)
    if not pins:
        return None
    tree = bed.copy()
    path = add(tree, "probes", "bead", e.shelf(wires={"OUT": dice.choice(pins).label}))
    return at(tree, f"{path}.wires.OUT")


@plants("pin.cannot")
def a_supply_on_a_signal_pin_or_ground(bed: Bed, dice: random.Random) -> Plant | None:
    supplied = bed.wires("supply")
    if not supplied:
        return None
    chosen, tree = dice.choice(supplied), bed.copy()
    labels = [pin.label for pin in bed.free()] + list(bed.board.ground_labels)
    return at(tree, wire(tree, chosen.use, chosen.terminal.name, dice.choice(labels)))


@plants("pin.cannot")
def a_ground_on_a_rail_or_pin(bed: Bed, dice: random.Random) -> Plant | None:
    grounded = bed.wires("ground")
    chosen, tree = dice.choice(grounded), bed.copy()
    labels = [pin.label for pin in bed.free()] + [
        n for r in bed.board.rails.values() for n in r.labels
    ]
    return at(tree, wire(tree, chosen.use, chosen.terminal.name, dice.choice(labels)))


@plants("pin.cannot")
def a_signal_on_a_rail_or_ground(bed: Bed, dice: random.Random) -> Plant | None:
    use, terminal = dice.choice(_signals(bed) or [(None, "")])
    if use is None:
        return None
    labels = [n for rail in bed.board.rails.values() for n in rail.labels] + [
        *bed.board.ground_labels
    ]
    tree = bed.copy()
    return at(tree, wire(tree, use, terminal, dice.choice(labels)))


@plants("pin.cannot")
def a_contact_on_the_board(bed: Bed, dice: random.Random) -> Plant | None:
    contacts = [
        (use, t.name)
        for use in bed.uses(section="loads")
        for t in use.part.terminals.values()
        if t.kind == "contact"
    ]
    if not contacts:
        return None
    labels = [pin.label for pin in bed.free()] + [*bed.board.ground_labels]
    tree = bed.copy()
    return at(tree, wire(tree, *dice.choice(contacts), dice.choice(labels)))


@plants("pin.cannot")
def a_reader_where_nothing_is_read(bed: Bed, dice: random.Random) -> Plant | None:
    pins = [p for p in bed.board.pins.values() if "digital-in" not in p.can]
    return _moved(
        bed, dice, _needing(bed, "uart-rx"), [p for p in pins if p.label not in bed.taken()]
    )


@plants("pin.input-only")
def driven_where_nothing_drives(bed: Bed, dice: random.Random) -> Plant | None:
    taken = bed.taken()
    pins = [
        p for p in bed.board.pins.values() if "digital-out" not in p.can and p.label not in taken
    ]
    return _moved(bed, dice, _needing(bed, "digital-out", "one-wire"), pins)


@plants("pin.no-pull-up")
def a_contact_without_pull_up(bed: Bed, dice: random.Random) -> Plant | None:
    taken = bed.taken()
    pins = [p for p in bed.board.pins.values() if "pull-up" not in p.can and p.label not in taken]
    if not pins:
        return None
    tree = bed.copy()
    path = add(tree, "probes", "tank", e.float_switch(wires={"A": dice.choice(pins).label}))
    return at(tree, f"{path}.wires.A")


@plants("pin.adc-limited")
def an_analog_part_on_a_channel_with_limits(bed: Bed, dice: random.Random) -> Plant | None:
    taken = bed.taken()
    pins = [p for p in bed.board.pins.values() if p.adc_limit is not None and p.label not in taken]
    if not pins:
        return None
    entry = dice.choice((e.shelf, e.loop))
    tree = bed.copy()
    signal = "OUT" if entry is e.shelf else "LOOP"
    path = add(tree, "probes", "bead", entry(wires={signal: dice.choice(pins).label}))
    return at(tree, f"{path}.wires.{signal}")


@plants("pin.upload-serial")
def on_the_upload_pins(bed: Bed, dice: random.Random) -> Plant | None:
    return _moved(bed, dice, _signals(bed), bed.hazardous("upload-serial"))


@plants("pin.flash-bus")
def on_the_memory_of_the_chip(bed: Bed, dice: random.Random) -> Plant | None:
    return _moved(bed, dice, _signals(bed), bed.hazardous("flash-bus"))


def _straps(bed: Bed, *levels: str) -> list[Pin]:
    return [p for p in bed.hazardous("strap") if p.hazards and _needed(p) in levels]


def _needed(pin: Pin) -> str | None:
    hazard = pin.hazard("strap")
    return hazard.needs if hazard is not None else None


@plants("pin.strap")
def a_load_on_a_strap(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [end for end in _needing(bed, "digital-out") if end[0].section == "loads"]
    return _moved(bed, dice, ends, _straps(bed, "high", "low"))


@plants("pin.strap")
def a_lamp_that_pulls_a_strap_low(bed: Bed, dice: random.Random) -> Plant | None:
    lamps = [end for end in _needing(bed, "digital-out") if end[0].part.shows == "lamp"]
    return _moved(bed, dice, lamps, _straps(bed, "high"))


@plants("pin.strap")
def a_pull_up_that_holds_a_strap_high(bed: Bed, dice: random.Random) -> Plant | None:
    return _moved(bed, dice, _needing(bed, "one-wire"), _straps(bed, "low"))


@plants("pin.strap")
def a_sender_on_a_strap(bed: Bed, dice: random.Random) -> Plant | None:
    return _moved(bed, dice, _needing(bed, "uart-rx"), _straps(bed, "high", "low"))


@plants("pin.moves-at-reset")
def a_load_on_a_pin_that_moves(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [end for end in _needing(bed, "digital-out") if end[0].section == "loads"]
    return _moved(bed, dice, ends, bed.hazardous("moves-at-reset"))


@plants("pin.on-board-circuit")
def beside_the_board_s_own_circuit(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [end for end in _signals(bed) if end[0].section != "loads"]
    return _moved(bed, dice, ends, bed.hazardous("on-board-circuit"))


@plants("pin.on-board-circuit")
def a_load_beside_a_circuit_that_rests(bed: Bed, dice: random.Random) -> Plant | None:
    ends = [end for end in _signals(bed) if end[0].section == "loads"]
    pins = [p for p in bed.hazardous("on-board-circuit") if p.hazard("moves-at-reset") is None]
    return _moved(bed, dice, ends, pins)


@plants("pin.bus-in-use")
def a_stranger_on_the_two_wire_bus(bed: Bed, dice: random.Random) -> Plant | None:
    if not bed.uses(talks="i2c"):
        return None
    pins = [bed.board.role_pin(f"Wire.{line}") for line in ("sda", "scl")]
    return _moved(bed, dice, _signals(bed), [pin for pin in pins if pin is not None])


@plants("pin.bus-in-use")
def a_stranger_on_a_serial_port_in_use(bed: Bed, dice: random.Random) -> Plant | None:
    """The sender of a hardware port belongs to the port, though nothing is wired to it."""
    links = [
        link
        for link in bed.circuit.serial_links
        if link.port is not None and link.rx is not None and link.tx is None
    ]
    if not links:
        return None
    link = dice.choice(links)
    senders = [p for p in bed.board.pins.values() if f"{link.port}.tx" in p.roles]
    ends = [end for end in _signals(bed) if end[0].name != link.use.name]
    planted = _moved(bed, dice, ends, senders)
    if planted is not None and link.rx is not None:
        wire(planted.tree, link.use, "TXD", link.rx.label)
    return planted


@plants("pin.soft-serial-rx")
def a_sender_where_software_is_deaf(bed: Bed, dice: random.Random) -> Plant | None:
    free = [port for port, kind in bed.board.serial_ports.items() if kind == "free"]
    receivers = {f"{port}.rx" for port in free}
    deaf = bed.free(
        lambda p: not p.soft_rx and not receivers & set(p.roles) and "digital-in" in p.can
    )
    return _moved(bed, dice, _needing(bed, "uart-rx"), deaf)


@plants("pin.none-left")
def one_thermistor_too_many(bed: Bed, dice: random.Random) -> Plant | None:
    tree, path = bed.copy(), ""
    for _ in range(sum(pin.adc is not None for pin in bed.board.pins.values()) + 1):
        path = add(tree, "probes", "bead", e.shelf())
    return at(tree, path)


@plants("pin.none-left")
def one_lamp_too_many(bed: Bed, dice: random.Random) -> Plant | None:
    """A lamp on every pin that is left, and one more that has none."""
    if bed.form == "open":
        return None
    tree, used = bed.copy(), set(bed.circuit.by_pin())
    for pin in bed.board.pins.values():
        if pin.label not in used and "digital-out" in pin.can:
            add(tree, "alarms", "dot", e.lamp(wires={"A": pin.label}))
    return at(tree, add(tree, "alarms", "dot", e.lamp()))
