"""Pins for the terminals that a build leaves open.

The aims, in this order: as many parts as possible, those first in the file
before the others; the least harm (see ``wants``); short wiring, so that the
terminals of one part lie side by side; and peace: the same build gets the same
pins, and a part that is added takes none from one that has its seat, unless it
would find no harmless pin otherwise (see ``preference`` and ``search``).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from buildkit import claims, preference, wants
from buildkit.circuit import Circuit, Seat, Spot, connect, open_terminals, wanted
from buildkit.model import Build, Pin
from buildkit.records import dataclass
from buildkit.search import NEVER, SOFT, Group, Item, Placement, Seeker, Table, Way, matched, solve
from buildkit.wants import Ground, Want

# The order of the search: what has the least choice comes first.
_RANK = ("uart-rx", "uart-tx", "adc", "interrupt", "pwm")
_SEVERAL, _SINGLE = 10, 20
_SOFT_FAR = 1000  # software serial comes after every port, however far the port's pins lie apart


@dataclass(frozen=True)
class Problem:
    """The open terminals of a build, made ready for the search."""

    ground: Ground
    table: Table
    items: tuple[Item, ...]  # in the order of the file
    wants: Mapping[str, tuple[Want, ...]]  # by the name of the part


def seat(build: Build) -> Circuit:
    """The circuit of a build with every open terminal seated as far as pins go.

    The pins that the build names stay; ``Circuit.unseated`` has the terminals
    that found none, ``Circuit.why_unseated`` the reason for each.
    """
    problem = problem_of(build)
    chosen, left_out = fitting(problem)
    seats, why_not = _bus_seats(build)
    needs = {want.need for part in problem.wants.values() for want in part}
    lost = {need: preference.wastes(build.board, need) for need in needs}
    for item, placement in chosen:
        for want, label in zip(problem.wants[item.name], placement.pins, strict=True):
            pin = build.board.pins[label]
            seats[want.spot] = Seat(label, _why(item, placement, want, pin, lost))
    for item in left_out:
        for want in problem.wants[item.name]:
            why_not[want.spot] = _why_not(build, want)
    return connect(build, seats, why_not)


def problem_of(build: Build) -> Problem:
    """The open terminals of a build as a search problem."""
    ground = wants.ground_of(build)
    by_part = wants.by_part(wants.wants_of(ground)) if open_terminals(build) else {}
    ways = frozenset(
        claim.how
        for part in by_part.values()
        for want in part
        for found in want.claims.values()
        for claim in found
    )
    at = preference.places(build.board)
    homes = preference.homes(build.board)
    maps: _Maps = {}
    items = tuple(_item(ground, part, homes, maps, ways) for part in by_part.values())
    groups = tuple(
        Group(
            frozenset(p.label for p in build.board.pins.values() if p.port in group.pins),
            group.max_ma,
            frozenset({"source", "sink"} if group.direction == "both" else {group.direction}),
        )
        for group in build.board.groups
    )
    table = Table(at, groups, _given_ma(ground, groups), not ground.soft_taken)
    return Problem(ground, table, items, {name: tuple(part) for name, part in by_part.items()})


def fitting(problem: Problem) -> tuple[list[tuple[Item, Placement]], list[Item]]:
    """The parts that fit, each with its placement, and those that do not."""
    items = list(problem.items)
    found = solve(_ordered(problem, items), problem.table)
    if found is None:
        items = _first_that_fit(problem)
        found = solve(_ordered(problem, items), problem.table)
    assert found is not None
    chosen = list(zip(_ordered(problem, items), found, strict=True))
    return chosen, [item for item in problem.items if item not in items]


def fit_together(problem: Problem, items: Sequence[Item]) -> bool:
    """Whether all these parts can be seated at once."""
    return solve(_ordered(problem, items), problem.table) is not None


def all_fit(build: Build) -> bool:
    """Whether every terminal of a build gets a pin and every part a rail."""
    _, no_bus = _bus_seats(build)
    if no_bus or connect(build, {}).unfed:
        return False
    problem = problem_of(build)
    return fit_together(problem, problem.items)


def _first_that_fit(problem: Problem) -> list[Item]:
    """The parts in the order of the file, without each that the ones before it leave no room.

    The matching alone mostly knows them; where all that it lets in fit
    together, each one that it kept out is rightly out.  Else, as what fits
    together fits with one fewer, the longest beginning that fits is found by
    halving, again and again.
    """
    let_in = matching(problem)
    if fit_together(problem, let_in):
        return let_in
    kept: list[Item] = []
    rest = list(problem.items)  # one that the matching kept out may fit when another goes
    while rest:
        low, high = 0, len(rest)
        while low < high:
            middle = (low + high + 1) // 2
            if fit_together(problem, [*kept, *rest[:middle]]):
                low = middle
            else:
                high = middle - 1
        kept += rest[:low]
        out = rest[low : low + 1]  # and with it all that want the same
        rest = [item for item in rest[low + 1 :] if not any(_same(item, other) for other in out)]
    return kept


def _same(one: Item, other: Item) -> bool:
    """Whether two parts can have the same pins at the same price."""
    return (one.ways, one.counts, one.given) == (other.ways, other.counts, other.given)


def matching(problem: Problem) -> list[Item]:
    """The parts, in the order of the file, that a matching of terminals to pins lets in."""
    blocked = frozenset() if problem.table.soft_free else frozenset({SOFT})
    kept: list[Item] = []
    seat_of: dict[int, str] = {}
    counts: list[Mapping[str, int]] = []
    for item in problem.items:
        longer = [*counts, *item.counts]
        trial = dict(seat_of)
        if matched(longer, blocked, NEVER - 1, trial, 0) == len(longer):
            kept.append(item)
            counts, seat_of = longer, trial
    return kept


def _ordered(problem: Problem, items: Iterable[Item]) -> list[Item]:
    """Items in the order of the search; equals stay in the order of the file."""

    def rank(item: Item) -> int:
        mine = problem.wants[item.name]
        special = [_RANK.index(want.need) for want in mine if want.need in _RANK]
        return min(special, default=_SEVERAL if len(mine) > 1 else _SINGLE)

    return sorted(items, key=rank)


def _item(
    ground: Ground,
    part: Sequence[Want],
    homes: preference.Homes,
    maps: _Maps,
    ways_known: frozenset[str],
) -> Item:
    use = part[0].use
    board = ground.build.board
    orders = [homes.order(want, len(part) == 1) for want in part]
    if any(want.need in ("uart-rx", "uart-tx") for want in part):
        ways = tuple(_serial_ways(ground, part, orders, ways_known))
        counts = _serial_counts(ways, [want.need for want in part])
    else:
        # Equal terminals share one map, so that the search knows them as equals.
        own = [maps.setdefault(_key(want), want.harm) for want in part]
        taken = [
            {label: claims.tokens(c, ways_known) for label, c in want.claims.items()}
            for want in part
        ]
        seekers = zip(part, own, orders, taken, strict=True)
        ways = (Way(tuple(_seeker(w, m, o, t) for w, m, o, t in seekers)),)
        counts = _counts(part, own, maps)
    pins = (board.pin(label) for label in use.wires.values())
    return Item(use.name, ways, counts, tuple(pin.label for pin in pins if pin is not None))


_Maps = dict[tuple[str, frozenset[tuple[str, int]]], Mapping[str, int]]
_Tokens = Mapping[str, tuple[frozenset[str], frozenset[str]]]


def _key(want: Want) -> tuple[str, frozenset[tuple[str, int]]]:
    """What makes two terminals the same to the search: their offers, and what these claim."""
    return want.need if want.claims else "", frozenset(want.harm.items())


def _counts(
    part: Sequence[Want], own: Sequence[Mapping[str, int]], maps: _Maps
) -> tuple[Mapping[str, int], ...]:
    """For the matching: the pins of each terminal, and its interrupt lines as if they were pins too.

    The harm then counts at the lines, of which there may be fewer.
    """
    pins: list[Mapping[str, int]] = []
    lines: list[Mapping[str, int]] = []
    for want, offers in zip(part, own, strict=True):
        line = {
            label: f"{claim.on}|{claims.ALONE}"
            for label, found in want.claims.items()
            for claim in found
            if claim.kind == "line"
        }
        if not line:
            pins.append(offers)
            continue
        least: dict[str, int] = {}
        for label, token in line.items():
            least[token] = min(offers[label], least.get(token, offers[label]))
        free = dict.fromkeys(offers, 0)
        pins.append(maps.setdefault(("pins", frozenset(free.items())), free))
        lines.append(maps.setdefault(("lines", frozenset(least.items())), least))
    return (*pins, *lines)


def _seeker(
    want: Want, harm: Mapping[str, int], rank: Mapping[str, int], taken: _Tokens | None = None
) -> Seeker:
    return Seeker(want.terminal.name, harm, rank, want.ma, want.way, taken or {})


def _serial_ways(
    ground: Ground,
    part: Sequence[Want],
    orders: Sequence[Mapping[str, int]],
    ways_known: frozenset[str],
) -> Iterable[Way]:
    """The ways of a serial part: each free port as a pair of pins, then software."""
    board, use = ground.build.board, part[0].use
    given = {
        t.needs: board.pin(use.wires[t.name])
        for t in wanted(use)
        if t.name in use.wires and t.needs in ("uart-rx", "uart-tx")
    }
    for number, port in enumerate(wants.free_ports(board)):
        lines = {f"uart-{line}": board.role_pin(f"{port}.{line}") for line in ("rx", "tx")}
        fits = all(pin is lines[need] for need, pin in given.items() if need)
        pins = {pin.label for pin in lines.values() if pin is not None}
        mine = {pin.label for pin in given.values() if pin is not None}
        if fits and None not in lines.values() and not (pins - mine) & set(ground.taken):
            ranks = [dict.fromkeys(pins, number)] * len(part)
            yield Way(
                tuple(_port_seekers(part, lines, ranks, orders)),
                wants.port_harm(board, use),
                0,
                frozenset(pins - mine),
            )
    rx = given.get("uart-rx")
    if ground.soft_taken or (rx is not None and not rx.soft_rx):
        return
    yield Way(
        tuple(
            _seeker(want, _soft_pins(ground, want), order)
            for want, order in zip(part, orders, strict=True)
        ),
        wants.soft_harm(board, use) + _soft_clash(ground),
        _SOFT_FAR,
        blocks=_soft_tokens(ground, ways_known),
        soft=True,
    )


def _soft_clash(ground: Ground) -> int:
    """FLAW when software serial takes what is held already."""
    mine = [*claims.of_service(ground.build.board, "soft-serial")]
    clash = any(not claim.bears(other) for claim in mine for _, other in ground.claims)
    return wants.FLAW if clash else 0


def _soft_tokens(ground: Ground, ways_known: frozenset[str]) -> frozenset[str]:
    """What software serial keeps from the terminals that are still to be seated."""
    mine = claims.of_service(ground.build.board, "soft-serial")
    return frozenset(f"{claim.on}|{way}" for claim in mine for way in ways_known)


def _port_seekers(
    part: Sequence[Want],
    lines: Mapping[str, Pin | None],
    ranks: Sequence[Mapping[str, int]],
    orders: Sequence[Mapping[str, int]],
) -> Iterable[Seeker]:
    """The terminals of a serial part that sits on a port; others of it go where they like."""
    for want, rank, order in zip(part, ranks, orders, strict=True):
        pin = lines.get(want.need)
        if pin is None:
            yield _seeker(want, want.harm, order)
        else:
            offer = {pin.label: want.harm[pin.label]} if pin.label in want.harm else {}
            yield _seeker(want, offer, rank)


def _soft_pins(ground: Ground, want: Want) -> Mapping[str, int]:
    """Pins for software serial: for listening those that can, and no port's own."""
    if want.need != "uart-rx":
        return want.harm
    board = ground.build.board
    return {
        label: harm
        for label, harm in want.harm.items()
        if board.pins[label].soft_rx and wants.port_of(board, board.pins[label], "rx") is None
    }


