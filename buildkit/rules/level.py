"""Levels: whether each side sees the other's high and low, and survives them."""

from __future__ import annotations

from collections.abc import Iterable

from buildkit import electrics
from buildkit.between import Passage, Side
from buildkit.circuit import Circuit, Wire
from buildkit.model import Fault, Place, Rail, Use
from buildkit.records import dataclass
from buildkit.rules import rule

BUS_LOW_V = 0.4  # UM10204 Table 10, VOL1 at 3 mA


@dataclass(frozen=True, slots=True)
class _Level:
    """What one side puts on a wire: its high and low in volts, and in whose words."""

    wire: Wire
    high_v: float
    low_v: float | None
    says: str


def _is_bus(wire: Wire) -> bool:
    return (wire.terminal.needs or "").startswith("i2c-")


def _one_a_part(circuit: Circuit, wire: Wire) -> bool:
    """Both bus lines are alike, so that one speaks for the part, if nothing sits in only one."""
    if not _is_bus(wire) or wire.terminal.needs == "i2c-sda":
        return True
    sda, scl = (circuit.bus_passage(wire.use, line) for line in ("sda", "scl"))
    return (sda is None) != (scl is None)


def _shifter(circuit: Circuit, wire: Wire) -> Passage | None:
    passage = circuit.passage(wire)
    return passage if passage is not None and passage.kind == "shifter" else None


def _bus_idle_v(circuit: Circuit, wire: Wire, side: Side) -> float:
    """Volts of an idle I2C line, on one side of what sits in its wire.

    The chip's own weak pull-ups do not count beside those of the modules:
    where they would harm a part, the sketch turns them off.
    """
    feeds = [(rail.volts, ohms) for _, rail, ohms in _bus_pull_ups(circuit, wire, side)]
    return electrics.node_v(*feeds) if feeds else circuit.io_rail.volts


def _bus_pull_ups(circuit: Circuit, wire: Wire, side: Side) -> tuple[tuple[Use, Rail, float], ...]:
    line = (wire.terminal.needs or "")[4:]
    far = side == "part" and _shifter(circuit, wire) is not None
    return circuit.bus_pull_ups(line, wire.use if far else None)


def _pulled_high_v(circuit: Circuit, wire: Wire, side: Side) -> float | None:
    """Volts on one side of a wire that is only pulled up; None for a wire that is driven."""
    if _is_bus(wire):
        return _bus_idle_v(circuit, wire, side)
    feed, shifter = circuit.feed(wire.use), _shifter(circuit, wire)
    if wire.terminal.needs != "one-wire" or feed is None:
        return None
    return shifter.high_v(feed.volts, "board") if shifter and side == "board" else feed.volts


def _driven_v(circuit: Circuit, wire: Wire, volts: float, to: Side) -> float:
    """A driven high behind what sits in the wire."""
    passage = circuit.passage(wire)
    return volts if passage is None else passage.high_v(volts, to)


def _driven_low_v(circuit: Circuit, wire: Wire, volts: float | None, to: Side) -> float | None:
    passage = circuit.passage(wire)
    return volts if passage is None or volts is None else passage.low_v(volts, to)


def _behind(circuit: Circuit, wire: Wire) -> str:
    """Words for a level that is seen behind a part in the wire."""
    passage = circuit.passage(wire)
    return "" if passage is None else f" behind its {passage.kind}"


def _into_board(circuit: Circuit) -> Iterable[_Level]:
    """What the parts put on the board's digital pins."""
    for wire in circuit.signals():
        use, feed = wire.use, circuit.feed(wire.use)
        if wire.terminal.flow not in ("out", "both") or wire.terminal.needs == "adc":
            continue
        low = use.figure("out_low_v") if "out_low_v" in use.figures else None
        pulled = _pulled_high_v(circuit, wire, "board")
        if pulled is not None and _one_a_part(circuit, wire):
            low = BUS_LOW_V if low is None and _is_bus(wire) else low
            low = _driven_low_v(circuit, wire, low, "board")
            says = f"{wire.name}{_behind(circuit, wire)} is pulled up to {pulled:.3g} V"
            yield _Level(wire, pulled, low, says)
        elif pulled is None and not _is_bus(wire):
            high = use.figures.get("out_high_v")
            if high is not None or feed is not None:
                volts = high.value if high is not None else feed.volts if feed else 0.0
                whose = use.whose("out_high_v") if high is not None else ""
                volts = _driven_v(circuit, wire, volts, "board")
                low = _driven_low_v(circuit, wire, low, "board")
                says = f"{wire.name}{_behind(circuit, wire)} is {volts:.3g} V when high{whose}"
                yield _Level(wire, volts, low, says)


