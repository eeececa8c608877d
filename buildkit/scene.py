"""What the sketch's frame is filled with: a circuit's words and numbers as templates want them."""

from __future__ import annotations

import math
from typing import Any

from buildkit import control, escapes, hands, memory, rows, sentences
from buildkit.circuit import Circuit, SerialLink
from buildkit.model import Build, Display, Load, Pin, Probe, Use
from buildkit.units import UNITS, decimal, shown_decimals

LOG_BAUD = 115_200
BUS_HZ = 100_000


def scene_of(circuit: Circuit) -> dict[str, Any]:
    """All that the frame asks of a circuit, as ``s``; parts' blocks come to it in ``sketch``."""
    build = circuit.build
    links = [_link(circuit, link) for link in circuit.serial_links]
    soft = any(link["port"] is None for link in links)
    slow_pins = bool(circuit.uses_talking("one-wire"))
    log_bytes, line_bytes = memory.log_room(build)
    quiet_serial = soft and slow_pins
    return {
        "title": build.name,
        "about_lines": escapes.wrap(escapes.visible(build.about), 74) if build.about else [],
        "board": circuit.board,
        "sentences": [sentences.say(entry, build) for entry in build.control],
        "pins": [
            {"label": w.label, "use": w.use.name, "terminal": w.terminal.name}
            for w in circuit.signals()
        ],
        "headers": _headers(circuit, soft),
        "loads": [_load(circuit, load) for load in build.loads.values()],
        "log_bytes": log_bytes,
        "line_bytes": line_bytes,
        "log_baud": LOG_BAUD,
        "steps_type": memory.steps_type(build),
        "sum_type": memory.sum_type(build),
        "count_type": memory.count_type(build),
        "any_stuck": any(entry.stuck_after_s for entry in build.control),
        "any_unheard": bool(build.unheard()),
        "any_max_on": any(entry.max_on_s for entry in build.control),
        "any_run_on": any(entry.run_on_s for entry in build.control),
        "probes": [_probe(circuit, probe) for probe in build.probes.values()],
        "i2c": _bus(circuit),
        "serials": links,
        "quiet_serial": quiet_serial,
        "hands": _hands(circuit.build),
        "controls": [_control(circuit, index) for index in range(len(build.control))],
        "shown": [_shown(circuit, probe) for probe in build.probes.values()],
        "lamps": _lamps(circuit),
        "alarms": _alarms(circuit),
        "displays": [],
    }


def _headers(circuit: Circuit, soft: bool) -> list[str]:
    """What the parts' ways to talk need; the core template lists its own."""
    wanted = ["SoftwareSerial.h"] if soft else []
    if circuit.uses_talking("i2c"):
        wanted.append("Wire.h")
    return wanted


def _load(circuit: Circuit, load: Load) -> dict[str, Any]:
    switching = load.use.part.switching
    assert switching is not None
    wire = circuit.wire(load.use, switching.input_terminal)
    assert wire is not None
    assert wire.pin is not None
    level = "HIGH" if switching.active == "high" else "LOW"
    return {
        "name": load.use.name,
        "pin": wire.pin,
        "run_level": level,
        "note": f"  // runs while its pin is {level.lower()}",
    }


def _scale(probe: Probe, decimals: int, unit: str) -> tuple[int, int, int]:
    """Whole numbers a, b, c with which ``(steps * a + b) / c`` is the value in last digits."""
    quantity, base, wanted = probe.quantity, UNITS[probe.quantity.unit], UNITS[unit]
    slope = quantity.resolution * base.scale / wanted.scale * 10**decimals
    shift = (base.offset - wanted.offset) / wanted.scale * 10**decimals
    below = math.lcm(slope.denominator, shift.denominator)
    return int(slope * below), int(shift * below), below


def _probe(circuit: Circuit, probe: Probe) -> dict[str, Any]:
    build, name = circuit.build, probe.use.name
    known = control.probe_settings(probe, build.control)
    decimals = log_decimals(probe)
    factor, _, _ = _scale(probe, decimals, probe.quantity.unit)
    loads = [entry.drive for entry in build.control if entry.by == name]
    return {
        "name": name,
        "count": known.count,
        "low": known.low,
        "high": known.high,
        "warm_up_ms": known.warm_up_ms,
        "stuck_after_ms": known.stuck_after_ms or 0,
        "note": f"{probe.quantity.about}, steps of {decimal(probe.quantity.resolution)} {probe.quantity.unit}",
        "controls": bool(loads),
        "log_loads": loads or [None],
        "log_decimals": decimals,
        "log_digits": factor,
    }


def log_decimals(probe: Probe) -> int:
    """Digits after the point with which one step is written exactly in the log."""
    resolution = probe.quantity.resolution
    return next(n for n in range(8) if (resolution * 10**n).denominator == 1)


def _shown(circuit: Circuit, probe: Probe) -> dict[str, Any]:
    name = probe.use.name
    fields = {
        piece.field
        for display in rows.text_displays(circuit.build)
        for row in display.rows
        for piece in rows.segments(row, circuit.build)
        if piece.name == name
    }
    decimals = shown_decimals(probe.unit, probe.quantity)
    slope, shift, below = _scale(probe, decimals, probe.unit)
    count = probe.average
    now = _linear(f"probe_{name}.last", slope, shift)
    average = _linear(f"probe_{name}.sum", slope, shift * count)
    return {
        "name": name,
        "shows_now": "now" in fields,
        "shows_average": "average" in fields,
        "now_expression": now,
        "average_expression": average,
        "below": below,
        "count": count,
        "decimals": decimals,
    }


