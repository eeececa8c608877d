"""Seating: against brute force, with answers derived by hand, and at peace when a part is added."""

from __future__ import annotations

import itertools
import os
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from buildkit import buildfile, document, electrics, preference, rules, seating
from buildkit.circuit import Circuit, Seat, Spot, connect
from buildkit.model import Board, Build
from buildkit.preference import wiring
from buildkit.search import Item, Placement, Table
from buildkit.seating import Problem
from buildkit.wants import free_ports
from tests.seating_builds import (
    AVR_BOARDS,
    BOARDS,
    KINDS,
    SECTIONS,
    TABLES,
    both_ways,
    bright,
    build,
    cut_down,
    many,
    named,
    on,
    text,
    with_group,
    with_hazard,
)

HAZARDS = ("on-board-circuit", "moves-at-reset", "strap", "upload-serial")
FAMILIES = ("pin.", "bus.", "level.", "power.", "load.rests-on")


def seats(circuit: Circuit) -> dict[str, str]:
    """Pins by 'name TERMINAL'."""
    return {f"{w.use.name} {w.terminal.name}": w.label for w in circuit.signals()}


def errors(circuit: Circuit) -> int:
    """How many errors of pins, buses, levels and currents a circuit has."""
    return sum(
        1
        for rule in rules.catalogue().values()
        if rule.check and rule.severity == "error" and rule.name.startswith(FAMILIES)
        for _ in rule.check(circuit)
    )


# --- brute force ---------------------------------------------------------------


def every_placement(item: Item, table: Table) -> Iterator[Placement]:
    """Every way to put an item on pins, by trying all arrangements."""
    given_at = [table.at[label] for label in item.given]
    for number, way in enumerate(item.ways):
        for pins in itertools.product(*(seeker.harm for seeker in way.seekers)):
            if len(set(pins)) < len(pins):
                continue
            harm = way.harm + sum(s.harm[p] for s, p in zip(way.seekers, pins, strict=True))
            ranks = tuple(s.rank[p] for s, p in zip(way.seekers, pins, strict=True))
            far = way.far + wiring([*given_at, *(table.at[p] for p in pins)])
            yield Placement(harm, far, sum(ranks), ranks, number, pins)


def admissible(problem: Problem, items: list[Item], chosen: tuple[Placement, ...]) -> bool:
    """Whether placements are possible together: pins, ports, software serial, currents."""
    used: list[str] = []
    sums = list(problem.table.given_ma)
    soft = 0
    for item, placement in zip(items, chosen, strict=True):
        way = item.ways[placement.way]
        used += set(placement.pins) | way.blocks
        soft += way.soft
        for seeker, label in zip(way.seekers, placement.pins, strict=True):
            for n, group in enumerate(problem.table.groups):
                if label in group.pins and seeker.way in group.ways:
                    sums[n] += seeker.ma
    light = all(ma <= g.max_ma + 1e-9 for ma, g in zip(sums, problem.table.groups, strict=True))
    return len(used) == len(set(used)) and soft <= problem.table.soft_free and light


def best_of_all(problem: Problem, items: list[Item]) -> list[tuple[int, int, int]] | None:
    """The costs of the best seating, found by looking at every one."""
    possible = itertools.product(*(list(every_placement(i, problem.table)) for i in items))
    fitting = (chosen for chosen in possible if admissible(problem, items, chosen))
    best = min(
        fitting,
        key=lambda c: (sum(p.harm for p in c), [(p.cost, sorted(p.ranks)) for p in c]),
        default=None,
    )
    return [p.cost for p in best] if best is not None else None


@st.composite
def small_builds(draw: st.DrawFn) -> Build:
    """Up to four parts on six to eight pins, with hazards and current limits at random."""
    board = TABLES.board(draw(st.sampled_from(AVR_BOARDS)))
    labels = draw(st.permutations(sorted(board.pins)))[: draw(st.integers(6, 8))]
    made = build(named(*draw(st.lists(st.sampled_from(sorted(KINDS)), min_size=1, max_size=4))),
                 board.id)  # fmt: skip
    small = cut_down(board, sorted(labels, key=list(board.pins).index))
    for label in draw(st.lists(st.sampled_from(labels), max_size=3)):
        small = with_hazard(
            small, label, draw(st.sampled_from(HAZARDS)), draw(st.sampled_from(["high", None]))
        )
    if draw(st.booleans()):
        group = draw(st.lists(st.sampled_from(labels), min_size=2, unique=True))
        small = with_group(
            small,
            group,
            draw(st.sampled_from([4, 9, 20])),
            draw(st.sampled_from(["source", "sink", "both"])),
        )
    for use in made.uses():
        kind = use.name.split("_")[0]
        if kind == "dust" and draw(st.booleans()):
            made = both_ways(made, use.name)
        elif kind == "lamp" and draw(st.booleans()):
            made = many(made, use.name, ["P", "Q", "R"][: draw(st.integers(2, 3))])
    return on(made, small)


