"""Control entries, second half: dwell times, and the longest run."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit.circuit import Circuit
from buildkit.model import Fault, Load
from buildkit.rules import rule
from buildkit.sentences import duration

SHORTEST_CYCLE_S = 60.0
SHORTEST_REST_S = 1.0


@rule(
    "control.short-cycle",
    "warning",
    source="common practice, no source: a start a minute at most for small motors and relay contacts",
)
def short_cycle(circuit: Circuit) -> Iterable[Fault]:
    """The dwell times let a motor or a relay switch more often than once a minute.

    Why: every start heats a motor's winding with its inrush, and every
    switching wears a contact. A common relay lasts some 100,000 switchings
    under load: at one each ten seconds that is twelve days.

    Wrong:
        min_on_s: 5
        min_off_s: 5

    Right:
        min_on_s: 60
        min_off_s: 60
    """
    for entry in circuit.build.control:
        worn = _worn(circuit.build.loads[entry.drive])
        on_s = max(entry.min_on_s, entry.run_on_s)
        cycle_s = on_s + entry.min_off_s
        if worn and cycle_s < SHORTEST_CYCLE_S:
            yield Fault(
                entry.place("min_off_s"),
                f"{entry.drive} may start again every {duration(cycle_s)}, too often for {worn}: "
                f"on at least {duration(on_s)}, off at least {duration(entry.min_off_s)}",
                f"Set min_on_s and min_off_s so that they add up to {duration(SHORTEST_CYCLE_S)} or more.",
                {"cycle_s": cycle_s, "shortest_cycle_s": SHORTEST_CYCLE_S},
            )


def _worn(load: Load) -> str:
    """What frequent switching wears out, in words; empty when nothing does."""
    if load.draws is not None and load.draws.kind == "motor":
        return "a motor"
    switching = load.use.part.switching
    return "a relay contact" if switching and switching.contact == "metal" else ""


@rule(
    "control.max-below-min",
    "error",
    source="common practice, no source: the longest is not below the least",
)
def max_below_min(circuit: Circuit) -> Iterable[Fault]:
    """The longest time on is shorter than the least time on.

    Why: max_on_s rests the load before min_on_s or run_on_s has passed, so
    one of the two numbers cannot be meant.

    Wrong:
        min_on_s: 600
        max_on_s: 60

    Right:
        min_on_s: 60
        max_on_s: 600
    """
    for entry in circuit.build.control:
        least_s, key = max((entry.min_on_s, "min_on_s"), (entry.run_on_s, "run_on_s"))
        if entry.max_on_s is not None and entry.max_on_s < least_s:
            yield Fault(
                entry.place("max_on_s"),
                f"max_on_s rests {entry.drive} after {duration(entry.max_on_s)}, "
                f"before its {key} of {duration(least_s)} is over",
                f"Set max_on_s above {key}, or {key} lower.",
                {"max_on_s": entry.max_on_s, key: least_s},
            )


@rule(
    "control.max-without-rest",
    "warning",
    source="the control semantics: max_on_s rests the load for min_off_s",
)
def max_without_rest(circuit: Circuit) -> Iterable[Fault]:
    """A longest run is set, but no rest that it leads to.

    Why: after max_on_s the load rests for min_off_s. Without that time it
    starts again at once, so the limit does nothing.

    Wrong:
        max_on_s: 3600

    Right:
        max_on_s: 3600
        min_off_s: 600
    """
    for entry in circuit.build.control:
        if entry.max_on_s is not None and entry.min_off_s < SHORTEST_REST_S:
            yield Fault(
                entry.place("max_on_s"),
                f"after {duration(entry.max_on_s)} on, {entry.drive} rests for "
                f"{duration(entry.min_off_s)}, so it starts again at once",
                "Set min_off_s to the rest that it needs, such as 600.",
                {"max_on_s": entry.max_on_s, "min_off_s": entry.min_off_s},
            )
