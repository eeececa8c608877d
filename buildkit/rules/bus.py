"""The I2C bus: its pins, addresses, pull-ups and speed."""

from __future__ import annotations

from collections.abc import Iterable
from functools import partial

from buildkit import electrics
from buildkit.circuit import Circuit
from buildkit.model import Fault, Place, Rail, Use
from buildkit.records import dataclass
from buildkit.rules import rule

BUS_HZ = 100_000  # the sketch runs the bus in standard mode
LOW_V = 0.4  # UM10204 Table 10, VOL1 at 3 mA sink current
SINK_MA = 3.0  # UM10204 Table 10, IOL
RISE_S = 1000e-9  # UM10204 Table 11, tr in standard mode
PIN_F = 10e-12  # UM10204 Table 10, Ci, one pin of one part
LEAD_F_PER_M = 100e-12  # common practice, no source: two wires side by side
SHORT_LEAD_M = 0.2  # common practice, no source: a part without a cable entry
RESERVED = (*range(0x00, 0x08), *range(0x78, 0x80))  # UM10204 Table 4


def _i2c(circuit: Circuit) -> tuple[Use, ...]:
    return circuit.uses_talking("i2c")


def _apart(one: int, other: int) -> int:
    return abs(one - other)


def _address_place(use: Use) -> Place:
    return use.place("address")


@rule("bus.address-clash", "error", source="UM10204, NXP, rev 7, 3.1.10: an address is one device")
def address_clash(circuit: Circuit) -> Iterable[Fault]:
    """Two parts on the I2C bus have the same address.

    Why: both answer at once, their bits mix, and neither can be read.

    Wrong:
        front: {part: lcd1602-pcf8574, address: 0x27}
        back: {part: lcd1602-pcf8574, address: 0x27}

    Right:
        front: {part: lcd1602-pcf8574, address: 0x27}
        back: {part: lcd1602-pcf8574, address: 0x26}   # and its jumper A0 closed
    """
    first: dict[int, Use] = {}
    for use in _i2c(circuit):
        address = use.address
        if address is None:
            continue
        other = first.setdefault(address, use)
        if other is not use:
            taken = {u.address for u in _i2c(circuit)}
            near = sorted(use.part.addresses, key=partial(_apart, address))
            free = [f"0x{a:02X}" for a in near if a not in taken]
            yield Fault(
                _address_place(use),
                f"{use.name} has address 0x{use.address:02X}, which {other.name} has already",
                _other_address(circuit, use, other, free),
                {"address": use.address, "taken_by": other.name, "free": free},
            )


def _other_address(circuit: Circuit, use: Use, other: Use, free: list[str]) -> str:
    """What to do about two parts of one address; two probes may be two values of one sensor."""
    fix = (
        f"Set {use.name} to another address, in the file and by its jumpers: {', '.join(free[:6])}."
        if free
        else f"{use.name} has no other free address; choose another part."
    )
    probes = circuit.build.probes
    if use.part is not other.part or not {use.name, other.name} <= probes.keys():
        return fix
    values = [probes[each.name].quantity.name for each in (other, use)]
    if values[0] == values[1]:
        return fix
    return (
        f"Of one sensor a build reads one value. If both are the same {use.part.id}, leave out "
        f"{use.name} ({values[1]}) or {other.name} ({values[0]}), or fit a second sensor for one of "
        f"them. If they are two already: {fix[0].lower()}{fix[1:]}"
    )


@rule("bus.address-reserved", "error", source="UM10204, NXP, rev 7, 3.1.12, Table 4")
def address_reserved(circuit: Circuit) -> Iterable[Fault]:
    """An I2C address is one of those that the bus keeps for itself.

    Why: 0x00 to 0x07 and 0x78 to 0x7F have other meanings on the bus; no part
    answers there as a part.

    Wrong:
        panel: {part: lcd1602-pcf8574, address: 0x07}

    Right:
        panel: {part: lcd1602-pcf8574, address: 0x27}
    """
    for use in _i2c(circuit):
        if use.address in RESERVED:
            yield Fault(
                _address_place(use),
                f"address 0x{use.address:02X} of {use.name} is reserved by the bus itself",
                f"Give {use.name} one of {_offers(use)}.",
                {"address": use.address, "reserved": ["0x00-0x07", "0x78-0x7F"]},
            )


def _offers(use: Use) -> str:
    return ", ".join(f"0x{address:02X}" for address in use.part.addresses)


@rule("bus.address-not-offered", "error", source="the part's table, addresses")
def address_not_offered(circuit: Circuit) -> Iterable[Fault]:
    """A part is given an address that it cannot have.

    Why: the address of a part is built into it but for a jumper or two; at
    any other nobody answers. Printed eight-bit addresses are twice ours.

    Wrong:
        air: {part: sht3x, address: 0x46}

    Right:
        air: {part: sht3x, address: 0x45}
    """
    for use in circuit.build.uses():
        if use.address is None or use.address in (*use.part.addresses, *RESERVED):
            continue
        fix = f"Give {use.name} one of {_offers(use)}."
        if use.part.talks != "i2c":
            fix = f"Take the address out: {use.part.id} is no I2C part."
        yield Fault(
            _address_place(use),
            f"{use.part.id} cannot have address 0x{use.address:02X}, which {use.name} is given",
            fix,
            {"address": use.address, "offered": list(use.part.addresses)},
        )


