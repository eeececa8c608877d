"""The nets of a circuit: everything that is joined by one wire or splice, once.

Read through ``Circuit.nets``; the circuit's own types are only named here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from buildkit.between import Passage
from buildkit.model import Build, Load, Use
from buildkit.records import dataclass

if TYPE_CHECKING:
    from buildkit.circuit import Circuit, Component, Spot, Wire


@dataclass(frozen=True, slots=True)
class End:
    """One end in a net: whose connection, and its label."""

    owner: str  # "board", a use, a component reference, or a mains item
    label: str


@dataclass(frozen=True, slots=True)
class Net:
    """Everything joined by one wire or splice.

    ``kind`` is ground, supply, signal, load (extra-low voltage, switched) or
    mains; ``volts`` is what a meter may find against its return.
    """

    name: str
    kind: str
    volts: float
    ends: tuple[End, ...]


_Key = tuple[int, str]  # rank among _LOW_KINDS, and name
_LOW_KINDS = {0: "ground", 1: "supply", 2: "signal"}


def low_nets(circuit: Circuit) -> list[Net]:
    """Grounds, supplies and signals."""
    ends: dict[_Key, list[End]] = {}
    net_of: dict[Spot, _Key] = {}
    for wire in circuit.wires:
        key = _net_key(wire)
        board_end = End("board", wire.label)
        if board_end not in ends.setdefault(key, []):
            ends[key].append(board_end)
        if not wire.terminal.joint:
            ends[key].append(End(*wire.spot))
        net_of[wire.spot] = key
    for load in circuit.build.loads.values():
        if is_low_side(circuit, load):
            ends.setdefault((0, "GND"), []).append(End(f"{load.use.name} supply", "-"))
    volts: dict[_Key, float] = {}
    for passage in circuit.passages.values():
        if passage.spot in net_of:
            volts[_cut(passage, ends, net_of)] = passage.part_side_v
    for use in circuit.build.uses():
        volts |= _inner(circuit, use, ends, net_of)
    for component in circuit.components:
        _add_component(component, ends, net_of)
    return [
        Net(
            key[1],
            _LOW_KINDS[key[0]],
            volts.get(key, _net_volts(circuit, key[1], key[0])),
            tuple(ends[key]),
        )
        for key in sorted(ends, key=lambda key: key[0])
    ]


def _inner(
    circuit: Circuit, use: Use, ends: dict[_Key, list[End]], net_of: dict[Spot, _Key]
) -> dict[_Key, float]:
    """Nets that a part has with its own extras only, and their volts."""
    feed = circuit.feed(use)
    found: dict[_Key, float] = {}
    for terminal in use.part.terminals.values():
        if terminal.kind == "inner":
            key = (2, f"{use.name} {terminal.name}")
            ends[key] = [] if terminal.joint else [End(use.name, terminal.name)]
            net_of[use.name, terminal.name] = key
            # A joint hangs on the pin's side; the other end of a coil is at its supply when off.
            off_v = feed.volts if feed is not None else circuit.io_rail.volts
            found[key] = circuit.io_rail.volts if terminal.joint else off_v
    return found


def is_low_side(circuit: Circuit, load: Load) -> bool:
    """Whether a load's supply has its minus on the board's ground, and its switch sits there."""
    switching = load.use.part.switching
    low_side = switching is not None and switching.low_side
    return low_side and load.draws is not None and not circuit.on_mains(load)


def _cut(passage: Passage, ends: dict[_Key, list[End]], net_of: dict[Spot, _Key]) -> _Key:
    """Cut a wire in two where a part sits in it; the key of the net on the part's side."""
    near, far = net_of[passage.spot], (2, " ".join(passage.spot))
    # A joint has no end of its own: what stands there follows with its net.
    ends[far] = [end for end in ends[near] if end == End(*passage.spot)]
    ends[near] = [end for end in ends[near] if end != End(*passage.spot)]
    net_of[passage.spot] = far
    name = passage.use.name
    for key, terminal in (
        (near, passage.terminal_at("board")),
        (far, passage.terminal_at("part")),
    ):
        net_of[name, terminal] = key
        if passage.kind == "shifter":
            ends[key].append(End(name, terminal))
    return far


def _net_key(wire: Wire) -> _Key:
    if wire.ground:
        return 0, "GND"
    if wire.rail is not None:
        return 1, wire.rail.name
    assert wire.pin is not None
    if wire.terminal.needs in ("i2c-sda", "i2c-scl"):
        return 2, wire.terminal.needs[4:].upper()
    return 2, f"pin {wire.pin.label}"


def _net_volts(circuit: Circuit, name: str, rank: int) -> float:
    if rank == 0:
        return 0.0
    if rank == 1:
        return circuit.board.rails[name].volts
    return circuit.io_rail.volts


