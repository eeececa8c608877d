"""What the wiring list, the picture and the proving steps share.

The order of work, the names of ends, conductor colours and sizes, and numbers
as a builder reads them.  Colours: IEC 60445 (line brown, black or grey,
neutral blue, protective earth green-yellow); US usual practice after NFPA 70
(line black or red, neutral white, earth green or bare); both from memory.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from buildkit.circuit import MAINS_FROM_V, Circuit, End, Net
from buildkit.electrics import awg_area_mm2, conductor_ohms
from buildkit.model import Build

_KIND_ORDER = ("ground", "supply", "signal", "load", "mains")
# The mains side is wired from the load back to the supply, so that the plug comes last.
_MAINS_ORDER = {"earth": 0, "neutral": 1, "fused live": 3, "live": 4}
_SIGNAL_COLOURS = ("yellow", "violet", "orange", "pink", "turquoise")
_INVISIBLE = ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp")
WIRE_OHMS = 1.0  # common practice, no source: meter leads and a sound joint stay below


@dataclass(frozen=True, slots=True)
class Size:
    """A conductor size, by American gauge or metric, with the area it stands for."""

    text: str
    area_mm2: float


def visible(text: str) -> str:
    """Text on one line, with control and direction characters shown as U+XXXX."""
    shown = []
    for char in text:
        if char in "\n\r\t":
            shown.append(" ")
        elif unicodedata.category(char) in _INVISIBLE:
            shown.append(f"U+{ord(char):04X}")
        else:
            shown.append(char)
    return "".join(shown)


def short(value: float, digits: int = 3) -> str:
    """A number without idle zeros: 1.5, 14400, 0.25."""
    text = f"{value:.{digits}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text in ("-0", "") else text


def ohms(value: float) -> str:
    """Ohms with their usual prefix: 680 Ω, 4.7 kΩ, 1 MΩ."""
    for scale, sign in ((1e6, "MΩ"), (1e3, "kΩ")):
        if value >= scale:
            return f"{short(value / scale, 2)} {sign}"
    return f"{short(value, 1)} Ω"


def seconds(value: float) -> str:
    """A time with its unit; long ones in minutes or hours beside it."""
    text = f"{short(value)} s"
    if value >= 7200:
        return f"{text} ({short(value / 3600, 1)} h)"
    return f"{text} ({short(value / 60, 1)} min)" if value >= 120 else text


def work_order(circuit: Circuit) -> tuple[Net, ...]:
    """Every net in the order of work: grounds, supplies, signals, loads, mains."""

    def rank(net: Net) -> tuple[int, int]:
        inner = _MAINS_ORDER.get(net.name, 2) if net.kind == "mains" else 0
        return _KIND_ORDER.index(net.kind), inner

    return tuple(sorted(circuit.nets, key=rank))


def numbers(circuit: Circuit) -> dict[str, int]:
    """The number of every net on the wiring list, by its name."""
    return {net.name: index for index, net in enumerate(work_order(circuit), 1)}


def end_text(end: End) -> str:
    """An end as the page says it: ``board GND``, ``R1 lead 2``."""
    if end.owner.startswith("R") and end.owner[1:].isdigit():
        return f"{end.owner} lead {end.label}"
    if end.owner == "supply":
        return f"mains supply {end.label}"
    if end.label in ("1", "2") and end.owner.endswith(("fuse", "cut-out")):
        return f"{end.owner} terminal {end.label}"
    return f"{end.owner} {end.label}"


def region(build: Build) -> str:
    """Whose wording applies; ``iec`` where the build does not say."""
    return build.mains.region if build.mains else "iec"


def earth_word(build: Build) -> str:
    """Protective earth, in the words of the region."""
    return "equipment ground (protective earth)" if region(build) == "us" else "protective earth"


def socket_word(build: Build) -> str:
    """The protected socket, in the words of the region."""
    words = {
        "us": "a GFCI-protected receptacle (ground-fault, trips at 5 mA)",
        "uk": "an RCD-protected socket (residual-current, trips at 30 mA)",
    }
    return words.get(
        region(build), "a socket behind an RCD (residual-current device, trips at 30 mA)"
    )


def has_mains(circuit: Circuit) -> bool:
    """Whether anything in the build carries hazardous voltage."""
    return any(circuit.on_mains(load) for load in circuit.build.loads.values())


def mains_volts(circuit: Circuit) -> float:
    """The highest hazardous voltage of the build; 0 when there is none."""
    return max((net.volts for net in circuit.nets if net.kind == "mains"), default=0.0)


def two_lives(circuit: Circuit) -> bool:
    """Whether both conductors are live: 208 and 240 V in the US are line to line."""
    return region(circuit.build) == "us" and mains_volts(circuit) > 150


def colours(circuit: Circuit) -> dict[str, str]:
    """The suggested colour of every net, by its name."""
    free = list(_SIGNAL_COLOURS) + (
        ["blue", "brown"] if region(circuit.build) == "us" else ["white", "grey"]
    )
    found: dict[str, str] = {}
    signals = 0
    for net in circuit.nets:
        if net.kind == "signal":
            again = signals // len(free)
            found[net.name] = free[signals % len(free)] + (f", mark {again + 1}" if again else "")
            signals += 1
        else:
            found[net.name] = _power_colour(circuit, net)
    return found


def _power_colour(circuit: Circuit, net: Net) -> str:
    if net.kind == "ground":
        return "black"
    if net.kind == "supply":
        return "red" if net.name == circuit.io_rail.name else "orange, mark " + net.name
    if net.kind == "load":
        return "black" if net.name.endswith(" return") else "red, mark " + net.name.split()[-1]
    us = region(circuit.build) == "us"
    if net.name == "earth":
        return "green or bare" if us else "green-yellow"
    if net.name == "neutral":
        second = "red (second live)" if two_lives(circuit) else "white"
        return second if us else "blue"
    if net.name.endswith(("switched", "behind cut-out")):
        return ("black, mark switched" if two_lives(circuit) else "red") if us else (
            "brown, mark switched"
        )
    return "black" if us else "brown"


def net_amps(circuit: Circuit, net: Net) -> float:
    """The most that a net carries in normal work, amps."""
    if net.kind in ("load", "mains"):
        drawn = [
            load.draws.amps
            for load in circuit.build.loads.values()
            if load.draws is not None
            and (circuit.on_mains(load) == (net.kind == "mains"))
            and (net.name in _MAINS_ORDER or net.name.startswith(f"{load.use.name} "))
        ]
        return sum(drawn)
    if net.kind == "signal":
        return max((circuit.pin_ma(w) / 1000 for w in circuit.signals()), default=0.0)
    rails = circuit.board.rails.values()
    draws = {rail.name: sum(circuit.rail_draw_ma(rail).values()) / 1000 for rail in rails}
    if net.kind == "ground":
        return max(draws.values(), default=0.0)
    return draws[net.name]


# Amps up to which a size is suggested.  Common practice, no source, and on the cautious side of
# IEC 60335-1 table 11 and of NFPA 70 table 402.5 (both from memory); the local code decides.
_MM2_FOR_MAINS = ((6.0, 1.0), (10.0, 1.5), (16.0, 2.5), (20.0, 4.0))
_AWG_FOR_MAINS = ((6.0, 16), (10.0, 14), (16.0, 12), (20.0, 10))
_AWG_FOR_LOW = ((0.2, 24), (1.0, 22), (3.0, 20), (5.0, 18), (8.0, 16), (12.0, 14))


def size(circuit: Circuit, net: Net) -> Size:
    """The suggested conductor of a net."""
    amps = net_amps(circuit, net)
    us = region(circuit.build) == "us"
    if net.kind == "mains":
        if us:
            return _gauge(amps, _AWG_FOR_MAINS)
        area = next((mm2 for limit, mm2 in _MM2_FOR_MAINS if amps <= limit), None)
        return Size(f"{short(area)} mm²", area) if area else Size("by your electrician", 6.0)
    return _gauge(amps, _AWG_FOR_LOW)


def _gauge(amps: float, steps: tuple[tuple[float, int], ...]) -> Size:
    gauge = next((awg for limit, awg in steps if amps <= limit), None)
    if gauge is None:
        return Size("by your electrician", 6.0)
    area = awg_area_mm2(gauge)
    return Size(f"AWG {gauge} ({short(area, 2)} mm²)", area)


def continuity(circuit: Circuit, net: Net) -> str:
    """What a meter should find along a net, the cable's own ohms counted."""
    owners = {end.owner for end in net.ends}
    cables = [cable for name, cable in circuit.build.cables.items() if name in owners]
    if net.kind == "mains":
        cables = []
    most = WIRE_OHMS + max((conductor_ohms(c.length_m, c.area_mm2) for c in cables), default=0.0)
    return f"below {short(most, 1)} Ω"


def is_hazardous(volts: float) -> bool:
    """Whether a voltage is above the limit of extra-low voltage."""
    return volts >= MAINS_FROM_V
