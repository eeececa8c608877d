"""Faults of time: readings too fast, windows too long, silence too soon, bytes lost."""

from __future__ import annotations

import random

from tests.planting import entries as e
from tests.planting.beds import Bed, Tree, add, own, section_of, wire
from tests.planting.garden import Plant, at, plants


def _probe(bed: Bed, dice: random.Random) -> tuple[str, Tree] | None:
    names = [name for name, probe in bed.build.probes.items() if "refresh_s" in probe.use.figures]
    tree = bed.copy()
    return (dice.choice(names), tree) if names else None


@plants("time.faster-than-part")
def read_too_often(bed: Bed, dice: random.Random) -> Plant | None:
    found = _probe(bed, dice)
    if found is None:
        return None
    name, tree = found
    probe = bed.build.probes[name]
    refresh = probe.use.figure("refresh_s")
    every = float(f"{max(0.1, e.below(refresh, dice)):.4g}")
    if every >= refresh or dice.random() < 0.3:
        own(tree, probe.use, refresh_s=e.beyond(probe.every_s, dice))
    else:
        tree["probes"][name]["every_s"] = every
    return at(tree, f"probes.{name}.every_s")


@plants("time.window-slow")
def an_average_of_more_than_five_minutes(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree, probe = bed.copy(), bed.build.probes[found[1].by]
    least = int(300 / probe.every_s) + 1
    tree["probes"][found[1].by]["average"] = dice.randint(least, 1000)
    return at(tree, f"probes.{found[1].by}.average")


@plants("time.window-slow")
def an_average_longer_than_the_longest_run(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    tree, probe = bed.copy(), bed.build.probes[control.by]
    window = probe.every_s * probe.average
    if "average" not in tree["probes"][control.by]:
        return None
    longest = round(max(1.0, e.below(window, dice)), 1)
    if longest >= window:
        return None
    tree["control"][number]["max_on_s"] = longest
    return at(tree, f"probes.{control.by}.average")


@plants("time.warm-up")
def a_sensor_that_warms_up(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    if dice.random() < 0.5:
        return at(tree, add(tree, "probes", "dusty", e.dust()))
    names = [n for n, p in bed.build.probes.items() if p.use.figures.get("warm_up_s") is not None]
    name = dice.choice(names)
    use = bed.build.probes[name].use
    if use.figure("warm_up_s"):
        return None
    return at(tree, own(tree, use, warm_up_s=dice.randrange(1, 600)))


@plants("time.no-reading-too-short")
def silence_after_fewer_than_three_readings(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    tree, probe = bed.copy(), bed.build.probes[control.by]
    tree["control"][number]["no_reading_after_s"] = e.below(3 * probe.every_s, dice)
    return at(tree, f"control[{number}].no_reading_after_s")


@plants("time.no-reading-too-short")
def silence_within_the_pauses_of_the_part(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    use = bed.build.probes[control.by].use
    if "longest_gap_s" not in use.figures:
        return None
    tree = bed.copy()
    gap = control.no_reading_after_s / 3
    own(tree, use, longest_gap_s=e.beyond(gap, dice))
    return at(tree, f"control[{number}].no_reading_after_s")


@plants("time.serial-starved")
def frames_without_a_pause(bed: Bed, dice: random.Random) -> Plant | None:
    """Ten bits a byte: a frame must be through before the next is due."""
    found = bed.uses(part=e.DUST)
    if not found:
        return None
    use, tree = dice.choice(found), bed.copy()
    bits = use.figure("frame_bytes") * 10
    return at(
        tree, own(tree, use, serial_baud=int(bits / use.figure("refresh_s") * dice.uniform(0.1, 1)))
    )


@plants("time.serial-starved")
def a_port_that_overflows_behind_software(bed: Bed, dice: random.Random) -> Plant | None:
    """While software takes one byte, more than two arrive at the port."""
    links = [
        link for link in bed.circuit.serial_links if link.port is not None and link.rx is not None
    ]
    receivers = {f"{p}.rx" for p, kind in bed.board.serial_ports.items() if kind == "free"}
    pins = bed.free(lambda p: p.soft_rx and not receivers & set(p.roles))
    if not links or not pins:
        return None
    link, tree = dice.choice(links), bed.copy()
    assert link.rx is not None
    wire(tree, link.use, "TXD", link.rx.label)
    baud = link.use.figure("serial_baud")
    slow = int(dice.uniform(400, baud / 2 - 10))
    entry = {
        **e.dust(),
        "wires": {"TXD": dice.choice(pins).label},
        "own_figures": {"serial_baud": slow},
    }
    add(tree, "probes", "slow", entry)
    return at(tree, section_of(link.use))
