"""Timers, interrupt lines and pin-change groups: what a wire takes of the chip beside its pin.

A claim names one thing of the chip and how it is used.  Two claims on one
thing go together when both use it in one way that can be shared: two PWM pins
of one timer at one frequency do, two at different ones do not.  Which timers
the core's own services take is said in the board's table, ``core.takes``.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Literal

from buildkit.circuit import Circuit, SerialLink, Wire
from buildkit.model import Board, Pin, Terminal, Use
from buildkit.records import dataclass

Kind = Literal["timer", "line"]

ALWAYS = ("millis", "watchdog")  # services that every sketch has
OWN_PWM = "the core's own PWM"  # frequency of analogWrite() where nobody sets another
ALONE = ""  # the way of use that nobody shares

_WORDS = {
    "millis": "for its clock, millis()",
    "watchdog": "for its watchdog",
    "tone": "for a square wave",
    "servo": "for servo pulses",
    "pwm": "for PWM",
    "soft-serial": "for software serial",
}


@dataclass(frozen=True, slots=True)
class Claim:
    """One thing of the chip, the way it is used (``ALONE`` when never shared), and what for."""

    kind: Kind
    on: str
    how: str
    why: str

    def bears(self, other: Claim) -> bool:
        """Whether both can stand together."""
        return self.on != other.on or (self.how == other.how and self.how != ALONE)


@dataclass(frozen=True, slots=True)
class Held:
    """A claim in a circuit, and whose it is; ``wire`` is None for the sketch itself."""

    claim: Claim
    who: str
    wire: Wire | None = None


def of_pin(board: Board, use: Use, terminal: Terminal, pin: Pin) -> Iterator[Claim]:
    """What a terminal claims by sitting on this pin."""
    if terminal.needs == "interrupt" and pin.interrupt is not None:
        yield Claim("line", f"interrupt line {pin.interrupt}", ALONE, "for its interrupt")
    if terminal.needs == "pin-change" and pin.change_group is not None:
        yield Claim("line", _group(pin.change_group), ALONE, "for its pin-change interrupt")
    taking = board.core.takes.get("pwm")
    free_choice = taking is not None and bool(taking.frequencies)
    if terminal.needs == "pwm" and pin.timer is not None and not free_choice:
        how, why = pwm_way(use)
        yield Claim("timer", pin.timer, how, why)
        # Two pins of one channel have one duty, its complement included: TIM1_CH1 and TIM1_CH1N.
        yield Claim("timer", f"channel {(pin.pwm or '').removesuffix('N')}", ALONE, why)


def pwm_way(use: Use) -> tuple[str, str]:
    """At what frequency a part is dimmed: as a way of use, and in words."""
    if "pwm_hz" not in use.figures:
        return OWN_PWM, "for PWM"
    hz = use.figure("pwm_hz")
    return f"PWM at {hz:g} Hz", f"for PWM at {hz:g} Hz"


def of_terminal(board: Board, terminal: Terminal) -> Iterator[Claim]:
    """What a terminal claims on whatever pin it sits."""
    if terminal.wave is not None:
        yield from of_service(board, terminal.wave)
    if terminal.needs == "pwm":
        yield from of_service(board, "pwm")


def of_service(board: Board, name: str) -> Iterator[Claim]:
    """What a service of the core takes."""
    taking = board.core.takes.get(name)
    if taking is None:
        return
    why = _WORDS[name]
    how = OWN_PWM if taking.bears_pwm else ALONE if name in ALWAYS else name
    for timer in taking.timers:
        yield Claim("timer", timer, how, why)
    if taking.at_once == 1:
        yield Claim("timer", f"the core's one {name} generator", ALONE, why)
    if taking.pin_change:
        for group in change_groups(board):
            yield Claim("line", _group(group), how, why)


def change_groups(board: Board) -> list[int]:
    """The pin-change groups of a board."""
    found = {pin.change_group for pin in board.pins.values()}
    return sorted(group for group in found if group is not None)


def _group(number: int) -> str:
    return f"pin-change vector {number}"


def is_soft(link: SerialLink) -> bool:
    """Whether software listens to a serial part."""
    return link.port is None and link.rx is not None and link.rx.soft_rx


def held(circuit: Circuit) -> Iterator[Held]:
    """Every claim of the sketch itself, then of the wires in their order."""
    board = circuit.board
    for service in ALWAYS:
        for claim in of_service(board, service):
            yield Held(claim, "the sketch itself")
    soft = [link.use.name for link in circuit.serial_links if is_soft(link)]
    for wire in circuit.signals():
        assert wire.pin is not None
        claims = [*of_terminal(board, wire.terminal)]
        claims += of_pin(board, wire.use, wire.terminal, wire.pin)
        if wire.terminal.needs == "uart-rx" and wire.use.name in soft:
            claims += of_service(board, "soft-serial")
        yield from (Held(claim, wire.name, wire) for claim in claims)


def clashes(circuit: Circuit, kind: Kind) -> Iterator[tuple[Held, Held]]:
    """Pairs that cannot stand together, the earlier one first; each pair once."""
    before: list[Held] = []
    told: set[tuple[str, str]] = set()
    for one in held(circuit):
        if one.claim.kind != kind:
            continue
        for other in before:
            pair = other.who, one.who
            if one.wire is not None and pair not in told and not one.claim.bears(other.claim):
                told.add(pair)
                yield other, one
        before.append(one)


def tokens(claims: Iterable[Claim], ways: frozenset[str]) -> tuple[frozenset[str], frozenset[str]]:
    """Claims for the search: tokens that must be free, and tokens that nobody has after it.

    ``ways`` are all the ways of use that the terminals to be seated know.
    """
    needs = {f"{claim.on}|{claim.how}" for claim in claims}
    marks = {
        f"{claim.on}|{way}"
        for claim in claims
        for way in {*ways, ALONE}
        if way != claim.how or way == ALONE
    }
    return frozenset(needs), frozenset(marks)