def _into_part(circuit: Circuit) -> Iterable[_Level]:
    """What the board, or a pull-up, puts on the parts' logic inputs."""
    for wire in circuit.signals():
        switching = wire.use.part.switching
        control = switching is not None and switching.input_terminal == wire.terminal.name
        lamp = wire.use.part.shows == "lamp"
        if (
            wire.terminal.flow not in ("in", "both")
            or control
            or lamp
            or not _one_a_part(circuit, wire)
        ):
            continue
        pulled, behind = _pulled_high_v(circuit, wire, "part"), _behind(circuit, wire)
        if pulled is not None:
            low = _driven_low_v(circuit, wire, _board_low_v(circuit, wire), "part")
            yield _Level(wire, pulled, low, f"the wire{behind} is {pulled:.3g} V")
        else:
            high = _driven_v(circuit, wire, circuit.io_rail.min_v, "part")
            yield _Level(wire, high, 0.0, f"pin {wire.label}{behind} is {high:.3g} V when high")


def _board_low_v(circuit: Circuit, wire: Wire) -> float:
    """Output low of the board's pin while it sinks the pull-ups of the wire."""
    if _is_bus(wire):
        pull_ups = [*_bus_pull_ups(circuit, wire, "board")]
        if _shifter(circuit, wire) is not None:
            pull_ups += _bus_pull_ups(circuit, wire, "part")
        ma = sum(rail.volts / ohms * 1000 for _, rail, ohms in pull_ups)
    else:
        feed = circuit.feed(wire.use)
        ohms = wire.use.figures.get("pull_up_ohms")
        ma = feed.volts / ohms.value * 1000 if feed is not None and ohms is not None else 0.0
    board = circuit.board
    return electrics.output_low_v(board.figure("vol_max_v"), board.figure("voh_at_ma"), ma)


def _input_limit_v(circuit: Circuit, use: Use, name: str) -> float | None:
    """A part's in_high or in_low: in volts, or as a share of its supply."""
    feed = circuit.feed(use)
    if f"{name}_v" in use.figures:
        return use.figure(f"{name}_v")
    if f"{name}_ratio_percent" in use.figures and feed is not None:
        return use.figure(f"{name}_ratio_percent") / 100 * feed.volts
    return None


def _supply_place(circuit: Circuit, use: Use) -> Place:
    """Where a part's supply is wired, for faults that another rail would mend."""
    supplies = (w for w in circuit.wires if w.use is use and w.terminal.kind == "supply")
    return next((w.at for w in supplies if w.rail is not None), use.at)


def _between(circuit: Circuit, use: Use) -> str:
    """The fix for unequal levels: the same rail where the part can take it, else a shifter."""
    io, feed = circuit.io_rail, circuit.feed(use)
    low, high = use.figures.get("supply_min_v"), use.figures.get("supply_max_v")
    takes = low is not None and high is not None and low.value <= io.volts <= high.value
    if takes and feed is not io and high is not None:
        return f"Feed {use.name} from {io.name}, the rail of the pins; it takes up to {high.value:g} V."
    return f"Put a level shifter between the board and {use.name}, or choose a board of its level."


@rule("level.over-voltage", "error", source="absolute maximum ratings of the board's chip and part")
def over_voltage(circuit: Circuit) -> Iterable[Fault]:
    """One side of a wire puts more volts on it than the other can bear.

    Why: above its limit an input conducts into its own supply and is damaged,
    at once or over months. On the I2C bus the pull-ups of every module count.

    Wrong:
        air: {part: sht3x, wires: {VDD: 3V3}}   # 3.6 V at most
        panel: {part: lcd1602-pcf8574}          # pulls the same bus up to 5 V

    Right:
        air: {part: sht3x, wires: {VDD: 5V}}
        panel: {part: lcd1602-pcf8574}
    """
    for level in _driven_into_board(circuit):
        most_v = _pin_max_v(circuit, level.wire)
        if level.high_v > most_v:
            yield Fault(
                level.wire.at,
                f"{level.says}, and pin {level.wire.label} bears {most_v:g} V at most",
                _between(circuit, level.wire.use),
                {"volts": level.high_v, "most_v": most_v, "pin": level.wire.label},
            )
    for wire in circuit.signals():
        if wire.terminal.flow in ("in", "both") and _one_a_part(circuit, wire):
            yield from _too_much_for_part(circuit, wire)


