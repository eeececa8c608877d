"""What can hurt in a build, said where the reader acts.  Nothing that the build does not have."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import bench
from buildkit.bench import short
from buildkit.bill import figure
from buildkit.circuit import Circuit

_MAINS = (
    "This page is no licence. Your local code decides, and where it says so a licensed "
    "electrician does the mains side or looks it over before it is powered.",
    "Unplug, and prove dead with a meter that you have just proved on a live socket, before you "
    "touch anything on the mains side. Off is not unplugged.",
    "The fuse comes first and sits in the {live} conductor, before everything else. {upstream}",
    "Bond every metal box, plate and heat sink to {earth}.",
    "Keep the two sides apart: low-voltage wires never run beside, or under one cover with, "
    "mains wires and mains terminals.",
    "Relays weld shut and solid-state relays fail shorted: some day the load will stay on. What "
    "must not happen then has to be prevented by something that is not this board.",
)
# What protects the house's wiring, and not this box.  Common practice, no source; BS 1362, BS 1363.
_UPSTREAM = {
    "us": "The breaker of the room (15 or 20 A) protects the wires in the wall, not this box.",
    "uk": "In a plug of BS 1363 that is the fuse of the plug (BS 1362): fit the rating from the "
    "list, not the 13 A it came with. The breaker of the ring (32 A) does not protect this box.",
}
_UPSTREAM_ELSEWHERE = (
    "The breaker of the room (mostly 16 A) protects the wires in the wall, not this box."
)
_SEMICONDUCTOR = (
    "A solid-state relay is no disconnect: when off it still leaks, up to {ma} mA here, and its "
    "load terminal can show the full mains voltage."
)
_TWO_LIVES = (
    "At {volts} V in the US both conductors are hot (live) and there is no neutral. One fuse and one "
    "switch leave the other conductor live at the load: have an electrician fit a fuse and a "
    "disconnect in both. A terminal marked N takes the second hot conductor."
)
_REVERSIBLE = (
    "A plug that fits both ways round swaps live and neutral: then fuse and switch sit in the "
    "neutral, and the load is live while off. Use a plug or a fixed connection that cannot be "
    "turned where your code asks for it, and never trust off."
)
_COLOURS_CLASH = (
    "Black is ground on the low-voltage side and live on the mains side. Never let the two meet "
    "in one bundle, and sleeve the low-voltage black wires where they come near."
)


def cautions(circuit: Circuit) -> tuple[str, ...]:
    """What can hurt in this build, and nothing that it does not have."""
    found: list[str] = []
    loads = circuit.build.loads.values()
    if bench.has_mains(circuit):
        words = {
            "earth": bench.earth_word(circuit.build),
            "live": bench.live_word(circuit.build),
            "upstream": _UPSTREAM.get(bench.region(circuit.build), _UPSTREAM_ELSEWHERE),
        }
        found += [text.format(**words) for text in _MAINS]
        found += _switch_cautions(circuit)
        if bench.two_lives(circuit):
            found.append(_TWO_LIVES.format(volts=short(bench.mains_volts(circuit))))
        place = bench.region(circuit.build)
        found += [_COLOURS_CLASH] if place == "us" else []
        found += [_REVERSIBLE] if place in ("eu", "iec") else []
    for load in loads:
        if load.draws and load.draws.kind == "heater":
            found.append(
                f"{load.use.name} is a heater: it needs a cut-out of its own that opens without "
                "this board, and nothing that burns within its reach. Never leave it alone until "
                "all steps are passed."
            )
        if load.draws and load.draws.kind == "motor":
            found.append(
                f"{load.use.name} is a motor: it starts without warning, also after a power cut. "
                "Keep fingers, hair and cords out, and unplug before you reach in."
            )
    return tuple(found)


def _switch_cautions(circuit: Circuit) -> Iterable[str]:
    for load in circuit.build.loads.values():
        switching = load.use.part.switching
        leak = figure(load.use, "leakage_ma")
        if switching and switching.contact == "semiconductor" and circuit.on_mains(load):
            yield _SEMICONDUCTOR.format(ma=short(leak or 0.0))


def part_cautions(circuit: Circuit) -> tuple[str, ...]:
    """What the tables say about single parts, each with the name that it goes by here."""
    return tuple(
        f"{use.name}: {caution}" for use in circuit.build.uses() for caution in use.part.cautions
    )


def rewiring(circuit: Circuit) -> tuple[str, ...]:
    """What to do before wires are moved from one board to another."""
    mains = bench.has_mains(circuit)
    plug = "Unplug the mains and prove them dead, then take" if mains else "Take"
    after = " The mains side stays as it is, and covered." if mains else ""
    return (
        f"{plug} off USB and supply, before you move a wire.{after}",
        "Afterwards go through the proving steps of the new wiring list from the first on: another "
        "board has other levels, another reset and other pins beside each other.",
    )