@given(small_builds())
@settings(max_examples=120, deadline=None)
def test_the_cost_is_that_of_brute_force(made: Build) -> None:
    problem = seating.problem_of(made)
    chosen, left_out = seating.fitting(problem)
    items = [item for item, _ in chosen]
    costs = [placement.cost for _, placement in chosen]
    assert best_of_all(problem, items) == costs
    # And what was left out fits with none of its betters: those before it in the file.
    for item in left_out:
        before = [i for i in problem.items if i in items and
                  problem.items.index(i) < problem.items.index(item)]  # fmt: skip
        assert best_of_all(problem, [*before, item]) is None


@pytest.mark.slow
@given(small_builds())
@settings(max_examples=40, deadline=None)
def test_no_other_pins_would_have_fewer_errors(made: Build) -> None:
    circuit = seating.seat(made)
    assume(not circuit.unseated)
    spots = [w.spot for w in circuit.signals() if not (w.terminal.needs or "").startswith("i2c")]
    assume(len(spots) <= 3)
    bus: dict[Spot, Seat] = {
        w.spot: Seat(w.label, "") for w in circuit.signals() if w.spot not in spots
    }
    least = min(
        errors(connect(made, {**bus, **{s: Seat(p, "") for s, p in zip(spots, pins, strict=True)}}))
        for pins in itertools.permutations(made.board.pins, len(spots))
    )
    assert errors(circuit) == least


# --- derived by hand -----------------------------------------------------------


def test_an_exact_fit_is_found() -> None:
    # Six analog pins; the bus of the panel takes A4 and A5; four beads are left A0 to A3.
    circuit = seating.seat(build(named("bead", "bead", "bead", "bead", "panel")))
    assert circuit.unseated == ()
    assert [seats(circuit)[f"bead_{n} OUT"] for n in range(4)] == ["A0", "A1", "A2", "A3"]
    fifth = seating.seat(build(named("bead", "bead", "bead", "bead", "bead", "panel")))
    assert fifth.unseated == (("bead_4", "OUT"),)


def test_the_one_free_pin_is_found() -> None:
    board = cut_down(TABLES.board("atmega328p-5v"), ["4", "7", "8"])
    made = on(
        build(named("lamp", "soil", "ssr"), wires={"soil_1": "DQ: 8", "ssr_2": "CTRL+: 4"}), board
    )
    assert seats(seating.seat(made))["lamp_0 A"] == "7"


def test_of_two_software_serials_one_stays_out() -> None:
    circuit = seating.seat(build(named("dust", "dust")))
    assert seats(circuit) == {"dust_0 TXD": "8"}
    assert circuit.unseated == (("dust_1", "TXD"),)
    # The board with one free port: the first takes it (pin 0 receives), the second is by software.
    there = seats(seating.seat(build(named("dust", "dust", "dust"), "atmega32u4-5v")))
    assert there["dust_0 TXD"] == "0"
    assert there["dust_1 TXD"] in {"8", "9", "10", "11", "MISO", "MOSI", "SCK"}
    assert len(there) == 2


def test_bus_pins_stay_with_the_bus_beside_a_parallel_display() -> None:
    # Eleven digital pins without a hazard; six side by side: 2 to 7, on one header.
    made = many(build(named("air", "lamp")), "lamp_1", ["RS", "E", "D4", "D5", "D6", "D7"])
    there = seats(seating.seat(made))
    assert (there.pop("air_0 SDA"), there.pop("air_0 SCL")) == ("A4", "A5")
    assert sorted(there.values()) == ["2", "3", "4", "5", "6", "7"]
    assert list(there.values()) in ([*"765432"], [*"234567"])


def test_bus_pins_taken_by_a_parallel_display_are_told_at_its_wires() -> None:
    made = build(named("air", "lamp", "lamp"), wires={"lamp_1": "A: A4", "lamp_2": "A: A5"})
    circuit = seating.seat(made)
    told = [f.at.line for f in rules.run(circuit) if f.rule == "pin.bus-in-use"]
    assert told == [7, 8]


