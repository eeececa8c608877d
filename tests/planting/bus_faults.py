"""Faults of the I2C bus and of serial ports."""

from __future__ import annotations

import random

from buildkit.model import Pin, Use
from tests.planting import entries as e
from tests.planting.beds import Bed, Tree, add, own, section_of, wire, wire_path
from tests.planting.garden import Plant, at, plants

LOW_V, SINK_A = 0.4, 0.003  # UM10204: a part sinks 3 mA below 0.4 V
RISE_S = 1000e-9  # UM10204: standard mode
RESERVED = (*range(8), *range(0x78, 0x80))


def _addressed(tree: Tree, use: Use, address: int) -> str:
    tree[use.section][use.name]["address"] = address
    return f"{section_of(use)}.address"


@plants("bus.address-clash")
def two_at_one_address(bed: Bed, dice: random.Random) -> Plant | None:
    pairs = [
        (one, other, address)
        for index, one in enumerate(bed.uses(talks="i2c"))
        for other in bed.uses(talks="i2c")[index + 1 :]
        for address in set(one.part.addresses) & set(other.part.addresses)
    ]
    if not pairs:
        return None
    one, other, address = dice.choice(pairs)
    tree = bed.copy()
    _addressed(tree, one, address)
    return at(tree, _addressed(tree, other, address))


