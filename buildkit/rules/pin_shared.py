"""Pins, third part: timers, interrupt lines and pin-change vectors that lie behind several of them."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import claims
from buildkit.circuit import Circuit, Wire
from buildkit.claims import Held
from buildkit.model import Fault, Pin
from buildkit.rules import rule
from buildkit.rules.pin import elsewhere

_NAMED = 8  # pins that a fix offers


def _free_of_clash(circuit: Circuit, wire: Wire) -> list[str]:
    """Pins without hazards that nobody has and on which a terminal clashes with nobody."""
    board, use, terminal = circuit.board, wire.use, wire.terminal
    others = [held.claim for held in claims.held(circuit) if held.who != wire.name]
    taken = circuit.by_pin()

    def bears(pin: Pin) -> bool:
        mine = [*claims.of_pin(board, use, terminal, pin), *claims.of_terminal(board, terminal)]
        return bool(mine) and all(claim.bears(other) for claim in mine for other in others)

    return [
        pin.label
        for pin in board.pins.values()
        if pin.label not in taken
        and not pin.hazards
        and board.pin_max_v(pin) >= board.pin_max_v(wire.pin)
        and bears(pin)
    ]


def _whose(first: Held, second: Held) -> str:
    """Who has what two want, and what for where that differs."""
    has = f"{first.who} has it already" if first.wire is not None else f"{first.who} keeps it"
    return has if first.claim.why == second.claim.why else f"{has} {first.claim.why}"


def _numbers(circuit: Circuit, first: Held, second: Held, free: list[str]) -> dict[str, object]:
    return {
        "shared": second.claim.on,
        "taken_by": first.who,
        "terminal": second.who,
        "pin": second.wire.label if second.wire is not None else "",
        "free": free,
    }


@rule(
    "pin.timer-clash",
    "error",
    source="the board's table, core takes: each service of the core with its file",
)
def timer_clash(circuit: Circuit) -> Iterable[Fault]:
    """Two users of one timer want it to run in different ways.

    Why: PWM, square waves, servo pulses and the sketch's own clock run on a
    handful of timers. A timer has one frequency; who sets it last takes it
    from the other, which then falls silent, hums, or counts time wrong.

    Wrong:
        # the core makes one square wave at a time
        bell: {part: sounder-piezo, when: [no-reading]}
        chime: {part: sounder-piezo, when: [forced-rest]}

    Right:
        bell: {part: sounder-piezo, when: [no-reading]}
        chime: {part: buzzer, when: [forced-rest]}   # makes its own tone
    """
    for first, second in claims.clashes(circuit, "timer"):
        assert second.wire is not None
        free = _free_of_clash(circuit, second.wire)
        yield Fault(
            second.wire.at,
            f"{second.who} needs {second.claim.on} {second.claim.why}, and {_whose(first, second)}",
            _other_timer(second.wire, free),
            _numbers(circuit, first, second, free),
        )
    yield from _too_many_frequencies(circuit)


def _other_timer(wire: Wire, free: list[str]) -> str:
    if free:
        return f"Wire {wire.name} to one of {', '.join(free[:_NAMED])}, or leave it out."
    if wire.terminal.wave == "tone":
        return (
            f"Use a part that makes its own tone for {wire.use.name}, such as 'part: buzzer', or "
            "another board."
        )
    return f"Leave {wire.use.name} out, or choose a board with more timers."


def _too_many_frequencies(circuit: Circuit) -> Iterable[Fault]:
    """Where any pin takes any timer of the PWM unit: one frequency too many."""
    taking = circuit.board.core.takes.get("pwm")
    most = taking.frequencies if taking is not None else 0
    dimmed = [wire for wire in circuit.signals() if wire.terminal.needs == "pwm"] if most else []
    tone = circuit.board.core.takes.get("tone")
    sounds = any(wire.terminal.wave == "tone" for wire in circuit.signals())
    # A square wave that has no timer of its own is made by the same unit.
    known = ["a square wave"] if sounds and tone is not None and not tone.timers else []
    for wire in dimmed:
        how, why = claims.pwm_way(wire.use)
        if how not in known and len(known) == most:
            yield Fault(
                wire.at,
                f"{wire.name} needs a timer {why}, and all {most} have other frequencies",
                f"Let {wire.use.name} run at a frequency that another part has, or leave it out.",
                {"most": most, "frequencies": known, "terminal": wire.name},
            )
        known += [how] if how not in known else []


@rule(
    "pin.change-vector-clash",
    "error",
    source="data sheets of the chips: external and pin-change interrupts (from memory); the cores' "
    "attachInterrupt and SoftwareSerial",
)
def change_vector_clash(circuit: Circuit) -> Iterable[Fault]:
    """Two terminals hang on one interrupt, which can serve one of them.

    Why: several pins share a line or vector inside the chip. The second to be
    set up takes it over, and the first is never heard again; software serial
    takes the pin-change vectors of all pins.

    Wrong:
        # on stm32f103-stick A8 and B8 are both line 8
        cold: {part: pulse-flow, wires: {OUT: A8}}
        warm: {part: pulse-flow, wires: {OUT: B8}}

    Right:
        cold: {part: pulse-flow, wires: {OUT: A8}}
        warm: {part: pulse-flow, wires: {OUT: B9}}
    """
    for first, second in claims.clashes(circuit, "line"):
        assert second.wire is not None
        assert first.wire is not None
        free = _free_of_clash(circuit, second.wire)
        yield Fault(
            second.wire.at,
            f"{second.who} on pin {second.wire.label} needs {second.claim.on} {second.claim.why}, and "
            f"{_whose(first, second)} on pin {first.wire.label}",
            f"Wire {second.who} to one of {', '.join(free[:_NAMED])}, or leave it out and one is chosen."
            if free
            else elsewhere(second.wire),
            _numbers(circuit, first, second, free),
        )
