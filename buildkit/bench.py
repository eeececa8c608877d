"""What the wiring list, the picture and the proving steps share.

The order of work, the names of ends, conductor colours and sizes, and numbers
as a builder reads them.  Colours: IEC 60445 (line brown, black or grey,
neutral blue, protective earth green-yellow); US usual practice after NFPA 70
(line black or red, neutral white, earth green or bare); both from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

from buildkit.circuit import Circuit, End, Net, is_low_side
from buildkit.electrics import awg_area_mm2, conductor_ohms
from buildkit.model import Board, Build, Cable
from buildkit.rules.load_mains import CONTINUOUS, FUSES_A, IEC_MM2, US_AWG

_KIND_ORDER = ("ground", "supply", "signal", "load", "mains")
# The mains side is wired from the load back to the supply, so that the plug comes last.
_MAINS_ORDER = {"earth": 0, "neutral": 1, "fused live": 3, "live": 4}
_SIGNAL_COLOURS = ("yellow", "violet", "orange", "pink", "turquoise")
US_LINE_TO_NEUTRAL_V = 150.0  # NFPA 70 250.20(B)(1), from memory: above it 208 and 240 V remain
WIRE_OHMS = 1.0  # common practice, no source: meter leads and a sound joint stay below


@dataclass(frozen=True, slots=True)
class Size:
    """A conductor size, by American gauge or metric, with the area it stands for."""

    text: str
    area_mm2: float


@dataclass(frozen=True, slots=True)
class Step:
    """One proof: do, expect, and what to look for when it is not so."""

    do: str
    expect: str
    if_not: str


@dataclass(frozen=True, slots=True)
class Stage:
    """Steps that belong to one state of the appliance, and what that state is."""

    title: str
    state: str
    steps: tuple[Step, ...]


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


def work_order(circuit: Circuit) -> tuple[Net, ...]:
    """Every net in the order of work: grounds, supplies, signals, loads, mains."""

    def rank(net: Net) -> tuple[int, int]:
        inner = _MAINS_ORDER.get(net.name, 2) if net.kind == "mains" else 0
        return _KIND_ORDER.index(net.kind), inner

    return tuple(sorted(circuit.nets, key=rank))


def numbers(circuit: Circuit) -> dict[str, int]:
    """The number of every net on the wiring list, by its name."""
    return {net.name: index for index, net in enumerate(work_order(circuit), 1)}


def printed(board: Board, label: str) -> str:
    """A label as it stands on the board: another name of a pin gives way to the printed one."""
    pin = board.pin(label)
    shown = any(label in header.labels for header in board.headers)
    return label if shown or pin is None else pin.label


def end_text(board: Board, end: End) -> str:
    """An end as the page says it: ``board GND``, ``R1 lead 2``."""
    if end.owner == "board":
        return f"board {printed(board, end.label)}"
    if end.owner[0] in "RDQ" and end.owner[1:].isdigit():
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


# Names of nets on the mains side where the region's word is another.
_NET_WORDS = {
    "us": {"live": "hot", "fused live": "fused hot", "earth": "equipment ground"},
    "other": {"earth": "protective earth"},
}


def net_word(build: Build, net: Net) -> str:
    """A net's name in the words of the region."""
    if net.kind != "mains":
        return net.name
    if net.name == "neutral" and region(build) == "us" and net.volts > US_LINE_TO_NEUTRAL_V:
        return "second hot"
    return _NET_WORDS.get(region(build), _NET_WORDS["other"]).get(net.name, net.name)


def live_word(build: Build) -> str:
    """The live conductor, in the words of the region."""
    return "hot (live)" if region(build) == "us" else "live"


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
    return region(circuit.build) == "us" and mains_volts(circuit) > US_LINE_TO_NEUTRAL_V


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
    return _mains_colour(circuit, net)


def _mains_colour(circuit: Circuit, net: Net) -> str:
    us, two = region(circuit.build) == "us", two_lives(circuit)
    if net.name == "earth":
        return "green, or bare" if us else "green-yellow"
    if net.name == "neutral":
        second = "red, mark second hot" if two else "white"
        return second if us else "blue"
    live = "black" if us else "brown"
    if net.name.endswith(("switched", "behind cut-out")):
        return "red" if us and not two else f"{live}, mark switched"
    return live


