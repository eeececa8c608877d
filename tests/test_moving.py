"""Moving a build, what it says, what it saves; shortages; the commands pins and move."""

from __future__ import annotations

import itertools
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

import buildkit
from buildkit import buildfile, document, editing, electrics, moving, rules, seating, shortage
from buildkit.bridging import passage_says
from buildkit.cli import app
from buildkit.model import Build
from buildkit.moving import Move
from buildkit.places import data_dir
from buildkit.rewiring import rewired
from tests.seating_builds import (
    AVR_BOARDS,
    BOARDS,
    KINDS,
    TABLES,
    bright,
    build,
    cut_down,
    many,
    named,
    on,
    text,
)

EXAMPLES = sorted(data_dir("examples").glob("*.yaml"))
HOOD = data_dir("examples") / "kitchen-hood.yaml"


def moved(path: Path, board: str, *, add_parts: bool = False) -> Move:
    return moving.move(
        buildfile.load(path, TABLES), TABLES.board(board), TABLES, add_parts=add_parts
    )


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(app, list(args))
    return result.exit_code, result.stdout, result.stderr


def states(found: Move) -> dict[str, tuple[str | None, str | None, str]]:
    return {" ".join(s.spot): (s.before, s.after, s.state) for s in found.steps}


# --- one move, by hand -----------------------------------------------------------


def test_the_hood_on_the_large_board() -> None:
    found = moved(HOOD, "atmega2560-5v")
    there = states(found)
    # 8 cannot receive there, 19 is the first port's; 7 can stay; the bus is at 20 and 21.
    assert there["smoke TXD"] == ("8", "19", "moved")
    assert there["hood CTRL+"] == ("7", "7", "kept")
    assert there["panel SDA"] == ("A4", "20", "moved")
    assert there["panel SCL"] == ("A5", "21", "moved")
    assert there["smoke VCC"] == ("5V", "5V", "kept")
    assert found.changes == {("board",): "atmega2560-5v", ("probes", "smoke", "wires", "TXD"): "19"}
    why = {" ".join(s.spot): s.why for s in found.steps}
    assert why["smoke TXD"] == "8 cannot do it there"
    assert why["panel SDA"] == "the bus has its SDA there"
    assert found.needs == ()
    assert any("420 mA" in said and "450 mA" in said for said in found.supply)
    assert found.errors == 0


def test_a_pin_that_another_pin_now_needs_moves() -> None:
    # On the small board A4 is the bus: the bead that sat there must go.
    made = build(named("bead", "panel"), "atmega2560-5v", wires={"bead_0": "OUT: A4"})
    found = moving.move(made, TABLES.board("atmega328p-5v"), TABLES)
    assert states(found)["bead_0 OUT"][2] == "moved"
    assert found.changes["probes", "bead_0", "wires", "OUT"] in {"A0", "A1", "A2", "A3"}
    assert found.errors == 0


def test_a_load_leaves_a_pin_that_moves_at_reset_there() -> None:
    made = build(named("ssr"), "ra4m1-5v", wires={"ssr_0": "CTRL+: 13"})
    found = moving.move(made, TABLES.board("atmega328p-5v"), TABLES)
    (step,) = [s for s in found.steps if s.spot == ("ssr_0", "CTRL+")]
    assert (step.before, step.state) == ("13", "moved")
    assert step.after != "13"
    assert "while the board starts" in step.why


def test_two_wires_by_software_need_one_to_move() -> None:
    # The large board's three ports leave; on the 32u4 one has the port and one software.
    made = build(
        named("dust", "dust"), "atmega2560-5v", wires={"dust_0": "TXD: 10", "dust_1": "TXD: 19"}
    )
    found = moving.move(made, TABLES.board("atmega32u4-5v"), TABLES)
    there = states(found)
    assert there["dust_0 TXD"][1:] == ("10", "kept")
    assert there["dust_1 TXD"][1:] == ("0", "moved")
    assert found.errors == 0


def test_a_wire_that_is_in_the_way_there_moves() -> None:
    # There is no software serial there: the sensor needs the one port, and 1 is its sender.
    made = build(named("dust", "lamp", "lamp"), "atmega32u4-5v",
                 wires={"dust_0": "TXD: 8", "lamp_1": "A: 1", "lamp_2": "A: 7"})  # fmt: skip
    found = moving.move(made, TABLES.board("ra4m1-5v"), TABLES)
    there = states(found)
    assert there["dust_0 TXD"][1:] == ("0", "moved")
    assert there["lamp_1 A"][2] == "moved"
    assert there["lamp_2 A"] == ("7", "7", "kept")
    assert found.circuit.unseated == ()