@rule("bus.wrong-pins", "error", source="the board's table, pins: roles Wire.sda and Wire.scl")
def wrong_pins(circuit: Circuit) -> Iterable[Fault]:
    """An I2C terminal is not on the bus pin of the board.

    Why: the bus is a circuit inside the chip with two fixed pins. On any
    other pin nothing answers; swapped lines do not work either.

    Wrong:
        air: {part: sht3x, wires: {SDA: A5, SCL: A4}}   # swapped

    Right:
        air: {part: sht3x, wires: {SDA: A4, SCL: A5}}
    """
    for wire in circuit.signals():
        need = wire.terminal.needs or ""
        right = circuit.board.role_pin(f"Wire.{need[4:]}") if need.startswith("i2c-") else None
        if right is not None and wire.pin is not right:
            yield Fault(
                wire.at,
                f"{wire.name} is on pin {wire.label}, "
                f"and the bus has its {need[4:].upper()} on {right.label}",
                f"Wire it to {right.label}, or leave it out and that pin is chosen.",
                {"pin": wire.label, "bus_pin": right.label},
            )


@rule("bus.display-shares-probe", "warning", source="common practice, no source: one bus, one fate")
def display_shares_probe(circuit: Circuit) -> Iterable[Fault]:
    """A display sits on the same I2C bus as a probe.

    Why: a display that dies may hold the bus down, and the probe is silenced
    with it. The load then does what 'if_no_reading' says, so that this is
    safe, yet a display on other pins would keep the readings alive.

    Wrong:
        air: {part: sht3x}               # I2C
        panel: {part: lcd1602-pcf8574}   # the same bus

    Right:
        soil: {part: ds18b20}            # a wire of its own
        panel: {part: lcd1602-pcf8574}
    """
    probes = [use.name for use in _i2c(circuit) if use.section == "probes"]
    for use in _i2c(circuit):
        if use.section == "displays" and probes:
            yield Fault(
                use.at,
                f"{use.name} shares the I2C bus with {', '.join(probes)}: "
                "a dead display silences the probe",
                "Accept it if 'if_no_reading' is right for the load, or use a probe off the bus.",
                {"display": use.name, "probes": probes},
            )


def _bus_head(circuit: Circuit) -> Use:
    return _i2c(circuit)[0]


@dataclass(frozen=True, slots=True)
class _Piece:
    """One piece of the data line: the board's, or the one behind a level shifter."""

    pull_ups: tuple[tuple[Use, Rail, float], ...]
    uses: tuple[Use, ...]
    pins: int  # ends of parts and board on it

    @property
    def ohms(self) -> float:
        """All its pull-ups together."""
        return electrics.parallel_ohms(*(ohms for _, _, ohms in self.pull_ups))


def _pieces(circuit: Circuit) -> list[_Piece]:
    """The data line in pieces; the clock has the same, or level.* says that it has not."""
    far = [u for u in _i2c(circuit) if _shifted(circuit, u)]
    near = tuple(u for u in _i2c(circuit) if u not in far)
    pieces = [_Piece(circuit.bus_pull_ups(), near, 1 + len(near) + len(far))]
    return pieces + [_Piece(circuit.bus_pull_ups("sda", use), (use,), 2) for use in far]


def _shifted(circuit: Circuit, use: Use) -> bool:
    passage = circuit.bus_passage(use, "sda")
    return passage is not None and passage.kind == "shifter"


@rule("bus.pull-up-missing", "error", source="UM10204, NXP, rev 7, 3.1.1 and 7.1")
def pull_up_missing(circuit: Circuit) -> Iterable[Fault]:
    """No part on the I2C bus carries pull-up resistors.

    Why: the lines are only ever pulled low; a resistor brings them back. The
    ones inside the chip are many times too weak and stand in no specification.

    Wrong:
        # taken off
        panel: {part: lcd1602-pcf8574, own_figures: {module_pull_up_ohms: 1000000}}

    Right:
        panel: {part: lcd1602-pcf8574}   # 4.7 kilohms on its back
    """
    fed = all(circuit.feed(use) is not None for use in _i2c(circuit))
    if _i2c(circuit) and fed and not circuit.bus_pull_ups():
        names = ", ".join(use.name for use in _i2c(circuit))
        inside = circuit.board.figure("pull_up_min_ohms")
        yield Fault(
            _bus_head(circuit).at,
            f"nothing pulls the I2C lines of {names} up but the chip's own {inside / 1000:g} kilohms",
            "Fit 4.7 kilohms from SDA and from SCL to the supply of the parts, "
            "and say so with module_pull_up_ohms under own_figures of one of them.",
            {"parts": names, "inside_ohms": inside},
        )