def net_amps(circuit: Circuit, net: Net) -> float:
    """The most that a net carries in normal work, amps."""
    if net.kind == "mains":
        return mains_amps(circuit)
    if net.kind == "load":
        loads = circuit.build.loads.items()
        return sum(o.draws.amps for n, o in loads if o.draws and net.name.startswith(f"{n} "))
    if net.kind == "signal":
        return max((circuit.pin_ma(w) / 1000 for w in circuit.signals()), default=0.0)
    rails = circuit.board.rails.values()
    draws = {rail.name: sum(circuit.rail_draw_ma(rail).values()) / 1000 for rail in rails}
    if net.kind == "ground":
        return max(draws.values(), default=0.0) + _returned_a(circuit)
    return draws[net.name]


def _returned_a(circuit: Circuit) -> float:
    """What loads whose minus is switched send back through the ground wires."""
    loads = [load for load in circuit.build.loads.values() if is_low_side(circuit, load)]
    return sum(load.draws.amps for load in loads if load.draws)


# Amps up to which a hook-up wire is suggested.  Common practice, no source.
_AWG_FOR_LOW = ((0.2, 24), (1.0, 22), (3.0, 20), (5.0, 18), (8.0, 16), (12.0, 14))


def mains_amps(circuit: Circuit) -> float:
    """What all loads on mains take together."""
    loads = circuit.build.loads.values()
    return sum(load.draws.amps for load in loads if load.draws and circuit.on_mains(load))


def fuse_a(circuit: Circuit) -> float | None:
    """The usual fuse before all mains loads together; None where no usual one is enough."""
    sizes = FUSES_A[region(circuit.build) if region(circuit.build) in FUSES_A else "iec"]
    return next((size for size in sizes if size >= CONTINUOUS * mains_amps(circuit)), None)


def size(circuit: Circuit, net: Net) -> Size:
    """The suggested conductor of a net; on mains the usual one behind the fuse."""
    if net.kind != "mains":
        amps = net_amps(circuit, net)
        return _gauge(next((awg for limit, awg in _AWG_FOR_LOW if amps <= limit), None))
    fuse = fuse_a(circuit)
    us = region(circuit.build) == "us"
    table: dict[int, float] = {**US_AWG} if us else IEC_MM2
    copper = next((table[a] for a in sorted(table) if fuse is not None and a >= fuse), None)
    if us or copper is None:
        return _gauge(None if copper is None else int(copper))
    return Size(f"{short(copper)} mm²", copper)


def _gauge(gauge: int | None) -> Size:
    if gauge is None:
        return Size("by your electrician", 6.0)
    area = awg_area_mm2(gauge)
    return Size(f"AWG {gauge} ({short(area, 2)} mm²)", area)


LENGTH_NOTE = (
    "Lengths that the build does not give: as short as it goes, up to 0.3 m (common practice, "
    "no source); measure along the way that the wire takes."
)
_SHORT = "up to 0.3 m"


def cable_at(circuit: Circuit, end: End) -> Cable | None:
    """The cable that the build gives for an end on the low-voltage side."""
    cable = circuit.build.cables.get(end.owner)
    wired = {wire.terminal.name for wire in circuit.wires if wire.use.name == end.owner}
    return cable if end.label in wired else None


def _cables(circuit: Circuit, net: Net) -> dict[str, Cable]:
    """The cables of a net by the part at their end."""
    if net.kind == "mains":
        return {}
    found = {end.owner: cable_at(circuit, end) for end in net.ends}
    return {name: cable for name, cable in found.items() if cable is not None}


def length(circuit: Circuit, net: Net) -> str:
    """How long each wire of a net is: its cable's length, or the length suggested."""
    cables = _cables(circuit, net)
    wires = len(net.ends) - 1 if len(net.ends) <= 2 else len(net.ends)
    if len(cables) == wires == 1:
        return f"{short(next(iter(cables.values())).length_m)} m"
    each = [f"{short(cable.length_m)} m to {name}" for name, cable in cables.items()]
    if not each:
        return _SHORT
    return ", ".join(each) + (f", else {_SHORT}" if len(each) < wires else "")


def continuity(circuit: Circuit, net: Net) -> str:
    """What a meter should find along a net, the cable's own ohms counted."""
    cables = _cables(circuit, net).values()
    most = WIRE_OHMS + max((conductor_ohms(c.length_m, c.area_mm2) for c in cables), default=0.0)
    return f"below {short(most, 1)} Ω"