def test_the_same_board_moves_nothing() -> None:
    for path in EXAMPLES:
        made = buildfile.load(path, TABLES)
        found = moving.move(made, made.board, TABLES)
        assert found.moved == 0
        assert found.changes == {}
        assert found.supply == ()


def test_a_wire_without_a_pin_there_is_homeless() -> None:
    made = build(
        named(*["bead"] * 8), "atmega2560-5v", wires={f"bead_{n}": f"OUT: A{n}" for n in range(8)}
    )
    found = moving.move(made, TABLES.board("atmega328p-5v"), TABLES)
    assert len(found.homeless) == 2
    assert {s.state for s in found.steps if s.after is None} == {"none left"}
    assert [f.rule for f in found.unfit] == ["pin.none-left"] * 2


# --- what the levels need ----------------------------------------------------------


def test_a_five_volt_bus_on_a_three_volt_board_gets_shifters() -> None:
    plain = moved(HOOD, "esp32-wroom-dev38")
    wires = {f"{p.between.of}.{p.between.terminal}" for p in plain.needs}
    assert wires == {"panel.SDA", "panel.SCL"}
    assert all(p.kind == "shifter" for p in plain.needs)
    assert plain.added == ()
    assert any(f.rule == "level.pull-up-over-voltage" for f in plain.findings)
    mended = moved(HOOD, "esp32-wroom-dev38", add_parts=True)
    assert {f"{p.between.of}.{p.between.terminal}" for p in mended.added} == wires
    assert not any(f.rule == "level.pull-up-over-voltage" for f in mended.findings)
    assert mended.changes["between", "panel.SDA", "part"] == "level-shifter-mosfet"


def test_a_five_volt_signal_gets_a_divider_with_its_values() -> None:
    made = build(named("dust"))
    fast = made.probes["dust_0"].use
    high = fast.figures["out_high_v"]
    use = replace(fast, figures={**fast.figures, "out_high_v": replace(high, value=5.0)})
    made = replace(made, probes={"dust_0": replace(made.probes["dust_0"], use=use)})
    found = moving.move(made, TABLES.board("esp32-wroom-dev38"), TABLES)
    (need,) = found.needs
    assert need.kind == "divider"
    left_v = electrics.divider_v(5.0, need.upper_ohms, need.lower_ohms)
    assert 2.6 < left_v <= 3.3
    said = passage_says(need)
    assert said.startswith(
        f"dust_0 TXD: a divider of {need.upper_ohms:g} and {need.lower_ohms:g} ohms"
    )
    assert f"{left_v:.3g} V" in said


@pytest.mark.slow
def test_no_part_is_put_in_that_takes_nothing_away() -> None:
    for path, board in itertools.product(EXAMPLES, BOARDS):
        found = moved(path, board, add_parts=True)
        for passage in found.added:
            key = f"{passage.between.of}.{passage.between.terminal}"
            fewer = {k: b for k, b in found.circuit.build.between.items() if k != key}
            without = seating.seat(replace(found.circuit.build, between=fewer))
            worse = [f for f in rules.run(without) if f.severity == "error"]
            assert len(worse) > found.errors, (path.stem, board, key)


# --- every example on every board ----------------------------------------------------


@pytest.mark.parametrize("board", BOARDS)
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_a_saved_move_is_the_move_that_was_shown(path: Path, board: str) -> None:
    raw = path.read_bytes()
    for add_parts in (False, True):
        found = moved(path, board, add_parts=add_parts)
        new = editing.edited(raw, found.changes, str(path))
        again = seating.seat(buildfile.from_tree(document.parse(new, str(path)), TABLES))
        shown = {w.spot: w.label for w in found.circuit.wires}
        assert {w.spot: w.label for w in again.wires} == shown
        told = [(f.rule, f.message) for f in found.findings]
        assert sorted(told) == sorted((f.rule, f.message) for f in rules.run(again))
        # Comments, order and every line but the changed ones are as they were.
        old_lines, new_lines = raw.decode().splitlines(), new.decode().splitlines()
        changed = [line for line in old_lines if line not in new_lines]
        assert len(changed) <= len(found.changes)
        assert new.decode().count("#") == raw.decode().count("#")


@pytest.mark.parametrize("board", AVR_BOARDS)
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_a_move_there_and_back_ends_in_the_same_circuit(path: Path, board: str) -> None:
    made = buildfile.load(path, TABLES)
    first = moving.move(made, TABLES.board(board), TABLES)
    there = buildfile.from_tree(
        document.parse(editing.edited(path.read_bytes(), first.changes), "x.yaml"), TABLES
    )
    back = moving.move(there, made.board, TABLES)
    assert back.errors == 0
    assert back.circuit.board is made.board
    assert {s.spot for s in back.steps} == {s.spot for s in first.steps}