def _serial_counts(ways: Sequence[Way], needs: Sequence[str]) -> tuple[Mapping[str, int], ...]:
    """For the matching: every pin of any way, and the one software listener as one pin."""
    counts: list[dict[str, int]] = [{} for _ in needs]
    for number, need in enumerate(needs):
        for way in ways:
            offers = way.seekers[number].harm
            if way.soft and need == "uart-rx" and offers:
                offers = {SOFT: min(offers.values())}
            for label, harm in offers.items():
                worst = harm + (way.harm if number == 0 else 0)
                counts[number][label] = min(worst, counts[number].get(label, worst))
    return tuple(counts)


def _given_ma(ground: Ground, groups: Sequence[Group]) -> tuple[float, ...]:
    """What the build's own wires put on each group of pins."""
    sums = [0.0] * len(groups)
    for wire in ground.circuit.signals():
        assert wire.pin is not None
        switching = wire.use.part.switching
        way = "sink" if switching is not None and switching.active == "low" else "source"
        for number, group in enumerate(groups):
            if wire.pin.label in group.pins and way in group.ways:
                sums[number] += ground.circuit.pin_ma(wire)
    return tuple(sums)


def _bus_seats(build: Build) -> tuple[dict[Spot, Seat], dict[Spot, str]]:
    seats: dict[Spot, Seat] = {}
    why_not: dict[Spot, str] = {}
    for use, terminal in open_terminals(build):
        need = terminal.needs or ""
        if not need.startswith("i2c-"):
            continue
        pin = build.board.role_pin(f"Wire.{need[4:]}")
        if pin is None:
            why_not[use.name, terminal.name] = "the board has no I2C bus"
        else:
            seats[use.name, terminal.name] = Seat(pin.label, f"the board's I2C {need[4:].upper()}")
    return seats, why_not


def _why(
    item: Item, placement: Placement, want: Want, pin: Pin, lost: Mapping[str, Mapping[str, int]]
) -> str:
    way = item.ways[placement.way]
    harm = want.harm.get(pin.label, 0)
    if harm:
        hazard = pin.hazards[0].kind if pin.hazards else "with a limit"
        return f"the least harmful that is left ({hazard})"
    if want.need in ("uart-rx", "uart-tx") and way.blocks and not way.soft:
        return "a hardware serial port that nothing else uses"
    if want.need == "uart-rx":
        return "software serial can receive here, nothing else needs it"
    if len(way.seekers) + len(item.given) > 1:
        return "free and able, beside the others of its part"
    if not lost[want.need][pin.label]:
        return "free, able, and wanted by nothing else"
    return "free, able and harmless, and no rarer use is lost"


def _why_not(build: Build, want: Want) -> str:
    able = [pin for pin in build.board.pins.values() if wants.able(build.board, pin, want.need)]
    if not able:
        return f"no pin of this board can {wants.CAN[want.need]}"
    if want.need == "uart-rx":
        return "every serial port is taken, and the core listens on one software serial at a time"
    return f"all {len(able)} pins that can {wants.CAN[want.need]} are taken or unsafe"