@plants("bus.address-clash")
def a_second_left_as_it_came(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    for use in bed.uses(part=e.LCD):
        tree[use.section][use.name].pop("address", None)
    if not bed.uses(part=e.LCD):
        add(tree, "displays", "front", e.lcd())
    return at(tree, add(tree, "displays", "back", e.lcd()))


@plants("bus.address-reserved")
def an_address_of_the_bus_itself(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(talks="i2c")
    if not found:
        return None
    tree = bed.copy()
    return at(tree, _addressed(tree, dice.choice(found), dice.choice(RESERVED)))


@plants("bus.address-not-offered")
def an_address_the_part_has_not(bed: Bed, dice: random.Random) -> Plant | None:
    found = [use for use in bed.uses() if use.section in ("probes", "displays")]
    use, tree = dice.choice(found), bed.copy()
    others = [a for a in range(128) if a not in (*use.part.addresses, *RESERVED)]
    if use.part.default_address is not None and dice.random() < 0.4:
        return (
            at(tree, _addressed(tree, use, use.part.default_address * 2 % 128 | 1))
            if (use.part.default_address * 2 % 128 | 1) in others
            else None
        )
    return at(tree, _addressed(tree, use, dice.choice(others)))


@plants("bus.wrong-pins")
def swapped_lines(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(talks="i2c")
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    sda, scl = bed.pin(use, "SDA"), bed.pin(use, "SCL")
    if sda is None or scl is None:
        return None
    return at(tree, wire(tree, use, "SDA", scl.label), wire(tree, use, "SCL", sda.label))


@plants("bus.wrong-pins")
def a_line_off_the_bus(bed: Bed, dice: random.Random) -> Plant | None:
    found, pins = bed.uses(talks="i2c"), bed.free()
    if not found or not pins:
        return None
    tree = bed.copy()
    return at(
        tree, wire(tree, dice.choice(found), dice.choice(("SDA", "SCL")), dice.choice(pins).label)
    )


@plants("bus.display-shares-probe")
def a_display_beside_a_probe(bed: Bed, dice: random.Random) -> Plant | None:
    if bed.uses(part=e.LCD):
        if any(use.section == "probes" for use in bed.uses(talks="i2c")):
            return None
        tree = bed.copy()
        add(tree, "probes", "damp", e.air())
        return at(tree, section_of(dice.choice(bed.uses(part=e.LCD))))
    tree = bed.copy()
    if not bed.uses(part=e.AIR):
        add(tree, "probes", "damp", e.air())
    return at(tree, add(tree, "displays", "front", e.lcd()))


def _resisted(bed: Bed) -> list[Use]:
    return [use for use in bed.uses(talks="i2c") if "module_pull_up_ohms" in use.figures]


@plants("bus.pull-up-missing")
def every_pull_up_taken_off(bed: Bed, dice: random.Random) -> Plant | None:
    if not _resisted(bed) or bed.build.between:
        return None  # a shifter brings pull-ups of its own
    tree = bed.copy()
    for use in _resisted(bed):
        own(
            tree,
            use,
            module_pull_up_ohms=dice.choice((1e6, 2_000_000, dice.randrange(10**6, 4 * 10**6))),
        )
    return at(tree, section_of(_resisted(bed)[0]))


def _too_weak_ohms(bed: Bed, metres: float) -> float:
    """What nothing may exceed: 10 pF a pin, 100 pF a metre, 1000 ns."""
    farads = 10e-12 * (1 + len(bed.uses(talks="i2c"))) + 100e-12 * metres
    return RISE_S / (0.8473 * farads)


@plants("bus.pull-up-too-weak")
def a_bus_cable_too_long(bed: Bed, dice: random.Random) -> Plant | None:
    found = _resisted(bed)
    if not found:
        return None
    ohms = 1 / sum(1 / use.figure("module_pull_up_ohms") for use in found)
    metres = 1.0
    while _too_weak_ohms(bed, metres) > ohms and metres < 100:
        metres += 0.5
    metres = min(100.0, round(metres * dice.uniform(1.02, 1.5), 2))
    tree, use = bed.copy(), dice.choice(found)
    cables = tree.setdefault("cables", {})
    for other in found:
        cables.pop(other.name, None)
    cables[use.name] = {"length_m": metres, "awg": dice.choice((20, 22, 24, 26))}
    return at(tree, f"cables.{use.name}") if _too_weak_ohms(bed, metres) < ohms else None


@plants("bus.pull-up-too-weak")
def pull_ups_too_weak_for_short_wires(bed: Bed, dice: random.Random) -> Plant | None:
    found = _resisted(bed)
    if not found or bed.build.between or any(use.name in bed.build.cables for use in found):
        return None
    most = _too_weak_ohms(bed, 0.0)
    tree = bed.copy()
    for use in found:
        own(tree, use, module_pull_up_ohms=round(min(999_000, len(found) * e.beyond(most, dice))))
    return at(tree, section_of(found[0]))


@plants("bus.pull-up-too-strong")
def pull_ups_too_strong(bed: Bed, dice: random.Random) -> Plant | None:
    found = _resisted(bed)
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    feed = bed.circuit.feed(use)
    if feed is None:
        return None
    least = (feed.volts - LOW_V) / SINK_A
    return at(tree, own(tree, use, module_pull_up_ohms=round(e.below(least, dice))))


@plants("bus.pull-up-too-strong")
def too_many_modules(bed: Bed, dice: random.Random) -> Plant | None:
    """Each module has good pull-ups, and together they are too strong."""
    if bed.board.io_rail != "5V":
        return None
    tree = bed.copy()
    first = add(tree, "displays", "face", e.lcd(own_figures={"module_pull_up_ohms": 2200}))
    for address in dice.sample(range(0x20, 0x27), 2):
        add(
            tree,
            "displays",
            "face",
            e.lcd(address=address, own_figures={"module_pull_up_ohms": 2200}),
        )
    return at(tree, first) if not bed.uses(talks="i2c") else None


@plants("bus.too-fast")
def a_part_too_slow_for_the_bus(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(talks="i2c")
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    return at(tree, own(tree, use, bus_hz=dice.randrange(10_000, 99_999)))


# --- serial ---


def _ports(bed: Bed) -> list[str]:
    return [port for port, kind in bed.board.serial_ports.items() if kind == "free"]


def _software_pins(bed: Bed) -> list[Pin]:
    """Free pins on which only software can listen."""
    receivers = {f"{port}.rx" for port in _ports(bed)}
    return bed.free(lambda pin: pin.soft_rx and not receivers & set(pin.roles))


def _port_pins(bed: Bed) -> list[Pin]:
    return [p for port in _ports(bed) for p in bed.board.pins.values() if f"{port}.rx" in p.roles]


@plants("bus.no-uart-left")
def one_serial_part_too_many(bed: Bed, dice: random.Random) -> Plant | None:
    """As many as the board has ports, one for software, and one more."""
    tree, path = bed.copy(), ""
    for _ in range(len(_ports(bed)) + 2 - len(bed.uses(talks="uart")) + dice.randrange(2)):
        path = add(tree, "probes", "dusty", e.dust())
    return at(tree, path) if path else None


@plants("bus.two-soft-serials")
def two_on_software(bed: Bed, dice: random.Random) -> Plant | None:
    pins = _software_pins(bed)
    if len(pins) < 2:
        return None
    tree = bed.copy()
    one, other = dice.sample(pins, 2)
    if bed.uses(talks="uart") != bed.uses(part=e.DUST):
        return None
    for use in bed.uses(part=e.DUST):
        del tree[use.section][use.name]
        tree.get("cables", {}).pop(use.name, None)
    tree["control"] = [c for c in tree.get("control", []) if c["by"] in tree["probes"]]
    add(tree, "probes", "dusty", {**e.dust(), "wires": {"TXD": one.label}})
    path = add(tree, "probes", "dusty", {**e.dust(), "wires": {"TXD": other.label}})
    return at(tree, f"{path}.wires.TXD") if "displays" not in tree else None


@plants("bus.two-soft-serials")
def a_second_on_software(bed: Bed, dice: random.Random) -> Plant | None:
    found, pins = bed.uses(part=e.DUST), _software_pins(bed)
    if len(bed.uses(talks="uart")) != 1 or len(found) != 1 or len(pins) < 2:
        return None
    one, other = dice.sample(pins, 2)
    tree = bed.copy()
    wire(tree, found[0], "TXD", one.label)
    path = add(tree, "probes", "dusty", {**e.dust(), "wires": {"TXD": other.label}})
    return at(tree, f"{path}.wires.TXD")


def _off_by(clock_hz: float, baud: float) -> float:
    """The data sheet's error at double speed: clock / (8 (UBRR + 1)) against the baud rate."""
    ubrr = round(clock_hz / 8 / baud - 1)
    return abs(clock_hz / (8 * (ubrr + 1)) / baud - 1)


@plants("bus.baud-error")
def a_speed_the_clock_cannot_make(bed: Bed, dice: random.Random) -> Plant | None:
    found = bed.uses(part=e.DUST)
    if not found or bed.board.core.family != "avr" or not _port_pins(bed):
        return None
    clock = bed.board.figure("clock_hz")
    speeds = (115_200, 230_400, 250_001, 76_800, 128_000, 153_600, 307_200, 460_800, 921_600)
    bad = [baud for baud in speeds if _off_by(clock, baud) > 0.0201]
    use, tree = dice.choice(found), bed.copy()
    mine = bed.pin(use, "TXD")
    pins = [p for p in _port_pins(bed) if p is mine or p.label not in bed.taken()]
    if not pins or not bad:
        return None
    pin = dice.choice(pins)
    own(tree, use, serial_baud=dice.choice(bad))
    return at(tree, wire(tree, use, "TXD", pin.label))


@plants("bus.soft-serial-too-fast")
def faster_than_software_listens(bed: Bed, dice: random.Random) -> Plant | None:
    found, pins = bed.uses(part=e.DUST), _software_pins(bed)
    if (
        len(bed.uses(talks="uart")) != 1
        or len(found) != 1
        or not pins
        or bed.board.core.family != "avr"
    ):
        return None
    use, tree = found[0], bed.copy()
    wire(tree, use, "TXD", dice.choice(pins).label)
    most = bed.board.figure("clock_hz") / 200  # half a bit outlasts 100 cycles
    own(tree, use, serial_baud=round(e.beyond(most, dice)))
    return at(tree, wire_path(tree, use, "TXD"))
