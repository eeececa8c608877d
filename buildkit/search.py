"""The search behind seating: exact, and with the same answer every time.

The parts are seated one after another in a fixed order.  Each tries its
placements from the best to the worst, and a placement stands when all parts
behind it can still be seated.  So the answer is the first in dictionary order:
no part gives up a better place for a part behind it, unless that one would
stay without.  What prunes the search is a bipartite matching of the open
terminals to the free pins (augmenting paths, after Kuhn, Naval Research
Logistics Quarterly 2 (1955) 83), counted once for each degree of harm.

The harm of all seats together is kept at its least first: the search runs
within a budget that grows from the bound of the matching (iterative deepening,
after Korf, Artificial Intelligence 27 (1985) 97).
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Mapping, Sequence

from buildkit.preference import wiring
from buildkit.records import dataclass, field

SOFT = "software serial"  # the one listener that software can be, counted as if it were a pin
NEVER = 10**9


@dataclass(frozen=True, slots=True)
class Group:
    """Pins whose currents add up against one limit, in one direction."""

    pins: frozenset[str]
    max_ma: float
    ways: frozenset[str]  # source, sink


@dataclass(frozen=True, slots=True)
class Seeker:
    """One terminal within a way of seating its part: harm and rank of each pin it may have."""

    name: str
    harm: Mapping[str, int]
    rank: Mapping[str, int]
    ma: float
    way: str
    # What more a pin takes: tokens that must be free, and tokens that nobody may have after it.
    claims: Mapping[str, tuple[frozenset[str], frozenset[str]]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Way:
    """One way to seat a part: on ordinary pins, on a serial port, by software serial."""

    seekers: tuple[Seeker, ...]
    harm: int = 0
    far: int = 0  # added to the length of the wiring: ways that come last whatever the pins
    blocks: frozenset[str] = frozenset()  # pins and tokens that nobody else may have
    soft: bool = False


@dataclass(frozen=True, slots=True)
class Item:
    """A part with open terminals and its ways; ``given`` are pins that it has already."""

    name: str
    ways: tuple[Way, ...]
    counts: tuple[Mapping[str, int], ...]  # for the matching: harm by pin, one map a terminal
    given: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, order=True)
class Placement:
    """Where a part sits.  The order of the fields is the order of the aims."""

    harm: int
    wiring: int
    rank: int
    ranks: tuple[int, ...]
    way: int
    pins: tuple[str, ...]

    @property
    def cost(self) -> tuple[int, int, int]:
        """Harm, length of wiring, rank: what two seatings are compared by."""
        return self.harm, self.wiring, self.rank


@dataclass(frozen=True, slots=True)
class Table:
    """What all parts share: places along the headers, current groups, free software serial."""

    at: Mapping[str, int]
    groups: tuple[Group, ...]
    given_ma: tuple[float, ...]  # what the build's own wires put on each group
    soft_free: bool


def solve(items: Sequence[Item], table: Table) -> list[Placement] | None:
    """The best seating of all items, or None when they do not fit together."""
    search = _Search(items, table)
    budget = search.bound(0, frozenset(), table.soft_free)
    if not search.bearable(0, table.given_ma):
        return None
    while budget < NEVER:
        search.start(budget)
        found = search.run(0, frozenset(), table.given_ma, table.soft_free, 0)
        if found is not None:
            return found
        budget = search.next_budget
    return None


class _Search:
    """One run; it holds what is the same at every depth."""

    def __init__(self, items: Sequence[Item], table: Table) -> None:
        self.items = items
        self.table = table
        self.tails = [[c for item in items[i:] for c in item.counts] for i in range(len(items) + 1)]
        self.levels = sorted({harm for counts in self.tails[0] for harm in counts.values()})
        self.seat_of: dict[int, str] = {}  # the last matching, to begin the next one with
        self.marks: dict[int, dict[str, int]] = {}
        self.failed: set[tuple[object, ...]] = set()
        self.currents = _currents(items)
        self.budget = 0
        self.next_budget = NEVER

    def start(self, budget: int) -> None:
        """Begin anew within a budget of harm."""
        self.budget, self.next_budget = budget, NEVER
        self.failed.clear()

    def run(
        self, index: int, used: frozenset[str], mas: tuple[float, ...], soft: bool, spent: int
    ) -> list[Placement] | None:
        """Seat the items from ``index`` on; None when that cannot be done within the budget."""
        if index == len(self.items):
            return []
        item = self.items[index]
        for placement in placements(item, used, self.table, soft):
            way = item.ways[placement.way]
            total = spent + placement.harm
            if total > self.budget:
                self.next_budget = min(self.next_budget, total)
                break  # harm comes first in their order
            then = self._add(mas, way, placement)
            if then is None or not self.bearable(index + 1, then):
                continue
            taken = used.union(placement.pins, way.blocks, _marked(way, placement.pins))
            soft_then = soft and not way.soft
            if self.failed and self._left(index + 1, taken, then, soft_then, total) in self.failed:
                continue
            least = self.bound(index + 1, taken, soft_then)
            if total + least <= self.budget:
                rest = self.run(index + 1, taken, then, soft_then, total)
                if rest is not None:
                    return [placement, *rest]
            else:
                self.next_budget = min(self.next_budget, total + least)
            self.failed.add(self._left(index + 1, taken, then, soft_then, total))
        return None

    def _add(
        self, mas: tuple[float, ...], way: Way, placement: Placement
    ) -> tuple[float, ...] | None:
        """Milliamps of each group with a placement added; None when one carries too much."""
        if not any(seeker.ma for seeker in way.seekers):
            return mas
        after = list(mas)
        for seeker, label in zip(way.seekers, placement.pins, strict=True):
            for number, group in enumerate(self.table.groups):
                if seeker.ma and label in group.pins and seeker.way in group.ways:
                    after[number] += seeker.ma
                    if after[number] > group.max_ma + 1e-9:
                        return None
        return tuple(after)

    def bearable(self, index: int, mas: tuple[float, ...]) -> bool:
        """Whether the groups may bear the items from ``index`` on: so many need so much each."""
        for way, (currents, reach) in self.currents[index].items():
            groups = [
                (group.max_ma - ma + 1e-9, reach & group.pins)
                for group, ma in zip(self.table.groups, mas, strict=True)
                if way in group.ways
            ]
            loose = len(reach.difference(*(pins for _, pins in groups)))
            for count, least in currents:
                room = sum(min(left // least, len(pins)) for left, pins in groups)
                if count > room + loose:
                    return False
        return True

    def _left(
        self, index: int, used: frozenset[str], mas: tuple[float, ...], soft: bool, spent: int
    ) -> tuple[object, ...]:
        """What is left to solve, but for names: the same key has the same outcome."""
        if index not in self.marks:
            self.marks[index] = self._marks(index)
        marks = self.marks[index]
        gone = sorted(marks[label] for label in used if label in marks)
        return index, tuple(gone), tuple(round(ma, 6) for ma in mas), soft, spent

    def _marks(self, index: int) -> dict[str, int]:
        """A number for each pin; pins of one number are the same to the items from ``index`` on."""
        counts = self.tails[index]
        blocks = [way.blocks for item in self.items[index:] for way in item.ways if way.blocks]
        seekers = [s for item in self.items[index:] for way in item.ways for s in way.seekers]
        claims = [seeker.claims for seeker in seekers if seeker.claims]
        numbers: dict[tuple[object, ...], int] = {}
        marks: dict[str, int] = {}
        for label in sorted(set().union(*counts, *blocks)):
            groups = tuple(n for n, group in enumerate(self.table.groups) if label in group.pins)
            harms = tuple(c.get(label, NEVER) for c in counts)
            serial = tuple(n for n, pins in enumerate(blocks) if label in pins)
            more = tuple(claim.get(label) for claim in claims)
            marks[label] = numbers.setdefault((groups, harms, serial, more), len(numbers))
        for token in sorted({t for claim in claims for needs, _ in claim.values() for t in needs}):
            marks[token] = numbers.setdefault((token,), len(numbers))
        return marks

    def bound(self, index: int, used: frozenset[str], soft: bool) -> int:
        """The least harm of the items from ``index`` on; NEVER when they surely do not fit."""
        counts = self.tails[index]
        if not counts:
            return 0
        blocked = used if soft else used | {SOFT}
        first = len(self.tails[0]) - len(counts)
        total, before, seated = 0, 0, 0
        for level in self.levels:
            total += (len(counts) - seated) * (level - before)
            before = level
            seated = matched(counts, blocked, level, self.seat_of, first)
            if seated == len(counts):
                return total
        return NEVER


def _marked(way: Way, pins: Sequence[str]) -> frozenset[str]:
    """The tokens that these pins of a way take, in the order of its seekers."""
    found: frozenset[str] = frozenset()
    for seeker, label in zip(way.seekers, pins, strict=False):
        if seeker.claims and label in seeker.claims:
            found |= seeker.claims[label][1]
    return found


_Currents = dict[str, tuple[list[tuple[int, float]], frozenset[str]]]


def _currents(items: Sequence[Item]) -> list[_Currents]:
    """From each item on, by direction: how many terminals need at least how much, and their pins."""
    needed: dict[str, tuple[list[float], frozenset[str]]] = {}
    found: list[_Currents] = [{}]
    for item in reversed(items):
        for seeker in item.ways[0].seekers if item.ways else ():
            if seeker.ma:
                mas, reach = needed.get(seeker.way, ([], frozenset()))
                reach = reach if reach.issuperset(seeker.harm) else reach.union(seeker.harm)
                needed[seeker.way] = sorted([*mas, seeker.ma], reverse=True), reach
        found.append({way: (_steps(mas), reach) for way, (mas, reach) in needed.items()})
    return found[::-1]


def _steps(mas: Sequence[float]) -> list[tuple[int, float]]:
    """For each different current, the heaviest first: how many are at least as heavy."""
    after = [*mas[1:], 0.0]
    return [
        (n, ma) for n, (ma, lighter) in enumerate(zip(mas, after, strict=True), 1) if ma > lighter
    ]


def matched(
    counts: Sequence[Mapping[str, int]],
    blocked: frozenset[str],
    level: int,
    seat_of: dict[int, str],
    first: int,
) -> int:
    """How many terminals get a pin each, of those with at most ``level`` of harm.

    ``seat_of`` is an earlier matching, terminals numbered from ``first``: what
    still holds of it is kept, and the new one is left there.
    """
    owner: dict[str, int] = {}
    homeless: list[int] = []
    for number, offers in enumerate(counts):
        label = seat_of.get(first + number, "")
        if (
            label
            and label not in blocked
            and label not in owner
            and offers.get(label, NEVER) <= level
        ):
            owner[label] = number
        else:
            homeless.append(number)

    def place(number: int, seen: set[str], tried: set[int]) -> bool:
        offers = counts[number]
        if id(offers) in tried:  # an equal terminal is on the way already
            return False
        tried.add(id(offers))
        for label, harm in offers.items():
            if harm <= level and label not in blocked and label not in owner:
                owner[label] = number
                return True
        for label, harm in offers.items():
            if harm > level or label in blocked or label in seen:
                continue
            seen.add(label)
            if place(owner[label], seen, tried):
                owner[label] = number
                return True
        return False

    lost = 0
    dead: tuple[set[str], set[int]] = (set(), set())  # nothing free is to be reached from there
    for number in homeless:
        seen, tried = set(dead[0]), set(dead[1])
        if not place(number, seen, tried):
            lost += 1
            dead = seen, tried
    seat_of.update((first + number, label) for label, number in owner.items())
    return len(counts) - lost


_Begun = tuple[int, int, int, tuple[int, ...], int, tuple[str, ...]]  # as Placement, and faster


def placements(item: Item, used: frozenset[str], table: Table, soft: bool) -> Iterator[Placement]:
    """Every placement of an item on pins that are not used, the best first.

    Best-first search over the terminals of the part.  The length of a wiring
    that is not complete counts one for each terminal to come, where each is
    sure to make it longer.
    """
    given = tuple(table.at[label] for label in item.given)
    heap: list[_Begun] = []
    for number, way in enumerate(item.ways):
        if (way.soft and not soft) or not used.isdisjoint(way.blocks):
            continue
        to_come = _sure(way, given) * (len(way.seekers) - 1)
        heapq.heappush(heap, (way.harm, way.far + wiring(given) + to_come, 0, (), number, ()))
    while heap:
        best = heapq.heappop(heap)
        way = item.ways[best[4]]
        if len(best[5]) == len(way.seekers):
            yield Placement(*best)
        else:
            _lengthen(heap, best, way, used, table, given)


def _sure(way: Way, given: tuple[int, ...]) -> int:
    """What each further terminal adds at least: 1 where all stand in the order of the header."""
    return int(not given and all(s.harm is way.seekers[0].harm for s in way.seekers))


def _lengthen(
    heap: list[_Begun],
    begun: _Begun,
    way: Way,
    used: frozenset[str],
    table: Table,
    given: tuple[int, ...],
) -> None:
    """Push a placement with one more terminal seated, for each pin that it may have."""
    harms, _, ranks_sum, ranks, number, pins = begun
    seeker = way.seekers[len(pins)]
    line = [*given, *(table.at[label] for label in pins)]
    # Terminals that differ in name only sit in the order of the header.
    ordered = pins and way.seekers[len(pins) - 1].harm is seeker.harm
    least_at = line[-1] if ordered else -1
    to_come = _sure(way, given) * (len(way.seekers) - len(pins) - 1)
    if seeker.claims:
        used = used | _marked(way, pins)
    for label, harm in seeker.harm.items():
        at = table.at[label]
        if label in used or label in pins or at <= least_at:
            continue
        if label in seeker.claims and not used.isdisjoint(seeker.claims[label][0]):
            continue
        length = way.far + (wiring([*line, at]) if line else 0) + to_come
        rank = seeker.rank[label]
        heapq.heappush(
            heap, (harms + harm, length, ranks_sum + rank, (*ranks, rank), number, (*pins, label))
        )
