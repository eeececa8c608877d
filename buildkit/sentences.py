"""A control entry said back as one plain sentence, for ``check`` and the wiring page."""

from __future__ import annotations

from fractions import Fraction

from buildkit import hands
from buildkit.model import Build, Control, Hand
from buildkit.units import decimal


def say(entry: Control, build: Build) -> str:
    """What a control entry does, in one sentence with every number and unit in it."""
    probe = build.probes[entry.by]
    verb = "averages" if probe.average > 1 else "reads"
    level = "high" if entry.rising else "low"
    clauses = [
        f"it starts at {decimal(entry.start_at)} {probe.unit} "
        f"and stops at {decimal(entry.stop_at)} {probe.unit}",
    ]
    if entry.run_on_s:
        clauses.append(f"runs on for {duration(entry.run_on_s)} after that")
    clauses += _dwell(entry)
    if entry.max_on_s is not None:
        clauses.append(f"never runs longer than {duration(entry.max_on_s)} at a time")
    return (
        f"{entry.drive} runs while {entry.by} ({probe.quantity.about}) {verb} {level}: "
        f"{', '.join(clauses)}, and {_blind(entry)}.{_by_hand(entry.drive, build)}"
    )


def _by_hand(load: str, build: Build) -> str:
    """What the hand controls of a load do, as a sentence of its own; empty without any."""
    seen = " while there are readings" if hands.heats(build, load) else ""
    clauses = [_hand(hand, seen) for hand in build.hands_on(load)]
    return f" By hand: {'; '.join(clauses)}." if clauses else ""


def _hand(hand: Hand, seen: str) -> str:
    name = hand.use.name
    if hand.selector:
        return (
            f"{name} rests it in OFF whatever the reading, runs it in HAND{seen}, and leaves it "
            "to this in AUTO"
        )
    does = {
        "rest": "rests it whatever the reading",
        "toggle": f"rests it while it runs and runs it{seen} while it rests",
        "run-for": f"runs it for {duration(hand.for_s or 0.0)}{seen}",
    }[hand.does]
    return f"a press of {name} {does}, the next one gives it back"


def _dwell(entry: Control) -> list[str]:
    on, off = duration(entry.min_on_s), duration(entry.min_off_s)
    if entry.min_on_s and entry.min_off_s:
        return [f"stays on at least {on} and off at least {off}"]
    if entry.min_on_s:
        return [f"stays on at least {on}"]
    return [f"stays off at least {off}"] if entry.min_off_s else []


def _blind(entry: Control) -> str:
    does = "runs" if entry.if_no_reading == "on" else "rests"
    words = f"{does} when there is no reading for {duration(entry.no_reading_after_s)}"
    if entry.stuck_after_s is not None:
        words += f" or the reading has not changed for {duration(entry.stuck_after_s)}"
    return words


def duration(seconds: float) -> str:
    """Seconds as a person says them: ``90 s``, ``2 min``, ``1 h 30 min``, ``7 days``."""
    exact = Fraction(str(seconds))
    if exact < 120 and exact != 60:
        return f"{decimal(exact)} s"
    whole, left = divmod(exact, 86400)
    pieces = [f"{whole} day{'s' if whole != 1 else ''}"] if whole else []
    for length, unit in ((3600, "h"), (60, "min")):
        whole, left = divmod(left, length)
        pieces += [f"{whole} {unit}"] if whole else []
    return " ".join(pieces + ([f"{decimal(left)} s"] if left else []))
