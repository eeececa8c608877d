"""When not everything fits: who competes for which pins, and the least to give up.

The competition is a Hall violator: terminals that together may only have fewer
pins than they are (Hall, J. London Math. Soc. 10 (1935) 26), found as what the
alternating paths from an unseated terminal reach.  No terminal of such a set
is there for nothing: without any one of them the rest can be seated.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import lru_cache

from buildkit import seating
from buildkit.circuit import Spot, open_terminals
from buildkit.model import Build, Part, Refused, Use
from buildkit.records import dataclass
from buildkit.rewiring import rewired
from buildkit.search import SOFT, Item
from buildkit.seating import Problem
from buildkit.tables import Tables

_MOST_STEPS = 80  # of the search for the least to give up; beyond it the figure is an upper one
_BOARDS_NAMED = 3


@dataclass(frozen=True, slots=True)
class Shortage:
    """Terminals that cannot all be seated, and what would make the build fit.

    ``over`` is pins, current or lines (interrupt lines and timers behind pins).
    ``give_up`` are the parts to leave out;
    ``least`` is False where a smaller set could not be ruled out in time.
    ``any_of`` are the parts of which leaving out any single one is enough.
    """

    rivals: tuple[Spot, ...]
    pins: tuple[str, ...]
    over: str
    give_up: tuple[str, ...]
    least: bool
    any_of: tuple[str, ...] = ()

    @property
    def parts(self) -> tuple[str, ...]:
        """The parts that compete, in the order of the file."""
        return tuple(dict.fromkeys(name for name, _ in self.rivals))


def shortage_of(build: Build) -> Shortage | None:
    """The smallest competition that keeps a build from fitting; None when all its parts fit."""
    problem = seating.problem_of(build)
    _, left_out = seating.fitting(problem)
    if not left_out:
        return None
    rivals, pins, over = _conflict(problem, problem.items)
    give_up, least = _least(problem, tuple(item.name for item in left_out))
    shortage = Shortage(rivals, pins, over, give_up, least)
    return replace(shortage, any_of=_any_of(problem, shortage)) if len(give_up) == 1 else shortage


def _any_of(problem: Problem, shortage: Shortage) -> tuple[str, ...]:
    """The competing parts of which any one leaves room for all others."""
    return tuple(
        name
        for name in dict.fromkeys((*shortage.parts, *shortage.give_up))
        if seating.fit_together(problem, [i for i in problem.items if i.name != name])
    )


def _conflict(
    problem: Problem, items: Sequence[Item]
) -> tuple[tuple[Spot, ...], tuple[str, ...], str]:
    """The terminals of the smallest conflict found among items that do not fit together."""
    blocked = frozenset() if problem.table.soft_free else frozenset({SOFT})
    found = _hall(problem, items, blocked)
    if found is not None:
        return (*found, "pins")
    few = _smallest(problem, items)
    spots = tuple(want.spot for item in few for want in problem.wants[item.name])
    labels = {label for item in few for counts in item.counts for label in counts}
    roomy = replace(problem, table=replace(problem.table, groups=(), given_ma=()))
    over = "pins"
    if seating.fit_together(roomy, few):
        over = "current"
    elif any(want.claims for item in few for want in problem.wants[item.name]):
        over = "lines"
    return spots, _in_order(problem, labels), over


def _hall(
    problem: Problem, items: Sequence[Item], blocked: frozenset[str]
) -> tuple[tuple[Spot, ...], tuple[str, ...]] | None:
    """The smallest over-subscribed set by matching alone, or None when the matching is perfect."""
    spots: list[Spot] = []
    offers: list[Mapping[str, int]] = []
    for item in items:
        mine = problem.wants[item.name]
        for number, want in enumerate(mine):
            spots.append(want.spot)
            offers.append(item.counts[number])
    owner: dict[str, int] = {}
    best: tuple[set[int], set[str]] | None = None
    for number in range(len(offers)):
        seen: set[str] = set()
        if not _augment(offers, number, owner, seen, blocked):
            rivals = {number} | {owner[label] for label in seen}
            if best is None or len(rivals) < len(best[0]):
                best = rivals, seen
    if best is None:
        return None
    return tuple(spots[n] for n in sorted(best[0])), _in_order(problem, best[1])


def _augment(
    offers: Sequence[Mapping[str, int]],
    number: int,
    owner: dict[str, int],
    seen: set[str],
    blocked: frozenset[str],
) -> bool:
    for label in offers[number]:
        if label in seen or label in blocked:
            continue
        seen.add(label)
        if label not in owner or _augment(offers, owner[label], owner, seen, blocked):
            owner[label] = number
            return True
    return False


def _in_order(problem: Problem, labels: set[str]) -> tuple[str, ...]:
    """Pins in the order of the board, software serial last."""
    pins = [label for label in problem.ground.build.board.pins if label in labels]
    return (*pins, SOFT) if SOFT in labels else tuple(pins)


def _smallest(problem: Problem, items: Sequence[Item]) -> list[Item]:
    """Parts none of which can be taken away without the rest fitting."""
    few = list(items)
    for item in items:
        fewer = [other for other in few if other is not item]
        if not seating.fit_together(problem, fewer):
            few = fewer
    return few


def _least(problem: Problem, enough: tuple[str, ...]) -> tuple[tuple[str, ...], bool]:
    """The fewest parts to leave out, ``enough`` being known to do; and whether that is proven."""
    steps = [_MOST_STEPS]
    for size in range(1, len(enough)):
        if _short_by(problem, problem.items, size):
            continue
        found = _without(problem, problem.items, size, steps, set())
        if found is not None:
            return found, True
        if steps[0] <= 0:
            return enough, False
    return enough, True


def _without(
    problem: Problem,
    items: tuple[Item, ...],
    size: int,
    steps: list[int],
    tried: set[frozenset[str]],
) -> tuple[str, ...] | None:
    """So many parts to leave out that the rest fits: one of each conflict must go."""
    if _short_by(problem, items, size):
        return None
    if seating.fit_together(problem, items):
        return ()
    if size == 0 or steps[0] <= 0:
        return None
    rivals, _, _ = _conflict(problem, items)
    names = list(dict.fromkeys(name for name, _ in rivals))
    # The part that frees most goes first, and of equals the last of the file.
    order = {item.name: n for n, item in enumerate(items)}
    for name in sorted(names, key=lambda n: (-len(problem.wants[n]), -order[n])):
        fewer = tuple(item for item in items if item.name != name)
        key = frozenset(item.name for item in fewer)
        if key in tried:
            continue
        tried.add(key)
        steps[0] -= 1
        found = _without(problem, fewer, size - 1, steps, tried)
        if found is not None:
            return (name, *found)
    return None


def _short_by(problem: Problem, items: Sequence[Item], size: int) -> bool:
    """Whether the matching alone proves that leaving out ``size`` parts is not enough."""
    blocked = frozenset() if problem.table.soft_free else frozenset({SOFT})
    offers = [counts for item in items for counts in item.counts]
    owner: dict[str, int] = {}
    seated = sum(_augment(offers, n, owner, set(), blocked) for n in range(len(offers)))
    freed = sorted((len(item.counts) for item in items), reverse=True)[:size]
    return len(offers) - seated > sum(freed)


# --- what would help ---------------------------------------------------------


@lru_cache(maxsize=1)
def _own_tables() -> Tables:
    return Tables()


def boards_with_room(build: Build, tables: Tables | None = None, most: int = 0) -> list[str]:
    """Boards on which every terminal gets a pin and every part a rail, the smallest first.

    At ``most`` so many, or all when that is 0.  Whether all fit is asked, not
    where each would sit: that is the longer search.
    """
    known = tables or _own_tables()
    boards = []
    for board_id in known.board_ids():
        with suppress(Refused):  # a faulty table of the user's own is told where it is used
            boards.append(known.board(board_id))
    boards.sort(key=lambda board: (len(board.pins), board.id))
    fitting: list[str] = []
    for board in boards:
        if board.id != build.board.id and seating.all_fit(rewired(build, board)):
            fitting.append(board.id)
            if len(fitting) == most:
                break
    return fitting


def other_parts(build: Build, shortage: Shortage, tables: Tables | None = None) -> list[str]:
    """Sentences that name a bus part in place of each competing part, where there is one."""
    known = tables or _own_tables()
    taken = {use.address for use in build.uses() if use.part.talks == "i2c"}
    said: dict[str, str] = {}
    for use in build.uses():
        if use.name not in shortage.parts or use.part.talks == "i2c":
            continue
        for part_id in known.part_ids():
            part = known.part(part_id)
            if _replaces(build, use, part) and set(part.addresses) - taken:
                said.setdefault(
                    f"{use.part.id}>{part_id}", f"{part_id} on the I2C bus for {use.name}"
                )
    return list(said.values())


def _replaces(build: Build, use: Use, part: Part) -> bool:
    """Whether an I2C part does the same work as a use."""
    if part.talks != "i2c" or use.section not in part.roles:
        return False
    if use.section == "probes":
        return build.probes[use.name].quantity.name in part.quantities
    same = use.part.shows == part.shows == "text"
    sizes = ("columns_count", "rows_count")
    return same and all(
        part.figures[s].value >= use.figure(s)
        for s in sizes
        if s in use.figures and s in part.figures
    )


def says(build: Build, shortage: Shortage) -> str:
    """The competition in one phrase: which terminals want which pins."""
    rivals = _few([f"{name} {terminal}" for name, terminal in shortage.rivals])
    if shortage.over == "current":
        return f"{rivals} together overload every group of pins that is left"
    if shortage.over == "lines":
        return (
            f"{len(shortage.rivals)} terminals ({rivals}) need one each, and behind the pins lie "
            "fewer interrupt lines or timers than that"
        )
    if not shortage.pins:
        return f"{rivals} can have none of the pins"
    places = "pin" if len(shortage.pins) == 1 else "pins"
    return (
        f"{len(shortage.rivals)} terminals ({rivals}) compete for "
        f"{len(shortage.pins)} {places} ({_few(shortage.pins)})"
    )


def giving_up(shortage: Shortage) -> str:
    """The least to give up, as an advice."""
    if shortage.any_of:
        one_of = "one of " if len(shortage.any_of) > 1 else ""
        return f"Leave out {one_of}{_few(shortage.any_of)}"
    least = "at least" if shortage.least else "for instance"
    return f"Leave out {least} {len(shortage.give_up)} parts, such as {_few(shortage.give_up)}"


def _few(names: Sequence[str], most: int = 8) -> str:
    more = len(names) - most
    return ", ".join(names) if more <= 0 else f"{', '.join(names[:most])} and {more} more"


def helps(build: Build, shortage: Shortage, tables: Tables | None = None) -> list[str]:
    """What would help beside leaving out: other boards and other parts, each as an advice."""
    advice = []
    boards = boards_with_room(build, tables, _BOARDS_NAMED)
    if boards:
        advice.append(f"move the build to {' or '.join(boards)}, where all fit")
    else:
        advice.append("divide the work between two boards: no board of the tables has the room")
    others = other_parts(build, shortage, tables)
    if others and len(open_terminals(build)) > 1:
        advice.append(f"take {others[0]}")
    return advice