@pytest.mark.slow
def test_the_survey_is_sorted_and_true() -> None:
    for path in EXAMPLES:
        made = buildfile.load(path, TABLES)
        verdicts = moving.survey(made, TABLES)
        assert sorted(v.board for v in verdicts) == sorted(BOARDS)
        keys = [
            (moving.STATES.index(v.state), v.board != made.board.id, v.added, v.moved)
            for v in verdicts
        ]
        assert keys == sorted(keys)
        assert verdicts[0].board == made.board.id
        for verdict in verdicts:
            found = moving.move(made, TABLES.board(verdict.board), TABLES, add_parts=True)
            assert (verdict.state == "does not fit") == bool(found.unfit)
            assert verdict.reason
            assert (verdict.state == "fits with added parts") == (
                not found.unfit and bool(found.added)
            )


@pytest.mark.slow
@given(st.lists(st.sampled_from(sorted(KINDS)), min_size=1, max_size=6), st.sampled_from(AVR_BOARDS),
       st.sampled_from(BOARDS))  # fmt: skip
@settings(max_examples=60, deadline=None)
def test_a_build_whose_pins_are_all_written_moves_without_new_pin_errors(
    kinds: list[str], origin: str, board: str
) -> None:
    made = build(named(*kinds), origin)
    circuit = seating.seat(made)
    raw = editing.edited(text(named(*kinds), origin).encode(), moving.pin_changes(circuit))
    written = buildfile.from_tree(document.parse(raw, "x.yaml"), TABLES)
    assert {w.spot: w.label for w in seating.seat(written).wires} == {
        w.spot: w.label for w in circuit.wires
    }
    found = moving.move(written, TABLES.board(board), TABLES)
    fresh = moving.move(made, TABLES.board(board), TABLES)
    assert len(found.circuit.unseated) <= len(fresh.circuit.unseated)
    mine, other = ([f for f in m.unfit if f.rule.startswith("pin.")] for m in (found, fresh))
    assert len(mine) <= len(other)


# --- shortages -----------------------------------------------------------------------


def fits(made: Build, without: set[str]) -> bool:
    """Whether all parts but some can be seated: none of the rest is left out."""
    problem = seating.problem_of(made)
    return seating.fit_together(problem, [i for i in problem.items if i.name not in without])


@st.composite
def too_full(draw: st.DrawFn) -> Build:
    board = TABLES.board(draw(st.sampled_from(["atmega328p-5v", "atmega32u4-5v"])))
    labels = draw(st.permutations(sorted(board.pins)))[:5]
    made = build(named(*draw(st.lists(st.sampled_from(["lamp", "bead", "soil", "dust", "ssr"]),
                                      min_size=3, max_size=7))), board.id)  # fmt: skip
    for use in made.uses():
        if use.name.startswith("lamp") and draw(st.booleans()):
            made = many(made, use.name, ["P", "Q"])
    return on(made, cut_down(board, labels))


@pytest.mark.slow
@given(too_full())
@settings(max_examples=120, deadline=None)
def test_the_least_to_give_up_is_the_least(made: Build) -> None:
    short = shortage.shortage_of(made)
    if short is None:
        assert fits(made, set())
        return
    assert not fits(made, set())
    assert fits(made, set(short.give_up))
    names = [item.name for item in seating.problem_of(made).items]
    assert short.least
    for size in range(len(short.give_up)):
        assert not any(fits(made, set(few)) for few in itertools.combinations(names, size))
    for name in short.any_of:
        assert fits(made, {name})
    if short.any_of:
        assert {n for n in short.parts if fits(made, {n})} <= set(short.any_of)


@pytest.mark.slow
@given(too_full())
@settings(max_examples=120, deadline=None)
def test_the_rivals_are_too_many_and_none_of_them_for_nothing(made: Build) -> None:
    short = shortage.shortage_of(made)
    if short is None:
        return
    assert not fits(made, {i.name for i in seating.problem_of(made).items} - set(short.parts))
    able = {w.spot: set(w.harm) for w in itertools.chain(*seating.problem_of(made).wants.values())}
    if len(short.rivals) == len(short.pins) + 1:
        for spot in short.rivals:
            # A serial part without its port or software has pins that are of no use to it.
            assert able[spot] <= set(short.pins) or spot[0].startswith("dust")


