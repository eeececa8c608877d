"""Circuits for the tests of the wiring pages: the examples, and random builds of all parts."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml
from hypothesis import reject
from hypothesis import strategies as st

from buildkit import buildfile, document, seating
from buildkit.circuit import Circuit
from buildkit.model import Finding, Part, Place, Refused
from buildkit.places import data_dir
from buildkit.tables import Tables

TABLES = Tables()
EXAMPLES = sorted(data_dir("examples").glob("*.yaml"))
HOSTILE = (
    "<script>alert(1)</script> \"quoted\" 'too' & | ` [link](http://x.test) \u202egnol " + "W" * 300
)


def example(path: Path) -> Circuit:
    return seating.seat(buildfile.load(path, TABLES))


def circuit_of(tree: dict[str, Any]) -> Circuit:
    raw = yaml.safe_dump(tree, allow_unicode=True, sort_keys=False).encode()
    return seating.seat(buildfile.from_tree(document.parse(raw, "random.yaml"), TABLES))


def driven() -> Circuit:
    """A divider, a bare coil with its stage, and a MOSFET below a pump with its diode."""
    return circuit_of(
        {
            "build": "driven",
            "board": "esp32-wroom-dev38",
            "supply": {"rail": "5V", "max_ma": 1500},
            "probes": {
                "smoke": {
                    "part": "pm-frame32",
                    "value": "pm2_5",
                    "every_s": 1,
                    "own_figures": {"out_high_v": 5},
                }
            },
            "loads": {
                "bell": {
                    "part": "relay-coil-bare",
                    "draws": {"volts": 24, "amps": 1, "kind": "lamp"},
                },
                "pump": {
                    "part": "mosfet-low-side",
                    "own_figures": {"on_min_v": 2.5},
                    "draws": {"volts": 12, "amps": 2, "kind": "motor"},
                    "cutout": "thermal-cutout",
                },
            },
            "between": {"smoke.TXD": {"part": "divider"}},
        }
    )


def shifted() -> Circuit:
    """A 3.3 V stick with a display and a relay of 5 V behind level shifters."""
    return circuit_of(
        {
            "build": "shifted",
            "board": "esp32-s3-dev",
            "supply": {"rail": "5V", "max_ma": 800},
            "mains": {"volts": 120, "hz": 60, "region": "us"},
            "probes": {
                "smoke": {"part": "pm-frame32", "value": "pm2_5", "every_s": 1},
                "soil": {"part": "ds18b20", "value": "temperature", "every_s": 2},
            },
            "loads": {
                "fan": {
                    "part": "relay-module-active-low",
                    "draws": {"volts": 120, "amps": 1, "kind": "motor"},
                }
            },
            "displays": {"panel": {"part": "lcd2004-pcf8574", "rows": ["{smoke}"]}},
            "between": {
                "panel.SDA": {"part": "level-shifter-mosfet"},
                "panel.SCL": {"part": "level-shifter-mosfet"},
                "fan.IN": {"part": "level-shifter-mosfet"},
                "smoke.TXD": {"part": "divider"},
            },
        }
    )


def finding(
    severity: Any = "warning", text: str = "the text", rule: str = "bus.too-fast"
) -> Finding:
    return Finding(rule, severity, text, f"mend {text}", Place("a.yaml"), {}, "a source")


def _parts(role: str) -> list[Part]:
    every = [TABLES.part(part_id) for part_id in TABLES.part_ids()]
    return [part for part in every if role in part.roles]


def _probe(draw: st.DrawFn) -> dict[str, Any]:
    part = draw(st.sampled_from(_parts("probes")))
    value = draw(st.sampled_from(sorted(part.quantities)))
    return {"part": part.id, "value": value, "every_s": 2, "average": draw(st.integers(1, 20))}


def _load(draw: st.DrawFn) -> dict[str, Any]:
    part = draw(st.sampled_from(_parts("loads")))
    volts = draw(st.sampled_from([12, 24, 120, 230, 240]))
    assert part.switching is not None
    kind = draw(st.sampled_from(sorted(part.switching.kinds)))
    amps = draw(st.sampled_from([0.1, 1.1, 7, 19, 60]))
    load: dict[str, Any] = {"part": part.id}
    if draw(st.integers(0, 9)):
        load["draws"] = {"volts": volts, "amps": amps, "kind": kind}
    if draw(st.booleans()):
        load["cutout"] = draw(st.sampled_from(["thermal-cutout", "thermal switch", "<b>|=1+1</b>"]))
    return load


def _display(draw: st.DrawFn, loads: list[str]) -> dict[str, Any] | None:
    part = draw(st.sampled_from(_parts("displays")))
    if part.shows == "lamp":
        return {"part": part.id, "follows": draw(st.sampled_from(loads))} if loads else None
    return {"part": part.id, "rows": ["a row"]}


@st.composite
def circuits(draw: st.DrawFn) -> Circuit:
    """A seated circuit of a few parts on any board, well made or not."""
    probes = {
        f"probe_{'x' * draw(st.integers(0, 16))}{n}": _probe(draw)
        for n in range(draw(st.integers(0, 4)))
    }
    loads = {f"load_{n}": _load(draw) for n in range(draw(st.integers(0, 3)))}
    shown = {f"show_{n}": _display(draw, list(loads)) for n in range(draw(st.integers(0, 2)))}
    tree: dict[str, Any] = {
        "build": "random",
        "about": draw(st.sampled_from(["", "A trial.", HOSTILE])),
        "board": draw(st.sampled_from(TABLES.board_ids())),
        "supply": {"rail": "5V", "max_ma": 500},
        "probes": probes,
        "loads": loads,
        "displays": {name: display for name, display in shown.items() if display},
    }
    tree["supply"]["rail"] = next(iter(TABLES.board(tree["board"]).rails))
    if draw(st.booleans()):
        bell = draw(st.sampled_from(_parts("alarms")))
        tree["alarms"] = {"bell": {"part": bell.id, "when": ["no-reading", "forced-rest"]}}
    if loads and draw(st.booleans()):
        knob = draw(st.sampled_from(_parts("hands")))
        does = {"does": draw(st.sampled_from(["rest", "toggle"]))} if knob.hand == "button" else {}
        tree["hands"] = {"knob": {"part": knob.id, "commands": min(loads), **does}}
    tree["between"] = _between(draw, tree)
    if draw(st.booleans()):
        region = draw(st.sampled_from(["us", "eu", "iec", "uk"]))
        tree["mains"] = {
            "volts": draw(st.sampled_from([120, 230, 240])),
            "hz": 50,
            "region": region,
        }
    if probes:
        name = draw(st.sampled_from(sorted(probes)))
        tree["cables"] = {name: {"length_m": draw(st.sampled_from([0.5, 12])), "awg": 24}}
        tree["control"] = [_control(draw, load, name, probes[name]) for load in loads]
    try:
        return circuit_of(tree)
    except Refused:
        reject()


def _between(draw: st.DrawFn, tree: dict[str, Any]) -> dict[str, Any]:
    """Parts in some of the wires, fitting or not."""
    uses = {**tree["probes"], **tree["loads"], **tree["displays"]}
    spots = [
        f"{name}.{terminal.name}"
        for name, use in uses.items()
        for terminal in TABLES.part(use["part"]).terminals.values()
        if terminal.kind == "signal" and not terminal.leave_open and not terminal.joint
    ]
    chosen = draw(st.lists(st.sampled_from(spots), max_size=3, unique=True)) if spots else []
    return {spot: {"part": draw(st.sampled_from(_parts("between"))).id} for spot in chosen}


def _control(draw: st.DrawFn, load: str, name: str, probe: dict[str, Any]) -> dict[str, Any]:
    quantity = TABLES.part(probe["part"]).quantities[probe["value"]]
    low, high = float(quantity.low), float(quantity.high)
    ends = [low + (high - low) * share for share in draw(st.permutations([0.3, 0.6]))]
    return {
        "drive": load,
        "by": name,
        "start_at": ends[0],
        "stop_at": ends[1],
        "max_on_s": draw(st.sampled_from([60, 7200])),
        "if_no_reading": draw(st.sampled_from(["off", "on"])),
        "no_reading_after_s": 30,
        "stuck_after_s": draw(st.sampled_from([40, 7200])),
    }