def _linear(variable: str, slope: int, shift: int) -> str:
    text = variable if slope == 1 else f"{variable} * {slope}L"
    return text if shift == 0 else f"{text} + {shift}L" if shift > 0 else f"{text} - {-shift}L"


def _bus(circuit: Circuit) -> dict[str, Any] | None:
    members = circuit.uses_talking("i2c")
    if not members:
        return None
    io_v = circuit.io_rail.volts
    limits = [circuit.in_max_v(use) for use in members]
    return {
        "hz": BUS_HZ,
        "io_v": f"{io_v:g}",
        "drop_pull_ups": any(limit is not None and limit < io_v for limit in limits),
    }


def _link(circuit: Circuit, link: SerialLink) -> dict[str, Any]:
    return {
        "name": link.use.name,
        "port": link.port,
        "rx": link.rx,
        "tx_code": link.tx.code if link.tx else circuit.board.core.unused_tx,
        "sends": link.tx is not None,
        "baud": int(link.use.figure("serial_baud")),
    }


def _control(circuit: Circuit, index: int) -> dict[str, Any]:
    entry = circuit.build.control[index]
    probe = circuit.build.probes[entry.by]
    known = control.settings(entry, probe)
    unit = probe.unit
    return {
        "drive": known.drive,
        "by": known.by,
        "rising": _flag(known.rising),
        "start_sum": known.start_sum,
        "stop_sum": known.stop_sum,
        "min_on_ms": known.min_on_ms,
        "min_off_ms": known.min_off_ms,
        "max_on_ms": known.max_on_ms or 0,
        "run_on_ms": known.run_on_ms,
        "rests_when_silent": _flag(known.rests_when_silent),
        "silent_after_ms": known.silent_after_ms,
        "start": f"{decimal(entry.start_at)} {unit}",
        "stop": f"{decimal(entry.stop_at)} {unit}",
        "count": probe.average,
        "hands": _last_hand([hand.use.name for hand in circuit.build.hands_on(entry.drive)]),
        "heats": _flag(hands.heats(circuit.build, entry.drive)),
    }


def _hands(build: Build) -> list[dict[str, Any]]:
    """The hand controls, each linked to the one before it on its load."""
    made = []
    for name, hand in build.hands.items():
        mine = [other.use.name for other in build.hands_on(hand.commands)]
        before = _last_hand(mine[: mine.index(name)])
        spent = hands.spent(hand)
        made.append({"name": name, "load": hand.commands, "next": before, "spent": spent})
    return made


def _last_hand(names: list[str]) -> str:
    return f"&hand_{names[-1]}" if names else "0"


def _flag(value: bool) -> str:
    return "true" if value else "false"


def display_scene(circuit: Circuit, display: Display, maker: str) -> dict[str, Any]:
    """A display's rows and what ``maker``, its part's own text, makes of it."""
    build, use = circuit.build, display.use
    return {
        "name": use.name,
        "columns": int(use.figure("columns_count")),
        "rows": [
            [_piece(piece, use) for piece in rows.segments(row, build)]
            for row in _all_rows(display)
        ],
        "maker": maker,
    }


def _all_rows(display: Display) -> list[str]:
    blank = [""] * int(display.use.figure("rows_count"))
    return [*display.rows, *blank][: len(blank)]


def _piece(piece: rows.Segment, use: Use) -> str:
    if piece.field == "load":
        return f'put(load_{piece.name}.on ? F("on") : F("off"));'
    if piece.field in ("now", "average"):
        return f"show{piece.field.capitalize()}_{piece.name}();"
    codes, _ = rows.encode(piece.text, use.part)
    return f"put(F({escapes.literal(codes)}));"


def _lamps(circuit: Circuit) -> list[dict[str, Any]]:
    lamps = [d for d in circuit.build.displays.values() if d.use.part.shows == "lamp"]
    return [
        {"name": d.use.name, "follows": d.follows, "pin": alarm_pin(circuit, d.use)} for d in lamps
    ]


def _alarms(circuit: Circuit) -> list[dict[str, Any]]:
    """The alarms, each with what raises it; a probe without control counts once it is warm."""
    build = circuit.build
    drives = [entry.drive for entry in build.control]
    conditions = {
        "no-reading": [
            *(f"control_{drive}.silent" for drive in drives),
            *(f"(probe_{name}.warm && probe_{name}.lapsed())" for name in build.unheard()),
        ],
        "forced-rest": [f"control_{drive}.forced" for drive in drives],
    }
    return [
        {
            "name": alarm.use.name,
            "pin": alarm_pin(circuit, alarm.use),
            "condition": " || ".join(c for when in alarm.when for c in conditions[when]) or "false",
            "beep": _beep(alarm.use),
            "tone_hz": round(alarm.use.figure("tone_hz")) if _sounds(alarm.use) else None,
        }
        for alarm in build.alarms.values()
    ]


def _sounds(use: Use) -> bool:
    """Whether the core must make the square wave that a part turns into sound."""
    return any(terminal.wave == "tone" for terminal in use.part.signals())


def _beep(use: Use) -> dict[str, int] | None:
    """How an alarm sounds in short beeps, when its table has them; None for a steady one."""
    if not {"beep_ms", "beep_every_ms"} <= use.figures.keys():
        return None
    return {"ms": round(use.figure("beep_ms")), "every_ms": round(use.figure("beep_every_ms"))}


def alarm_pin(circuit: Circuit, use: Use) -> Pin:
    """The pin that drives a lamp or a sounder."""
    terminal = next(t for t in use.part.signals() if t.needs == "digital-out")
    wire = circuit.wire(use, terminal.name)
    assert wire is not None
    assert wire.pin is not None
    return wire.pin