def _pin_max_v(circuit: Circuit, wire: Wire) -> float:
    """What the pin of a wire bears; a pin that bears more does not while it measures."""
    board = circuit.board
    bears_v, all_v = board.pin_max_v(wire.pin), board.figure("pin_max_v")
    return min(bears_v, all_v) if wire.terminal.needs == "adc" else bears_v


def _driven_into_board(circuit: Circuit) -> Iterable[_Level]:
    """Outputs of parts, analog ones too, but not wires that are only pulled up."""
    for level in _into_board(circuit):
        if level.wire.terminal.flow == "out":
            yield level
    for wire, volts in _analog(circuit):
        says = f"{wire.name}{_behind(circuit, wire)} can reach {volts:.3g} V"
        yield _Level(wire, volts, None, says)


def _too_much_for_part(circuit: Circuit, wire: Wire) -> Iterable[Fault]:
    use, switching = wire.use, wire.use.part.switching
    most = circuit.in_max_v(use)
    if most is None and switching is not None and switching.active == "high":
        most = use.figure("on_max_v") if "on_max_v" in use.figures else None
    pulled = _pulled_high_v(circuit, wire, "part")
    driven = _driven_v(circuit, wire, circuit.io_rail.volts, "part")
    volts = driven if pulled is None else pulled
    if most is None or volts <= most:
        return
    source = f"pin {wire.label} drives it to" if pulled is None else "pull-ups bring it to"
    leave = f"Leave {wire.terminal.name} unwired; {use.name} works without it."
    feed = circuit.feed(use)
    fed = f", fed with {feed.volts:g} V" if feed is not None else ""
    yield Fault(
        wire.at if pulled is None else _supply_place(circuit, use),
        f"{wire.name} bears {most:.3g} V at most{fed}, and {source} {volts:.3g} V",
        leave if wire.terminal.leave_open else _between(circuit, use),
        {"volts": volts, "most_v": most, "pin": wire.label},
    )


@rule("level.pull-up-over-voltage", "error", source="absolute maximum ratings of the board's chip")
def pull_up_over_voltage(circuit: Circuit) -> Iterable[Fault]:
    """A pull-up resistor brings a pin of the board above what it bears.

    Why: a module fed with 5 V pulls its bus up to 5 V, however low the level
    of its own signals; a pin of a 3.3 V chip is damaged by it.

    Wrong:
        panel: {part: lcd1602-pcf8574}   # 5 V pull-ups, on a 3.3 V board

    Right:
        a level shifter between, or a display fed with 3.3 V
    """
    for wire in circuit.signals():
        volts = _pulled_high_v(circuit, wire, "board") if _one_a_part(circuit, wire) else None
        most_v = _pin_max_v(circuit, wire)
        if volts is not None and volts > most_v and _pulls_up(circuit, wire):
            yield Fault(
                _supply_place(circuit, wire.use),
                f"the pull-up of {wire.name} brings pin {wire.label} to {volts:.3g} V, "
                f"and it bears {most_v:g} V at most",
                _between(circuit, wire.use),
                {"volts": volts, "most_v": most_v, "pin": wire.label},
            )


def _pulls_up(circuit: Circuit, wire: Wire) -> bool:
    """Whether it is this part that pulls the wire above the board's level."""
    feed: Rail | None = circuit.feed(wire.use)
    carries = any(use is wire.use for use, _, _ in _bus_pull_ups(circuit, wire, "board"))
    return (
        feed is not None and feed.volts > circuit.io_rail.volts and (carries or not _is_bus(wire))
    )


@rule("level.high-not-seen", "error", source="VOH and VIH of the data sheets of board and part")
def high_not_seen(circuit: Circuit) -> Iterable[Fault]:
    """The high of one side is too low for the other to be sure of it.

    Why: between its two limits an input may read either; it works on the
    bench and fails in the cold.

    Wrong:
        # 3.0 V needed at 5 V
        smoke: {part: pm-frame32, own_figures: {out_high_v: 2.5}}

    Right:
        smoke: {part: pm-frame32}   # 3.3 V
    """
    least = circuit.board.figure("vih_min_v")
    for level in _into_board(circuit):
        if level.high_v < least:
            yield _unseen(circuit, level, f"pin {level.wire.label}", least)
    for level in _into_part(circuit):
        needed = _input_limit_v(circuit, level.wire.use, "in_high")
        if needed is not None and level.high_v < needed:
            yield _unseen(circuit, level, level.wire.name, needed)


