"""Faults of control: thresholds, dwell times, and what silence does."""

from __future__ import annotations

import math
import random
from fractions import Fraction

from buildkit.model import Probe
from tests.planting import entries as e
from tests.planting.beds import Bed, Tree, add, own
from tests.planting.garden import Plant, at, plants

FAHRENHEIT = Fraction(9, 5)


def _in_unit(probe: Probe, value: Fraction, offset: bool = True) -> float:
    """A figure of the part's table in the unit of the build."""
    own, wanted = probe.quantity.unit, probe.unit
    if own == wanted:
        return float(value)
    if (own, wanted) == ("degC", "degF"):
        return float(value * FAHRENHEIT + (32 if offset else 0))
    if (own, wanted) == ("ug/m3", "mg/m3"):
        return float(value / 1000)
    raise AssertionError(f"{own} to {wanted}")


def _round(value: float) -> float:
    return float(f"{value:.5g}")


@plants("control.no-gap")
def start_and_stop_alike(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree = bed.copy()
    entry = tree["control"][found[0]]
    entry["stop_at"] = entry["start_at"]
    return at(tree, f"control[{found[0]}].stop_at")


@plants("control.gap-below-noise")
def a_gap_that_noise_crosses(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    probe = bed.build.probes[control.by]
    flicker = _in_unit(probe, max(probe.quantity.noise, probe.quantity.resolution), offset=False)
    noise = flicker / math.sqrt(probe.average)
    tree = bed.copy()
    entry = tree["control"][number]
    gap = noise * dice.uniform(0.05, 0.97) * dice.choice((1, -1))
    entry["stop_at"] = float(f"{entry['start_at'] + gap:.6f}")
    return at(tree, f"control[{number}].stop_at") if entry["stop_at"] != entry["start_at"] else None


@plants("control.outside-span")
def a_threshold_that_is_never_read(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    probe, tree = bed.build.probes[control.by], bed.copy()
    low, high = _in_unit(probe, probe.quantity.low), _in_unit(probe, probe.quantity.high)
    step = _in_unit(probe, probe.quantity.resolution, offset=False)
    beyond = dice.choice((step, step * dice.randrange(2, 5000)))
    key = dice.choice(("start_at", "stop_at"))
    tree["control"][number][key] = float(f"{dice.choice((low - beyond, high + beyond)):.9g}")
    return at(tree, f"control[{number}].{key}")


@plants("control.outside-span")
def a_thermistor_at_its_lost_ends(bed: Bed, dice: random.Random) -> Plant | None:
    """A fixed resistor that does not suit: within 2 % of an end, by the bead's beta, a lead may be broken."""
    found = [
        (n, c)
        for n, c in enumerate(bed.build.control)
        if bed.build.probes[c.by].use.part.id == e.SHELF
    ]
    if not found:
        return None
    number, control = dice.choice(found)
    probe, tree = bed.build.probes[control.by], bed.copy()
    cold = dice.random() < 0.5
    series = dice.choice((1000, 2200, 4700) if cold else (47_000, 68_000, 100_000))
    own(tree, probe.use, series_ohms=series)
    ohms = series * (98 / 2 if cold else 2 / 98)
    figure = probe.use.figure
    edge = 1 / (1 / 298.15 + math.log(ohms / figure("r25_ohms")) / figure("beta_k")) - 273.15
    celsius = dice.uniform(-39.5, edge - 0.2) if cold else dice.uniform(edge + 0.2, 124.5)
    key = dice.choice(("start_at", "stop_at"))
    tree["control"][number][key] = _round(_in_unit(probe, Fraction(str(round(celsius, 2)))))
    return at(tree, f"control[{number}].{key}")


@plants("control.unreachable")
def a_threshold_at_the_very_end(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    probe, tree = bed.build.probes[control.by], bed.copy()
    if probe.use.part.id == e.SHELF or not probe.quantity.noise:
        return None  # a contact does stand at the end of its span
    low, high = _in_unit(probe, probe.quantity.low), _in_unit(probe, probe.quantity.high)
    rising, key = control.start_at > control.stop_at, dice.choice(("start_at", "stop_at"))
    tree["control"][number][key] = high if (key == "start_at") == rising else low
    return at(tree, f"control[{number}].{key}")


@plants("control.short-cycle")
def starts_more_than_once_a_minute(bed: Bed, dice: random.Random) -> Plant | None:
    worn = [
        (n, c)
        for n, c in enumerate(bed.build.control)
        for load in [bed.build.loads[c.drive]]
        if load.use.part.id == e.RELAY or (load.draws is not None and load.draws.kind == "motor")
    ]
    if not worn:
        return None
    number, _ = dice.choice(worn)
    tree = bed.copy()
    entry = tree["control"][number]
    cycle = dice.uniform(0, 59.9)
    share = dice.random()
    entry["min_on_s"], entry["min_off_s"] = round(cycle * share, 1), round(cycle * (1 - share), 1)
    entry["run_on_s"] = 0
    return at(tree, f"control[{number}].min_off_s")


@plants("control.max-without-rest")
def a_longest_run_that_leads_to_no_rest(bed: Bed, dice: random.Random) -> Plant | None:
    if not bed.build.control:
        return None
    tree = bed.copy()
    number = dice.randrange(len(tree["control"]))
    entry = tree["control"][number]
    entry["max_on_s"] = dice.randint(20_000, 80_000)
    if dice.random() < 0.5:
        entry["min_off_s"] = 0
    else:
        entry.pop("min_off_s", None)
    return at(tree, f"control[{number}].max_on_s")


@plants("control.heater-on-when-blind")
def a_heater_that_runs_blind(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    tree = bed.copy()
    e.draws(tree, control.drive)["kind"] = "heater"
    tree["loads"][control.drive]["cutout"] = "bimetal switch"
    tree["control"][number]["if_no_reading"] = "on"
    return at(tree, f"control[{number}].if_no_reading")


@plants("control.driven-twice")
def two_entries_for_one_load(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree = bed.copy()
    copied = {**tree["control"][found[0]]}
    copied["by"] = dice.choice(list(tree["probes"]))
    place = dice.randint(found[0] + 1, len(tree["control"]))
    tree["control"].insert(place, copied)
    return at(tree, f"control[{place}].drive")


@plants("control.never-driven")
def a_load_without_an_entry(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    tree = bed.copy()
    if found is None or dice.random() < 0.3:
        return at(
            tree, add(tree, "loads", "spare", e.switched(e.SSR, e.mains_volts(bed), 1.0, "lamp"))
        )
    del tree["control"][found[0]]
    if not tree["control"] and dice.random() < 0.5:
        del tree["control"]
    return at(tree, f"loads.{found[1].drive}")


@plants("control.probe-unused")
def a_probe_that_nobody_reads(bed: Bed, dice: random.Random) -> Plant | None:
    if not bed.build.control:
        return None
    tree = bed.copy()
    return at(tree, add(tree, "probes", "spare", dice.choice((e.soil(), e.air(), e.shelf()))))


@plants("control.probe-unused")
def an_entry_by_another_probe(bed: Bed, dice: random.Random) -> Plant | None:
    names = list(bed.build.probes)
    if len(names) < 2 or not bed.build.control or bed.build.displays:
        return None
    lost = dice.choice(names)
    if all(control.by != lost for control in bed.build.control):
        return None
    tree = bed.copy()
    for entry in tree["control"]:
        if entry["by"] == lost:
            entry["by"] = next(name for name in names if name != lost)
    return at(tree, f"probes.{lost}")


@plants("control.max-below-min")
def the_longest_below_the_least(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, _ = found
    tree = bed.copy()
    entry = tree["control"][number]
    key = dice.choice(("min_on_s", "run_on_s"))
    least = dice.randrange(30, 4000)
    entry[key] = least
    entry["max_on_s"] = round(e.below(least, dice), 1)
    return at(tree, f"control[{number}].max_on_s")


@plants("control.window-longer-than-silence")
def a_window_many_times_the_silence(bed: Bed, dice: random.Random) -> Plant | None:
    """Many times: four and more, and above a minute."""
    found = e.entry(bed, dice)
    if found is None:
        return None
    number, control = found
    tree, probe = bed.copy(), bed.build.probes[control.by]
    least = max(60.0, 4 * control.no_reading_after_s) / probe.every_s
    if least >= 999:
        return None
    tree["probes"][control.by]["average"] = dice.randint(int(least) + 1, 1000)
    return at(tree, f"control[{number}].no_reading_after_s")


@plants("control.not-life-safety")
def a_sensor_that_may_be_taken_for_an_alarm(bed: Bed, dice: random.Random) -> Plant | None:
    tree = bed.copy()
    return at(tree, f"{add(tree, 'probes', 'dusty', e.dust())}.value")


@plants("control.cannot-go-silent")
def a_load_by_a_bare_contact(bed: Bed, dice: random.Random) -> Plant | None:
    """A cut wire reads like an open contact: what if_no_reading promises is empty."""
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree = bed.copy()
    path = add(tree, "probes", "tank", e.float_switch())
    tree["control"][found[0]] |= {"by": path.split(".")[1], "start_at": 1, "stop_at": 0}
    return at(tree, f"control[{found[0]}].if_no_reading")


# --- hand controls ---


def _runner(load: str, dice: random.Random) -> Tree:
    """A hand control that can run a load."""
    return dice.choice((e.selector(load), e.button(load, "toggle")))


@plants("control.hand-without-entry")
def a_hand_on_a_load_that_nothing_drives(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree, load = bed.copy(), found[1].drive
    others = [entry for entry in tree["control"] if entry["drive"] != load]
    tree["control"] = others
    path = add(tree, "hands", "knob", dice.choice((_runner(load, dice), e.button(load, "rest"))))
    return at(tree, f"{path}.commands")


@plants("control.hand-heats-on")
def a_hand_that_heats_without_end(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    draws = bed.build.loads[found[1].drive].draws if found is not None else None
    if found is None or draws is None or draws.kind != "heater":
        return None
    tree = bed.copy()
    tree["control"][found[0]].pop("max_on_s", None)
    path = add(tree, "hands", "knob", _runner(found[1].drive, dice))
    return at(tree, f"{path}.commands")


@plants("control.hand-beyond-max")
def a_press_longer_than_the_longest_run(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None:
        return None
    tree, longest = bed.copy(), dice.randint(2000, 20_000)
    tree["control"][found[0]]["max_on_s"] = longest
    for_s = longest + dice.choice((0.5, 1, 60, 40_000))
    path = add(tree, "hands", "knob", e.button(found[1].drive, "run-for", for_s=for_s))
    return at(tree, f"{path}.for_s")


@plants("control.hands-compete")
def two_hands_that_run_one_load(bed: Bed, dice: random.Random) -> Plant | None:
    found = e.entry(bed, dice)
    if found is None or any(hand.runs for hand in bed.build.hands_on(found[1].drive)):
        return None
    tree, load = bed.copy(), found[1].drive
    add(tree, "hands", "knob", _runner(load, dice))
    path = add(tree, "hands", "other_knob", e.button(load, "run-for", for_s=dice.randint(1, 900)))
    return at(tree, f"{path}.commands")


# --- alarms ---


@plants("control.alarm-never")
def an_alarm_for_what_cannot_happen(bed: Bed, dice: random.Random) -> Plant | None:
    if any(control.max_on_s for control in bed.build.control):
        return None
    tree = bed.copy()
    path = add(tree, "alarms", "horn", e.lamp(when=["forced-rest"]))
    return at(tree, f"{path}.when")