@rule(
    "bus.pull-up-too-weak", "warning", source="UM10204, NXP, rev 7, 7.1, Rp(max) = tr/(0.8473 Cb)"
)
def pull_up_too_weak(circuit: Circuit) -> Iterable[Fault]:
    """The pull-ups of the I2C bus are too weak for the length of its wires.

    Why: wires and pins must be charged through the pull-up within 1000 ns.
    10 pF a pin and 100 pF a metre of cable are counted.

    Wrong:
        air: {part: sht3x}        # 10 kilohms
        cables: {air: {length_m: 5, awg: 24}}

    Right:
        air: {part: sht3x, own_figures: {module_pull_up_ohms: 2200}}
        cables: {air: {length_m: 3, awg: 24}}
    """
    cables = circuit.build.cables
    for piece in _pieces(circuit):
        if not piece.pull_ups:
            continue
        metres = sum(
            cables[u.name].length_m if u.name in cables else SHORT_LEAD_M for u in piece.uses
        )
        farads = PIN_F * piece.pins + LEAD_F_PER_M * metres
        most = electrics.pull_up_max_ohms(RISE_S, farads)
        if piece.ohms > most:
            # Beside those that are fitted; together they come to the greatest allowed at most.
            beside = electrics.preferred_below(1 / (1 / most - 1 / piece.ohms))
            long = (cables[u.name].at for u in piece.uses if u.name in cables)
            yield Fault(
                next(long, _bus_head(circuit).at),
                f"I2C pull-ups of {piece.ohms:.0f} ohms in all are too weak for {metres:g} m of "
                f"wire, about {farads * 1e12:.0f} pF: {most:.0f} ohms at most",
                f"Shorten the cables, or fit {beside:g} ohms (E24) more from SDA and from SCL to "
                "the same supply, and say what is then there with module_pull_up_ohms.",
                {"ohms": piece.ohms, "most_ohms": most, "farads": farads, "wire_m": metres,
                 "beside_ohms": beside},
            )  # fmt: skip


@rule(
    "bus.pull-up-too-strong", "error", source="UM10204, NXP, rev 7, 7.1, Rp(min) = (VDD - VOL)/IOL"
)
def pull_up_too_strong(circuit: Circuit) -> Iterable[Fault]:
    """The pull-ups of the I2C bus together are stronger than a part must be able to pull down.

    Why: a part need only sink 3 mA while keeping the line below 0.4 V. Each
    module brings its own pull-ups, and they add up.

    Wrong:
        panel: {part: lcd1602-pcf8574, own_figures: {module_pull_up_ohms: 1000}}

    Right:
        panel: {part: lcd1602-pcf8574}   # 4.7 kilohms
    """
    # Who pulls the line low sinks the pull-ups of every piece: the shifters conduct.
    pull_ups = [entry for piece in _pieces(circuit) for entry in piece.pull_ups]
    if not pull_ups:
        return
    volts = max(rail.volts for _, rail, _ in pull_ups)
    have = electrics.parallel_ohms(*(ohms for _, _, ohms in pull_ups))
    least = electrics.pull_up_min_ohms(volts, LOW_V, SINK_MA)
    if have < least:
        who = ", ".join(f"{u.name} {ohms:g} ohms{_whose(u)}" for u, _, ohms in pull_ups)
        single = electrics.preferred_above(least)
        yield Fault(
            min(pull_ups, key=lambda entry: entry[2])[0].at,
            f"I2C pull-ups of {have:.0f} ohms in all ({who}) are too strong at {volts:g} V: "
            f"{least:.0f} ohms at least",
            f"Take those of a module off and set its module_pull_up_ohms to 1000000, so that "
            f"{single:g} ohms (E24) or more are left in all.",
            {"ohms": have, "least_ohms": least, "volts": volts, "sink_ma": SINK_MA,
             "e24_ohms": single},
        )  # fmt: skip


def _whose(use: Use) -> str:
    return use.whose("pull_up_ohms" if use.section == "between" else "module_pull_up_ohms")


@rule("bus.too-fast", "error", source="the part's table, bus_hz, with its data sheet")
def too_fast(circuit: Circuit) -> Iterable[Fault]:
    """A part on the I2C bus is slower than the bus runs.

    Why: the sketch runs the bus at 100 kHz for all; a slower part misses bits
    and may hold the line for ever.

    Wrong:
        panel: {part: lcd1602-pcf8574, own_figures: {bus_hz: 10000}}

    Right:
        panel: {part: lcd1602-pcf8574}   # 100 kHz
    """
    for use in _i2c(circuit):
        if "bus_hz" in use.figures and use.figure("bus_hz") < BUS_HZ:
            hz = use.figure("bus_hz")
            yield Fault(
                use.at,
                f"{use.name} follows the bus up to {hz / 1000:g} kHz{use.whose('bus_hz')}, "
                f"and the sketch runs it at {BUS_HZ // 1000} kHz",
                "Choose a part that follows 100 kHz.",
                {"part_hz": hz, "bus_hz": BUS_HZ},
            )