def _add_component(
    component: Component,
    ends: dict[_Key, list[End]],
    net_of: dict[Spot, _Key],
) -> None:
    name = component.use.name
    if component.extra.leads:
        spots = {lead: (name, terminal) for lead, terminal in component.extra.leads.items()}
        if all(spot in net_of for spot in spots.values()):
            for lead, spot in spots.items():
                ends[net_of[spot]].append(End(component.ref, lead))
        return
    first, second = component.extra.between
    if (name, first) not in net_of:
        return
    near = net_of[name, first]
    if component.extra.series:
        # The wire is cut: board to resistor on one net, resistor to part on the next.
        if End(name, first) in ends[near]:
            ends[near].remove(End(name, first))
        ends[near].append(End(component.ref, "1"))
        ends[near[0], f"{component.ref} to {name} {first}"] = [
            End(component.ref, "2"),
            End(name, first),
        ]
    elif (name, second) in net_of:
        ends[near].append(End(component.ref, "1"))
        ends[net_of[name, second]].append(End(component.ref, "2"))


def load_nets(circuit: Circuit) -> list[Net]:
    """The switched side: one feed, one return and one switched wire a load.

    Mains loads share live, neutral and earth; a load on extra-low voltage has
    a supply of its own.
    """
    nets: list[Net] = []
    live, neutral, earth = [End("supply", "L"), End("fuse", "1")], [End("supply", "N")], []
    fused: list[End] = [End("fuse", "2")]
    on_mains = False
    for load in circuit.build.loads.values():
        if is_low_side(circuit, load):
            nets += _low_side_nets(circuit, load)
            continue
        feed, out = contacts(load.use)
        if load.draws is None or feed is None or out is None:
            continue
        name, volts = load.use.name, load.draws.volts
        body = f"{name} load"
        run = [End(name, out)]
        if load.cutout:
            # The cut-out sits in the switched wire, so that it works whatever the relay does.
            nets_through = [End(f"{name} cut-out", "1")]
            tail = [End(f"{name} cut-out", "2"), End(body, "L" if circuit.on_mains(load) else "+")]
        else:
            nets_through, tail = [End(body, "L" if circuit.on_mains(load) else "+")], []
        kind = "mains" if circuit.on_mains(load) else "load"
        nets.append(Net(f"{name} switched", kind, volts, (*run, *nets_through)))
        if tail:
            nets.append(Net(f"{name} behind cut-out", kind, volts, tuple(tail)))
        if circuit.on_mains(load):
            on_mains = True
            fused.append(End(name, feed))
            neutral.append(End(body, "N"))
            earth.append(End(body, "PE"))
        else:
            source = f"{name} supply"
            nets.append(
                Net(f"{name} fused", kind, volts, (End(f"{name} fuse", "2"), End(name, feed)))
            )
            nets.append(
                Net(f"{name} feed", kind, volts, (End(source, "+"), End(f"{name} fuse", "1")))
            )
            nets.append(Net(f"{name} return", kind, volts, (End(source, "-"), End(body, "-"))))
    if on_mains:
        volts = _mains_volts(circuit.build)
        nets.append(Net("live", "mains", volts, tuple(live)))
        nets.append(Net("fused live", "mains", volts, tuple(fused)))
        nets.append(Net("neutral", "mains", volts, tuple(neutral)))
        nets.append(
            Net("earth", "mains", 0.0, (End("supply", "PE"), End("metal parts", "PE"), *earth))
        )
    return nets


def _low_side_nets(circuit: Circuit, load: Load) -> list[Net]:
    """A load whose minus is switched: supply, fuse, cut-out, load, part; then ground."""
    assert load.draws is not None
    name, volts = load.use.name, load.draws.volts
    _, out = contacts(load.use)
    plus, minus = [End(f"{name} load", "+")], [End(f"{name} load", "-"), End(name, out or "-")]
    for component in circuit.components:
        if component.use is load.use and component.extra.kind == "diode":
            plus.append(End(component.ref, "cathode"))
            minus.append(End(component.ref, "anode"))
    fused = [End(f"{name} fuse", "2")]
    nets = [
        Net(f"{name} feed", "load", volts, (End(f"{name} supply", "+"), End(f"{name} fuse", "1")))
    ]
    if load.cutout:
        fused.append(End(f"{name} cut-out", "1"))
        plus.insert(0, End(f"{name} cut-out", "2"))
        nets.append(Net(f"{name} behind cut-out", "load", volts, tuple(plus)))
    else:
        fused += plus
    nets.append(Net(f"{name} fused", "load", volts, tuple(fused)))
    nets.append(Net(f"{name} switched", "load", volts, tuple(minus)))
    return nets


def _mains_volts(build: Build) -> float:
    if build.mains is not None:
        return build.mains.volts
    return max(load.draws.volts for load in build.loads.values() if load.draws is not None)


def contacts(use: Use) -> tuple[str | None, str | None]:
    """The feed and load contacts of a switching part, by terminal name."""
    by_kind = {t.contact: t.name for t in use.part.terminals.values() if t.contact}
    return by_kind.get("feed"), by_kind.get("load")