def test_seven_beads_for_six_pins() -> None:
    short = shortage.shortage_of(build(named(*["bead"] * 7)))
    assert short is not None
    assert short.pins == ("A0", "A1", "A2", "A3", "A4", "A5")
    assert len(short.rivals) == 7
    assert len(short.any_of) == 7


def test_nine_beads_need_three_to_go() -> None:
    short = shortage.shortage_of(build(named(*["bead"] * 9)))
    assert short is not None
    assert (len(short.give_up), short.least) == (3, True)


def test_a_shortage_of_current_is_called_one() -> None:
    made = build(named(*["lamp"] * 15))
    for n in range(15):
        made = bright(made, f"lamp_{n}", 158)
    short = shortage.shortage_of(made)
    assert short is not None
    assert short.over == "current"
    assert len(short.give_up) == 1
    assert "overload" in shortage.says(made, short)


def test_what_would_help_does_help() -> None:
    made = build(named(*["bead"] * 7))
    short = shortage.shortage_of(made)
    assert short is not None
    boards = shortage.boards_with_room(made, TABLES)
    assert "atmega2560-5v" in boards
    assert "atmega328p-5v" not in boards
    others = shortage.other_parts(made, short, TABLES)
    assert any("on the I2C bus" in said for said in others)


@pytest.mark.parametrize("kinds", [["bead"] * 7, ["lamp"] * 24, ["dust"] * 2, ["air", "panel"]])
def test_a_board_has_room_just_when_seating_leaves_nothing_out(kinds: list[str]) -> None:
    made = build(named(*kinds))
    roomy = []
    for board_id in TABLES.board_ids():
        there = rewired(made, TABLES.board(board_id))
        circuit = seating.seat(there)
        if not circuit.unseated and not circuit.unfed and board_id != made.board.id:
            roomy.append(board_id)
    told = shortage.boards_with_room(made, TABLES)
    assert sorted(told) == roomy
    assert shortage.boards_with_room(made, TABLES, 2) == told[:2]


def test_a_bus_display_is_offered_for_a_parallel_one() -> None:
    raw = (
        "build: x\nboard: atmega328p-5v\nsupply: {rail: 5V, max_ma: 500}\ndisplays:\n"
        + "  panel: {part: lcd1602-parallel, rows: [hi]}\nalarms:\n"
        + "".join(f"  lamp_{n}: {{part: led-indicator, when: [no-reading]}}\n" for n in range(14))
    )
    made = buildfile.from_tree(document.parse(raw.encode(), "x.yaml"), TABLES)
    short = shortage.shortage_of(made)
    assert short is not None
    assert short.give_up == ("panel",)
    assert "lcd1602-pcf8574 on the I2C bus for panel" in shortage.other_parts(made, short, TABLES)


def test_the_rule_says_who_competes_and_what_to_do() -> None:
    made = build(named(*["bead"] * 7))
    (found,) = [f for f in rules.run(seating.seat(made)) if f.rule == "pin.none-left"]
    assert "7 terminals" in found.message
    assert "A0, A1, A2, A3, A4, A5" in found.message
    assert found.fix.startswith("Leave out one of bead_0")
    assert "move the build to" in found.fix


# --- the commands ------------------------------------------------------------------------


