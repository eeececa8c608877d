"""Which of several harmless pins is taken first: an order of the pins a kind of want.

Two aims meet here.  Thrift: pins with abilities that another part may need
(an analog channel, a serial port, the bus) come last.  And peace: each kind of
part begins on pins of its own and borrows from the far end of the others', so
that a part that is added takes no pin from one that has its seat.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from itertools import pairwise

from buildkit.model import Board, Pin
from buildkit.records import dataclass
from buildkit.wants import Want, free_ports

HEADER_GAP = 8  # places of wire to another header; no gap on one header counts for more
_KINDS = ("probes", "loads", "displays", "alarms")
_WASTE = {"Wire": 60, "free port": 40, "adc": 30, "SPI": 12, "interrupt": 8, "pwm": 6, "soft": 2}
_SPECIAL = ("adc", "interrupt", "pwm")


def places(board: Board) -> dict[str, int]:
    """Where each pin lies on one long line: neighbours on a header are 1 apart."""
    known = {name: pin.label for pin in board.pins.values() for name in pin.aliases}
    known |= {label: label for label in board.pins}
    found: dict[str, int] = {}
    at = 0
    for header in board.headers:
        for label in header.labels:
            at += 1
            if label in known:
                found.setdefault(known[label], at)
        at += HEADER_GAP
    for label in board.pins:
        if label not in found:
            at += HEADER_GAP
            found[label] = at
    return found


def wiring(at: Iterable[int]) -> int:
    """Length of the shortest chain through places on that line, each gap counted up to a limit."""
    line = sorted(at)
    return sum(min(b - a, HEADER_GAP) for a, b in pairwise(line))


_HAS: dict[str, Callable[[Pin], bool]] = {
    "interrupt": lambda pin: pin.interrupt is not None,
    "pwm": lambda pin: pin.pwm is not None,
    "soft": lambda pin: pin.soft_rx,
}


def wastes(board: Board, need: str = "") -> dict[str, int]:
    """For each pin what is lost to other parts when it is taken for ``need``.

    An ability that more than half of the harmless pins have is no loss.
    """
    ports = free_ports(board)
    usable = [pin for pin in board.pins.values() if not pin.hazards]
    rare = [n for n, has in _HAS.items() if 2 * sum(map(has, usable)) <= len(usable) and n != need]
    lost: dict[str, int] = {}
    for pin in board.pins.values():
        owners = [role.split(".")[0] for role in pin.roles]
        lost[pin.label] = sum(_WASTE["free port" if o in ports else o] for o in owners
                              if o in ports or o in _WASTE)  # fmt: skip
        lost[pin.label] += _WASTE["adc"] if pin.adc is not None and need != "adc" else 0
        lost[pin.label] += sum(_WASTE[name] for name in rare if _HAS[name](pin))
    return lost


@dataclass(frozen=True)
class Homes:
    """The orders of one board: for each kind of want the pins, the most liked first.

    ``own`` says how many pins are a kind's own.  While no kind has more parts
    than that, a part that is added takes no other's pin.
    """

    orders: dict[str, dict[str, int]]
    own: dict[str, int]

    def order(self, want: Want, alone: bool) -> dict[str, int]:
        """Rank of every pin for a want; ``alone`` when its part has no other open terminal."""
        if want.need in (*_SPECIAL, "uart-rx", "uart-tx"):
            return self.orders[want.need]
        kind = want.use.section if alone else "several"
        return self.orders.get(kind, self.orders["several"])


_MOST_KEPT = 64  # boards of one run
_kept: dict[int, tuple[Board, Homes]] = {}


def homes(board: Board) -> Homes:
    """The orders of a board; they depend on nothing but its table, and are made once."""
    known = _kept.get(id(board))
    if known is None or known[0] is not board:
        if len(_kept) >= _MOST_KEPT:
            _kept.clear()
        known = _kept[id(board)] = (board, _homes(board))
    return known[1]


def _homes(board: Board) -> Homes:
    lost, at = wastes(board), places(board)
    number = {label: pin.number for label, pin in board.pins.items()}
    harmless = [p.label for p in board.pins.values() if not p.hazards and "digital-out" in p.can]
    plain = [label for label in harmless if lost[label] < _WASTE["adc"]]
    run = _longest_run(sorted(plain, key=at.__getitem__), at)
    # Parts with many wires get the longest run; single ones begin outside it.
    singles = sorted(plain, key=lambda p: (p in run, lost[p], number[p]))
    soft = _soft_home(board, singles, at)
    stock = [label for label in singles if label not in soft]
    by_loss = sorted((p for p in number if p not in plain), key=lambda p: (lost[p], -number[p]))
    analog = [p for p in by_loss if p in harmless and lost[p] < _WASTE["free port"]]
    # Analog parts begin at the lowest channels: the others keep to the upper half of them.
    analog = analog[: len(analog) // 2]
    rest = [p for p in by_loss if p not in analog]
    orders: dict[str, dict[str, int]] = {}
    kept: dict[str, int] = {}
    for index, kind in enumerate(_KINDS):
        own = [*stock, *analog][index :: len(_KINDS)]
        borrowed = [p for p in [*reversed(stock), *soft, *reversed(analog)] if p not in own]
        orders[kind] = _ranks([*own, *borrowed, *rest])
        kept[kind] = len(own)
    others = [*analog, *rest]
    orders["uart-rx"] = _ranks([*soft, *reversed(stock), *others])
    orders["uart-tx"] = _ranks([*reversed(soft), *reversed(stock), *others])
    orders["several"] = _ranks([*run, *(p for p in reversed(singles) if p not in run), *others])
    special = _special_orders(board, analog)
    spared = (label for label in special["adc"] if label not in analog)
    kept["adc"] = sum(_good_analog(board.pins[label], lost[label]) for label in spared)
    return Homes({**orders, **special}, kept)


def _special_orders(board: Board, analog: list[str]) -> dict[str, dict[str, int]]:
    """The orders for wants of a rare ability; ``analog`` are pins that others begin on."""
    orders: dict[str, dict[str, int]] = {}
    for need in _SPECIAL:
        # Pins that can do nothing else come first, buses and ports last.
        left = wastes(board, need)
        key = {
            label: (left[label] >= _WASTE["free port"], label in analog, "digital-out" in pin.can,
                    left[label], pin.number)
            for label, pin in board.pins.items()
        }  # fmt: skip
        orders[need] = _ranks(sorted(key, key=key.__getitem__))
    return orders


def _good_analog(pin: Pin, lost: int) -> bool:
    usable = pin.adc is not None and pin.adc_limit is None and not pin.hazards
    return usable and lost < _WASTE["free port"]


def _ranks(labels: Iterable[str]) -> dict[str, int]:
    return {label: rank for rank, label in enumerate(labels)}


def _longest_run(labels: list[str], at: dict[str, int]) -> list[str]:
    """The longest row of neighbours among labels in their order; the first of equals."""
    best: list[str] = []
    run: list[str] = []
    for label in labels:
        run = [*run, label] if run and at[label] == at[run[-1]] + 1 else [label]
        best = run if len(run) > len(best) else best
    return best


def _soft_home(board: Board, singles: list[str], at: dict[str, int]) -> list[str]:
    """A pin kept for the one software serial of a board, and its neighbour for sending."""
    hears = [label for label in singles if board.pins[label].soft_rx]
    for label in hears[:1]:
        beside = [p for p in singles if abs(at[p] - at[label]) == 1]
        return [label, *beside[:1]]
    return []