def test_a_coil_driver_leaves_a_full_group() -> None:
    # The module sinks 5 mA; all pins but 12 are in a group that sinks 4 mA.
    board = TABLES.board("atmega328p-5v")
    tight = with_group(board, [p for p in board.pins if p != "12"], 4, "sink")
    assert seats(seating.seat(on(build(named("relay")), tight)))["relay_0 IN"] == "12"
    none = with_group(board, list(board.pins), 4, "sink")
    assert seating.seat(on(build(named("relay")), none)).unseated == (("relay_0", "IN"),)
    # A lamp is sourced, so that the same group does not concern it.
    assert seating.seat(on(build(named("lamp")), none)).unseated == ()


def test_groups_are_filled_and_not_overfilled() -> None:
    # (5 - 2) V over 158 ohms are 19 mA: seven in each of the two groups of 150 mA, not eight.
    made = build(named(*["lamp"] * 14))
    for n in range(14):
        made = bright(made, f"lamp_{n}", 158)
    circuit = seating.seat(made)
    assert circuit.unseated == ()
    assert not [f for f in rules.run(circuit) if f.rule == "power.group-current"]
    more = build(named(*["lamp"] * 15))
    for n in range(15):
        more = bright(more, f"lamp_{n}", 158)
    assert len(seating.seat(more).unseated) == 1


def test_a_load_has_the_quiet_pin_and_the_lamp_the_other() -> None:
    # 13 moves at reset: the lamp could have 12 too, and must leave it.
    board = cut_down(TABLES.board("atmega328p-5v"), ["12", "13"])
    there = seats(seating.seat(on(build(named("ssr", "lamp")), board)))
    assert there == {"ssr_0 CTRL+": "12", "lamp_1 A": "13"}
    alone = cut_down(TABLES.board("atmega328p-5v"), ["13"])
    assert seating.seat(on(build(named("ssr")), alone)).unseated == (("ssr_0", "CTRL+"),)


def test_a_harmless_pin_is_taken_however_much_it_wastes() -> None:
    # A4 could be the bus or measure; 13 can do nothing else, but moves and has an LED on it.
    board = cut_down(TABLES.board("atmega328p-5v"), ["13", "A4"])
    assert seats(seating.seat(on(build(named("lamp")), board))) == {"lamp_0 A": "A4"}


def test_upload_pins_are_never_given() -> None:
    board = cut_down(TABLES.board("atmega328p-5v"), ["0", "1"])
    assert seating.seat(on(build(named("lamp")), board)).unseated == (("lamp_0", "A"),)


def test_serial_pairs_sit_on_ports_and_the_last_by_software() -> None:
    made = build(named("dust", "dust", "dust", "dust"), "atmega2560-5v")
    for n in range(4):
        made = both_ways(made, f"dust_{n}")
    there = seats(seating.seat(made))
    pairs = [(there[f"dust_{n} TXD"], there[f"dust_{n} RXD"]) for n in range(4)]
    assert pairs[:3] == [("19", "18"), ("17", "16"), ("15", "14")]
    assert TABLES.board("atmega2560-5v").pins[pairs[3][0]].soft_rx
    board = TABLES.board("atmega2560-5v")
    upper = board.headers[0].labels
    assert abs(upper.index(pairs[3][0]) - upper.index(pairs[3][1])) == 1


def test_a_port_is_no_port_when_its_sender_is_taken() -> None:
    made = build(named("dust", "lamp"), "atmega32u4-5v", wires={"lamp_1": "A: 1"})
    circuit = seating.seat(made)
    assert seats(circuit)["dust_0 TXD"] != "0"
    assert circuit.serial_links[0].port is None
    assert errors(circuit) == 0


def test_a_started_pair_is_finished_on_its_port() -> None:
    made = both_ways(build(named("dust"), "atmega2560-5v", wires={"dust_0": "TXD: 17"}), "dust_0")
    assert seats(seating.seat(made)) == {"dust_0 TXD": "17", "dust_0 RXD": "16"}


def test_a_part_that_is_too_fast_for_software_gets_the_port() -> None:
    # At 57600 baud software serial is too late at 8 MHz and beyond 40000 baud; the port is not.
    made = build(named("dust", "dust"), "atmega32u4-5v")
    fast = made.probes["dust_1"].use.figures | {
        "serial_baud": replace(made.probes["dust_1"].use.figures["serial_baud"], value=125000)
    }
    use = replace(made.probes["dust_1"].use, figures=fast)
    made = replace(made, probes={**made.probes, "dust_1": replace(made.probes["dust_1"], use=use)})
    assert seats(seating.seat(made))["dust_1 TXD"] == "0"


