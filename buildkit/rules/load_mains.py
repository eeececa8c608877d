"""Loads, second half: the mains around them, their fuse and copper, and what stops them at last."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit
from buildkit.model import Draws, Fault
from buildkit.rules import rule
from buildkit.rules.load import INDUCTIVE, is_dc, switched

MAINS_SHARE = 0.1  # IEC 60038, supply terminals: 10 % either way
CONTINUOUS = 1.25  # NEC 210.20(A), continuous loads; common practice elsewhere
FUSES_A = {
    "us": (1, 3, 6, 10, 15, 20, 25, 30),  # NEC 240.6(A)
    "uk": (3, 5, 13),  # BS 1362
    "iec": (1, 2, 4, 6.3, 10, 16, 20, 25, 32),  # IEC 60127-2 up to 6.3 A, IEC 60898-1 above
}
US_AWG = {15: 14, 20: 12, 30: 10}  # NEC 240.4(D), copper
# IEC 60364-5-52, the usual choice from its tables
IEC_MM2 = {10: 1.5, 16: 2.5, 20: 2.5, 25: 4.0, 32: 6.0}


def _region(circuit: Circuit, draws: Draws) -> str:
    mains = circuit.build.mains
    region = mains.region if mains is not None else "us" if draws.volts < 180 else "iec"
    return region if region in FUSES_A else "iec"


_CAUTIONS = (
    "Unplug and prove dead before touching; put a fuse first in the live conductor; bond all metal "
    "to earth; keep mains and low-voltage wires apart; a solid-state relay is no disconnect; relays "
    "weld and solid-state relays fail shorted; follow the local code, or have a licensed "
    "electrician do this side."
)


@rule("load.mains", "note", source="IEC 61140, 50 V limit for AC; IEC 60364-4-41; NEC article 110")
def mains(circuit: Circuit) -> Iterable[Fault]:
    """The build switches a voltage that kills.

    Why: above 50 V a touch can be the last. The tool checks the figures that
    it was given; it cannot see a loose strand or a missing earth.

    Wrong:
        draws: {volts: 230, amps: 2, kind: heater}   # and no 'mains' section

    Right:
        mains: {volts: 230, hz: 50, region: eu}
    """
    live = [load for load in circuit.build.loads.values() if circuit.on_mains(load)]
    draws = [load.draws for load in live if load.draws is not None]
    if not live:
        return
    section = circuit.build.mains
    add = (
        ""
        if section
        else "Add the 'mains' section, so that the wiring list names your conductors. "
    )
    yield Fault(
        section.at if section else draws[0].at,
        f"{', '.join(load.use.name for load in live)}: up to "
        f"{max(each.volts for each in draws):g} V behind the relay can kill",
        add + _CAUTIONS,
        {"volts": max(each.volts for each in draws), "loads": [load.use.name for load in live]},
    )


@rule("load.other-mains", "warning", source="IEC 60038, standard voltages, 10 % at the terminals")
def other_mains(circuit: Circuit) -> Iterable[Fault]:
    """The load is made for another mains than the build has.

    Why: a 120 V load on 230 V burns, a 230 V load on 120 V does not start and
    may burn as well.

    Wrong:
        mains: {volts: 230, hz: 50, region: eu}
        hood: {draws: {volts: 120, amps: 1, kind: motor}}

    Right:
        mains: {volts: 230, hz: 50, region: eu}
        hood: {draws: {volts: 230, amps: 0.5, kind: motor}}
    """
    section = circuit.build.mains
    for load, use, draws, _ in switched(circuit):
        if section is None or not circuit.on_mains(load):
            continue
        if abs(draws.volts - section.volts) > MAINS_SHARE * section.volts:
            yield Fault(
                draws.at,
                f"{use.name} is for {draws.volts:g} V, and the mains of this build have "
                f"{section.volts:g} V",
                "Correct the one that is mistaken, or choose a load for this mains.",
                {"load_v": draws.volts, "mains_v": section.volts},
            )


@rule(
    "load.switches-neutral",
    "error",
    source="IEC 60204-1, 9.4.3 and NEC 404.2(B): switches stand in the line conductor (from memory)",
)
def switches_neutral(circuit: Circuit) -> Iterable[Fault]:
    """A mains load is switched in its neutral.

    Why: with the neutral opened the load rests, and every part of it is still
    live: whoever changes the lamp or clears the fan touches the mains.

    Wrong:
        lamp: {draws: {volts: 230, amps: 0.5, kind: lamp}, switches: neutral}

    Right:
        lamp: {draws: {volts: 230, amps: 0.5, kind: lamp}, switches: live}
    """
    for load, use, draws, _ in switched(circuit):
        if load.switches == "neutral" and circuit.on_mains(load):
            yield Fault(
                use.place("switches"),
                f"{use.name} is switched in its neutral: at rest the whole of it stays at "
                f"{draws.volts:g} V to earth",
                "Have it rewired so that the switch sits in the live conductor behind the fuse, and "
                "write 'switches: live'.",
                {"volts": draws.volts, "conductor": load.switches},
            )


def _fuse_a(region: str, amps: float) -> float | None:
    return next((size for size in FUSES_A[region] if size >= CONTINUOUS * amps), None)


@rule(
    "load.fuse",
    "note",
    source="NEC 240.6(A) and 210.20(A); BS 1362; IEC 60127-2, IEC 60898-1 (from memory)",
)
def fuse(circuit: Circuit) -> Iterable[Fault]:
    """The fuse that usually goes before this load.

    Why: a fuse protects the wire, and sits first in the live conductor. It is
    chosen for a quarter more than the load draws for hours; slow ones let a
    motor start. The local code decides.

    Wrong:
        a 1.1 A fan behind nothing but the 16 A breaker of the room

    Right:
        a 1.1 A fan behind a 2 A slow fuse inside the box
    """
    for load, use, draws, _ in switched(circuit):
        region = _region(circuit, draws)
        size = _fuse_a(region, draws.amps)
        if not circuit.on_mains(load):
            continue
        slow = "" if draws.kind == "heater" or region == "uk" else "slow "
        says = (
            f"the usual {slow}fuse is {size:g} A" if size else "no usual appliance fuse is enough"
        )
        yield Fault(
            draws.at,
            f"{use.name} draws {draws.amps:g} A: {says}",
            "Put it first in the live conductor, and check it against the local code.",
            {"amps": draws.amps, "fuse_a": size, "region": region},
        )


@rule("load.conductor", "note", source="NEC 240.4(D); IEC 60364-5-52 (from memory)")
def conductor(circuit: Circuit) -> Iterable[Fault]:
    """The copper that usually goes behind a fuse of this load's size.

    Why: the wire must outlast its fuse. These are the usual sizes for copper;
    bundles, heat and long runs need more, and the local code decides.

    Wrong:
        a 16 A fuse before 1 mm2

    Right:
        a 16 A fuse before 2.5 mm2
    """
    for load, use, draws, _ in switched(circuit):
        region = _region(circuit, draws)
        size = _fuse_a(region, draws.amps)
        table: dict[int, float] = {**US_AWG} if region == "us" else IEC_MM2
        copper = next((table[a] for a in sorted(table) if size and a >= size), None)
        if copper is None or not circuit.on_mains(load):
            continue
        words = f"AWG {copper:g}" if region == "us" else f"{copper:g} mm2"
        yield Fault(
            draws.at,
            f"behind a fuse of {size:g} A, {use.name} is usually wired in {words} copper or thicker",
            "Check it against the local code: bundles, heat and length ask for more.",
            {"fuse_a": size, "copper": words, "region": region},
        )


@rule(
    "load.no-cutout",
    "error",
    source="common practice, no source; IEC 60335-1 clause 19 for the idea",
)
def no_cutout(circuit: Circuit) -> Iterable[Fault]:
    """A heater has no cut-out of its own.

    Why: relays weld and solid-state relays fail shorted; then the heater runs
    and no sketch can stop it. A thermal cut-out in its wire can.

    Wrong:
        mat: {draws: {volts: 230, amps: 0.4, kind: heater}}

    Right:
        mat:
          draws: {volts: 230, amps: 0.4, kind: heater}
          cutout: bimetal switch, opens at 45 degC, taped to the mat
    """
    for load, use, draws, switching in switched(circuit):
        if draws.kind == "heater" and load.cutout is None:
            how = "weld shut" if switching.contact == "metal" else "fail shorted"
            yield Fault(
                use.at,
                f"{use.name} is a heater of {draws.volts * draws.amps:.4g} W without a cut-out of its "
                f"own, and relays of this class {how}",
                "Put a thermal cut-out or fuse in the heater's wire, and name it with 'cutout:'.",
                {"watts": draws.volts * draws.amps, "contact": switching.contact},
            )


@rule("load.no-suppression", "note", source="common practice, no source: RC snubber or varistor")
def no_suppression(circuit: Circuit) -> Iterable[Fault]:
    """A coil or motor is switched by bare contacts.

    Why: each opening draws an arc, which wears the contact and sends a spike
    into every wire nearby; displays freeze from it.

    Wrong:
        a pump on a relay module, and nothing across it

    Right:
        a pump on a relay module, with an RC snubber for its voltage across it
    """
    for load, use, draws, switching in switched(circuit):
        if switching.contact == "metal" and draws.kind in INDUCTIVE:
            part = "a diode" if is_dc(circuit, draws) else "an RC snubber or varistor"
            yield Fault(
                draws.at,
                f"{load.use.name} is a {draws.kind} of {draws.amps:g} A on the bare contacts of {use.part.id}",
                f"Put {part} made for {draws.volts:g} V across the load, close to it.",
                {"amps": draws.amps, "volts": draws.volts, "kind": draws.kind},
            )