@rule("level.low-not-seen", "error", source="VOL and VIL of the data sheets of board and part")
def low_not_seen(circuit: Circuit) -> Iterable[Fault]:
    """The low of one side is too high for the other to be sure of it.

    Why: between its two limits an input may read either; a byte then has
    wrong bits now and then.

    Wrong:
        smoke: {part: pm-frame32, own_figures: {out_low_v: 1.6}}   # 1.5 V at most

    Right:
        smoke: {part: pm-frame32}   # 0.8 V
    """
    most = circuit.board.figure("vil_max_v")
    for level in _into_board(circuit):
        if level.low_v is not None and level.low_v > most:
            says = f"{level.wire.name} is {level.low_v:.3g} V when low{_whose_low(level.wire.use)}"
            yield _unseen(circuit, level, f"pin {level.wire.label}", most, says)
    for level in _into_part(circuit):
        limit = _input_limit_v(circuit, level.wire.use, "in_low")
        if limit is not None and level.low_v is not None and level.low_v > limit:
            says = f"pin {level.wire.label} is {level.low_v:.3g} V when low"
            yield _unseen(circuit, level, level.wire.name, limit, says)


def _whose_low(use: Use) -> str:
    return use.whose("out_low_v") if "out_low_v" in use.figures else ""


def _unseen(
    circuit: Circuit, level: _Level, hearer: str, limit_v: float, low_says: str = ""
) -> Fault:
    what, bound = ("low", "at most") if low_says else ("high", "at least")
    volts = level.low_v if low_says else level.high_v
    return Fault(
        level.wire.at,
        f"{low_says or level.says}, and {hearer} takes {bound} {limit_v:.3g} V for a {what}",
        _between(circuit, level.wire.use),
        {"volts": volts, "limit_v": limit_v, "level": what, "pin": level.wire.label},
    )


def _analog(circuit: Circuit) -> Iterable[tuple[Wire, float]]:
    """Analog outputs with the most volts that they reach."""
    for wire in circuit.signals():
        feed = circuit.feed(wire.use)
        if wire.terminal.needs != "adc":
            continue
        if "out_high_v" in wire.use.figures:
            yield wire, _driven_v(circuit, wire, wire.use.figure("out_high_v"), "board")
        elif feed is not None:
            yield wire, _driven_v(circuit, wire, feed.volts, "board")


@rule("level.adc-over-range", "error", source="the board's table, adc_reference_v, with its source")
def adc_over_range(circuit: Circuit) -> Iterable[Fault]:
    """An analog output goes higher than the converter measures.

    Why: everything above the reference reads as full scale, so that the top
    of the sensor's span is one single value.

    Wrong:
        # on a board whose converter ends at 1.0 V
        shelf: {part: ntc-divider, wires: {FEED: 3V3}}

    Right:
        a divider between, or a board whose converter reaches 3.3 V
    """
    reference = circuit.board.figure("adc_reference_v")
    for wire, volts in _analog(circuit):
        if reference < volts <= _pin_max_v(circuit, wire):
            yield Fault(
                wire.at,
                f"{wire.name} can reach {volts:.3g} V, and the converter measures up to "
                f"{reference:g} V",
                "Put a divider of two resistors between, or choose a board that measures higher.",
                {"volts": volts, "reference_v": reference, "pin": wire.label},
            )


@rule(
    "level.adc-other-rail", "error", source="common practice, no source: a divider is read as ratio"
)
def adc_other_rail(circuit: Circuit) -> Iterable[Fault]:
    """A divider is fed from another rail than the converter measures against.

    Why: the sketch takes the reading as a share of the divider's own feed.
    From another rail every value is off by the ratio of the two, and a cold
    thermistor reads as a warm one.

    Wrong:
        # the converter measures against 5 V
        shelf: {part: ntc-divider, wires: {FEED: 3V3}}

    Right:
        shelf: {part: ntc-divider, wires: {FEED: 5V}}
    """
    reference = circuit.board.figure("adc_reference_v")
    for wire, volts in _analog(circuit):
        bare = circuit.passage(wire) is None  # level.divider-loads-probe judges the other case
        if bare and "series_ohms" in wire.use.figures and volts < reference:
            yield Fault(
                _supply_place(circuit, wire.use),
                f"{wire.use.name} is fed with {volts:g} V and measured against {reference:g} V",
                f"Feed it from the {reference:g} V rail, or leave the terminal out and that is chosen.",
                {"volts": volts, "reference_v": reference},
            )