@pytest.mark.parametrize(
    ("baud", "percent"), [(9600, 0.2), (38400, 0.2), (57600, 2.1), (115200, 2.1), (300, 0.0)]
)
def test_the_ports_error_is_that_of_the_data_sheet(baud: float, percent: float) -> None:
    # ATmega328P data sheet Table 19-12, 16 MHz: U2X but for 57600 (UBRR 16) and 300 (no room).
    assert round(abs(electrics.avr_core_baud(16e6, baud)[1]) * 100, 1) == percent


def test_wires_of_one_part_lie_side_by_side() -> None:
    for board_id in BOARDS:
        made = many(build(named("lamp", "soil"), board_id), "lamp_0", ["P", "Q", "R"])
        problem = seating.problem_of(made)
        there = seats(seating.seat(made))
        line = sorted(problem.table.at[there[f"lamp_0 {t}"]] for t in "PQR")
        assert line[2] - line[0] == 2, board_id


def test_a_small_part_takes_the_pin_that_a_larger_one_has_no_use_for() -> None:
    # Four pins: two for software serial, one for the relay; 13 is too few for two wires.
    made = build(named("dust", "relay", "lamp", "lamp"))
    made = many(both_ways(made, "dust_0"), "lamp_2", ["P", "Q"])
    made = on(made, cut_down(TABLES.board("atmega328p-5v"), ["3", "11", "12", "13"]))
    circuit = seating.seat(made)
    assert circuit.unseated == (("lamp_2", "P"), ("lamp_2", "Q"))
    assert seats(circuit)["lamp_3 A"] == "13"


def test_a_large_impossible_build_is_no_riddle() -> None:
    made = build(named(*["lamp"] * 80), "atmega2560-5v")
    assert len(seating.seat(made).unseated) == 80 - len(
        [p for p in made.board.pins.values() if p.hazard("upload-serial") is None]
    )


# --- stable --------------------------------------------------------------------

KIND_LISTS = st.lists(st.sampled_from(sorted(KINDS)), max_size=6)


def _own(kind: str) -> str:
    """Which stock of pins a kind of part draws on."""
    section = KINDS[kind][0]
    return {"bead": "adc", "dust": "serial", "air": "bus", "panel": "bus"}.get(kind, section)


@pytest.mark.slow
@given(KIND_LISTS, st.sampled_from(sorted(KINDS)), st.sampled_from(BOARDS))
@settings(max_examples=250, deadline=None)
def test_a_part_that_is_added_moves_none_while_its_kind_has_pins_of_its_own(
    kinds: list[str], more: str, board_id: str
) -> None:
    board = TABLES.board(board_id)
    room = preference.homes(board).own | {"bus": 9, "serial": max(1, len(free_ports(board)))}
    here: list[str] = []
    for kind in (more, *kinds):
        if sum(_own(k) == _own(kind) for k in here) < room[_own(kind)]:
            here.append(kind)
    assume(here and here[0] == more)
    before = seats(seating.seat(build(named(*here[1:]), board_id)))
    after = seating.seat(build([*named(*here[1:]), ("added", more)], board_id))
    there = seats(after)
    assert {spot: there[spot] for spot in before} == before


@pytest.mark.parametrize("board_id", BOARDS)
def test_the_kinds_share_a_board_evenly(board_id: str) -> None:
    own = preference.homes(TABLES.board(board_id)).own
    shares = [own[section] for section in SECTIONS]
    assert max(shares) - min(shares) <= 1
    assert sum(shares) >= 1


def _search_order(made: Build) -> list[str]:
    problem = seating.problem_of(made)
    return [item.name for item, _ in seating.fitting(problem)[0]]


@pytest.mark.slow
@given(small_builds(), st.sampled_from(["lamp", "ssr", "soil"]))
@settings(max_examples=150, deadline=None)
def test_on_a_crowded_board_one_moves_only_for_a_seat_or_for_harm(made: Build, more: str) -> None:
    """A part that comes last moves another only when it would have no harmless pin otherwise."""
    plain = [(use.name, use.name.split("_")[0]) for use in made.uses()]
    before = on(build(plain, made.board.id), made.board)
    after = on(build([*plain, ("added", more)], made.board.id), made.board)
    old = seating.seat(before)
    order = _search_order(after)
    assume(order and order[-1] == "added")
    there = seats(seating.seat(after))
    moved = [spot for spot, label in seats(old).items() if there.get(spot) != label]
    if moved:
        problem = seating.problem_of(after)
        total = sum(placement.harm for _, placement in seating.fitting(problem)[0])
        spots = {w.spot: w.label for w in old.signals()}
        fixed = after
        for use in after.uses():
            own = {t: label for (name, t), label in spots.items() if name == use.name}
            fixed = _wired(fixed, use.name, own)
        stuck, left_out = seating.fitting(seating.problem_of(fixed))
        held_first = seating.fitting(seating.problem_of(before))[0]
        held = sum(p.harm for _, p in [*held_first, *stuck])
        # With as much harm either way, those who come first may gain by it.
        gains = _costs(seating.fitting(problem)[0], order[:-1]) < _costs(held_first, order[:-1])
        assert left_out or held > total or (held == total and gains), moved


