"""Parts as they are written into a build, for faults that need one more."""

from __future__ import annotations

import random
from typing import Any

from buildkit.model import Use
from tests.planting.beds import EVERY, Bed, Tree

DUST, AIR, SOIL, SHELF = "pm-frame32", "sht3x", "ds18b20", "ntc-divider"
RELAY, SSR, LCD, LED = (
    "relay-module-active-low",
    "ssr-zero-cross-dc-control",
    "lcd1602-pcf8574",
    "led-indicator",
)


HIGH, RANDOM = "relay-module-active-high", "ssr-random-dc-control"
COIL, FET = "relay-coil-bare", "mosfet-low-side"
MAINS_SWITCHES = (RELAY, SSR, HIGH, RANDOM)  # their tables have the same figures


def dust() -> Tree:
    return {"part": DUST, "value": "pm2_5", "every_s": 1, "average": 10}


def air(**more: Any) -> Tree:
    return {"part": AIR, "value": "humidity", "every_s": 5, "average": 3, **more}


def soil(**more: Any) -> Tree:
    return {"part": SOIL, "value": "temperature", "every_s": 5, "average": 3, **more}


def shelf(**more: Any) -> Tree:
    return {"part": SHELF, "value": "temperature", "every_s": 5, "average": 3, **more}


def float_switch(**more: Any) -> Tree:
    return {"part": "float-switch", "value": "closed", "every_s": 1, **more}


def loop(**more: Any) -> Tree:
    return {"part": "loop-4-20ma", "value": "current", "every_s": 2, **more}


def lcd(**more: Any) -> Tree:
    return {"part": LCD, "rows": ["ready"], **more}


def lamp(**more: Any) -> Tree:
    return {"part": LED, "when": ["no-reading"], **more}


def button(load: str, does: str, **more: Any) -> Tree:
    return {"part": "button", "commands": load, "does": does, **more}


def selector(load: str) -> Tree:
    return {"part": "switch-hand-off-auto", "commands": load}


def switched(part: str, volts: float, amps: float, kind: str, **more: Any) -> Tree:
    entry: Tree = {"part": part, "draws": {"volts": volts, "amps": amps, "kind": kind}, **more}
    if kind == "heater":
        entry["cutout"] = "bimetal switch, opens at 50 degC"
    return entry


def draws(tree: Tree, name: str) -> Tree:
    """What a load of the tree draws."""
    found: Tree = tree["loads"][name]["draws"]
    return found


def draws_path(name: str) -> str:
    return f"loads.{name}.draws"


def mains_volts(bed: Bed) -> float:
    """The mains of the build, or one where there is none."""
    return bed.build.mains.volts if bed.build.mains is not None else 230.0


def some_load(bed: Bed, dice: random.Random, part: str = "") -> Use | None:
    """A load of the build on that part, or on any."""
    parts = (part,) if part else MAINS_SWITCHES
    found = [use for use in bed.uses(section="loads") if use.part.id in parts]
    return dice.choice(found) if found else None


def figure(bed: Bed, name: str) -> float:
    return bed.board.figure(name)


def beyond(limit: float, dice: random.Random) -> float:
    """A little to a lot above a limit."""
    return float(f"{limit * dice.choice((1.01, 1.05, 1.2, 1.5, 2.0, dice.uniform(1.01, 3))):.6g}")


def below(limit: float, dice: random.Random) -> float:
    """A little to a lot below a limit."""
    return float(f"{limit * dice.choice((0.99, 0.95, 0.8, 0.5, dice.uniform(0.3, 0.99))):.6g}")


def entry(bed: Bed, dice: random.Random) -> tuple[int, Any] | None:
    """A control entry and its number."""
    found = list(enumerate(bed.build.control))
    return dice.choice(found) if found else None


BOARDS = frozenset(EVERY)