def test_pins_saves_what_it_shows(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    raw = (data_dir("examples") / "reed-room.yaml").read_bytes()
    path.write_bytes(raw)
    code, out, _ = run("pins", str(path))
    assert (code, path.read_bytes()) == (0, raw)
    code, saved, _ = run("pins", str(path), "--save")
    assert code == 0
    assert saved.startswith(out)
    before = seating.seat(buildfile.from_tree(document.parse(raw, "x"), TABLES))
    after = seating.seat(buildfile.load(path, TABLES))
    assert {w.spot: w.label for w in after.wires} == {w.spot: w.label for w in before.wires}
    assert all(w.chosen == "build" for w in after.signals())
    code, again, _ = run("pins", str(path), "--save")
    assert "nothing to save" in again
    assert path.read_text("utf-8").count("#") == raw.decode().count("#")


def test_pins_of_an_impossible_build(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_text(text(named(*["bead"] * 7)), encoding="utf-8")
    raw = path.read_bytes()
    code, out, err = run("pins", str(path), "--save")
    assert code == 1
    assert "No pin is left for" in out
    assert "nothing was saved" in err
    assert path.read_bytes() == raw


def test_move_saves_and_keeps_the_old(tmp_path: Path) -> None:
    path, new = tmp_path / "a.yaml", tmp_path / "b.yaml"
    path.write_bytes(HOOD.read_bytes())
    code, out, _ = run("move", str(path), "--board", "atmega2560-5v", "--save", str(new))
    assert code == 0
    assert "smoke TXD" in out
    expected = (
        HOOD.read_text("utf-8")
        .replace("atmega328p-5v", "atmega2560-5v")
        .replace("TXD: 8", "TXD: 19")
    )
    assert new.read_text("utf-8") == expected
    assert path.read_bytes() == HOOD.read_bytes()
    code, _, err = run("move", str(path), "--board", "atmega2560-5v", "--save", str(new))
    assert code == 2
    assert "is there already" in err
    code, _, _ = run("move", str(path), "--board", "atmega2560-5v", "--save", str(path))
    assert code == 0
    assert path.read_text("utf-8") == expected


def test_move_with_errors_there_ends_with_one() -> None:
    code, out, _ = run("move", str(HOOD), "--board", "esp32-wroom-dev38", "--add-parts")
    assert code == 1
    assert "Added for the new levels" in out
    assert "level shifter between 3.3 V" in out


def test_move_does_not_save_what_has_no_pin(tmp_path: Path) -> None:
    path, new = tmp_path / "a.yaml", tmp_path / "b.yaml"
    wires = {f"bead_{n}": f"OUT: A{n}" for n in range(8)}
    path.write_text(text(named(*["bead"] * 8), "atmega2560-5v", wires), encoding="utf-8")
    code, _, err = run("move", str(path), "--board", "atmega328p-5v", "--save", str(new))
    assert code == 1
    assert "would have no pin" in err
    assert not new.exists()


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["pins", "none.yaml"], "not there"),
        (["move", "none.yaml"], "not there"),
        (["move", str(HOOD), "--board", "atmega328-5v"], "atmega328p-5v"),
        (["move", str(HOOD), "--save", "x.yaml"], "--board"),
        (["move", str(HOOD), "--add-parts"], "--board"),
        (["pins", str(HOOD), "--tables", "none"], "not a folder"),
    ],
)
def test_a_wrong_call_ends_with_two(args: list[str], says: str) -> None:
    code, out, err = run(*args)
    assert code == 2
    assert says in err
    assert out == ""


def test_a_file_that_cannot_be_taken_is_told_as_check_does(tmp_path: Path) -> None:
    path = tmp_path / "a.yaml"
    path.write_text("build: x\n", encoding="utf-8")
    for command in ("pins", "move"):
        code, out, _ = run(command, str(path))
        assert code == 1
        assert "doc.missing-key" in out


@pytest.mark.slow
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_everything_fits_eighty_columns(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A path cannot be broken: from the folder's own place it is short.
    monkeypatch.chdir(path.parent)
    calls = [["pins", path.name], ["move", path.name]]
    calls += [["move", path.name, "--board", board, "--add-parts"] for board in BOARDS]
    for call in calls:
        _, out, _ = run(*call)
        for line in out.splitlines():
            assert len(line) <= 80, line


def test_the_library_names() -> None:
    made = buildkit.load(HOOD, buildkit.Tables())
    assert buildkit.seat(made).unseated == ()
    assert buildkit.check(HOOD, buildkit.Tables()).errors == 0
    there = buildkit.move(made, buildkit.Tables().board("atmega2560-5v"), buildkit.Tables())
    assert there.errors == 0
    assert buildkit.shortage_of(made) is None
    assert buildkit.survey(made, buildkit.Tables())[0].state == "fits"
    for name in buildkit.__all__:
        thing = getattr(buildkit, name)
        assert name == "__version__" or thing.__doc__, name
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = buildkit.nonsense


@pytest.mark.parametrize(("board", "label", "errors"), [
    ("atmega2560-5v", "VIN", set()), ("ra4m1-5v", "VIN", set()), ("esp32-c3-dev", "5V", {"power.supply-range"}),
])  # fmt: skip
def test_a_supply_of_9_volts_goes_to_an_inlet_or_is_told(
    board: str, label: str, errors: set[str]
) -> None:
    raw = "build: x\nboard: atmega328p-5v\nsupply: {rail: VIN, volts: 9, max_ma: 600}\nprobes:\n  soil: {part: ds18b20, value: temperature, every_s: 5}\n"
    made = buildfile.from_tree(document.parse(raw.encode(), "x.yaml"), TABLES)
    found = moving.move(made, TABLES.board(board), TABLES)
    assert found.circuit.build.supply.label == label
    assert found.circuit.build.supply.rail == "5V"
    assert {f.rule for f in found.findings if f.severity == "error"} == errors
    assert found.changes.get(("supply", "rail")) == (None if label == "VIN" else label)