def _costs(
    chosen: Sequence[tuple[Item, Placement]], order: Sequence[str]
) -> list[tuple[int, int, int]]:
    cost = {item.name: placement.cost for item, placement in chosen}
    return [cost[name] for name in order]


def _wired(made: Build, name: str, wires: dict[str, str]) -> Build:
    from tests.seating_builds import change_use, use_of

    use = use_of(made, name)
    at = dict.fromkeys(wires, use.at)
    return change_use(made, name, wires={**use.wires, **wires}, wire_at={**use.wire_at, **at})


def test_the_same_build_has_the_same_pins_in_every_process(tmp_path: Path) -> None:
    path = tmp_path / "seats.yaml"
    path.write_text(text(named(*KINDS, *KINDS), "atmega2560-5v"), encoding="utf-8")
    code = (
        "import sys; from pathlib import Path; from buildkit import Tables, load, seat\n"
        "c = seat(load(Path(sys.argv[1]), Tables())); print([(w.spot, w.label) for w in c.wires])"
    )
    told = {
        subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=True,
            env={**os.environ, "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2", "3")
    }  # fmt: skip
    assert len(told) == 1
    assert "soil" in told.pop()


def test_nothing_open_is_nothing_to_do() -> None:
    made = build(named("lamp"), wires={"lamp_0": "A: 6"})
    circuit = seating.seat(made)
    assert seats(circuit) == {"lamp_0 A": "6"}
    assert circuit.wires[0].chosen == "build"


@pytest.mark.parametrize("board_id", BOARDS)
def test_every_choice_has_a_reason_that_fits_the_line(board_id: str) -> None:
    circuit = seating.seat(build(named(*KINDS), board_id))
    for wire in circuit.signals():
        assert 10 < len(wire.why) < 70
    board: Board = circuit.board
    for wire in circuit.signals():
        assert wire.pin is board.pins[wire.label]
        assert wire.pin.hazard("upload-serial") is None


# --- every part there is -----------------------------------------------------------

# What a seating may never bring about, whatever the parts; each has a faulty example of its own.
NEVER_SEATED = frozenset(
    f"pin.{name}" for name in (
        "taken-twice", "cannot", "upload-serial", "strap", "flash-bus", "moves-at-reset", "input-only",
        "no-pull-up", "bus-in-use", "soft-serial-rx",
    )
) | {"bus.two-soft-serials", "bus.wrong-pins", "power.group-current"}  # fmt: skip


def _entry(part_id: str) -> tuple[str, str] | None:
    """The section and the line of a part that stands alone."""
    part = TABLES.part(part_id)
    if "probes" in part.roles:
        return "probes", f"{{part: {part_id}, value: {next(iter(part.quantities))}, every_s: 60}}"
    if "loads" in part.roles:
        return "loads", f"{{part: {part_id}}}"
    if part.shows == "text":
        return "displays", f"{{part: {part_id}, rows: [hi]}}"
    return (
        ("alarms", f"{{part: {part_id}, when: [no-reading]}}") if "alarms" in part.roles else None
    )


ENTRIES = {p: entry for p in TABLES.part_ids() if (entry := _entry(p)) is not None}


@pytest.mark.slow
@given(st.lists(st.sampled_from(sorted(ENTRIES)), min_size=1, max_size=9), st.sampled_from(BOARDS))
@settings(max_examples=200, deadline=None)
def test_no_seating_of_any_parts_breaks_a_rule_of_pins(part_ids: list[str], board_id: str) -> None:
    root = next(r.name for r in TABLES.board(board_id).rails.values() if r.fed_by is None)
    lines = ["build: any", f"board: {board_id}", f"supply: {{rail: {root}, max_ma: 3000}}"]
    for section in SECTIONS:
        here = [
            f"  p_{n}: {ENTRIES[p][1]}" for n, p in enumerate(part_ids) if ENTRIES[p][0] == section
        ]
        lines += [f"{section}:", *here] if here else []
    raw = "\n".join(lines).encode()
    circuit = seating.seat(buildfile.from_tree(document.parse(raw, "any.yaml"), TABLES))
    broken = {f.rule: f.message for f in rules.run(circuit) if f.rule in NEVER_SEATED}
    assert broken == {}
    assert set(circuit.why_unseated) == set(circuit.unseated)
