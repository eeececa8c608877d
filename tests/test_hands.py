"""Hand controls: the reference model by hand-worked cases, the build file, rules, sentences, wiring.

Unless a test says otherwise the fan starts at 15 and stops at 9, reads once a
second, has no dwell times and rests after 10 s without a reading.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

import pytest

from buildkit import (
    bill,
    buildfile,
    control,
    document,
    editing,
    hands,
    moving,
    proving,
    rules,
    seating,
    sketch,
)
from buildkit.circuit import Circuit
from buildkit.control import Touch
from buildkit.model import Fault, Refused
from buildkit.sentences import say
from buildkit.tables import Tables

TABLES = Tables()
SWITCH = "s: {part: switch-hand-off-auto, commands: fan}"
REST = "r: {part: button, commands: fan, does: rest}"
TOGGLE = "t: {part: button, commands: fan, does: toggle}"
TIMED = "f: {part: button, commands: fan, does: run-for, for_s: 20}"
Seen = list[tuple[int, str, str]]


def text(*hand: str, more: str = "", kind: str = "motor", board: str = "atmega328p-5v") -> str:
    cutout = ", cutout: thermal fuse" if kind == "heater" else ""
    return (
        f"build: h\nboard: {board}\nsupply: {{rail: 5V, max_ma: 500}}\n"
        "probes:\n  air: {part: analog-span, value: percent, every_s: 1}\n"
        f"loads:\n  fan: {{part: mosfet-low-side, draws: {{volts: 12, amps: 1, kind: {kind}}}{cutout}}}\n"
        "hands:\n" + "".join(f"  {line}\n" for line in hand) + "control:\n"
        "  - {drive: fan, by: air, start_at: 15, stop_at: 9, if_no_reading: off, "
        f"no_reading_after_s: 10{more}}}\n"
    )


def circuit(*hand: str, **more: str) -> Circuit:
    tree = document.parse(text(*hand, **more).encode(), "h.yaml")
    return seating.seat(buildfile.from_tree(tree, TABLES))


def seen(
    touches: Sequence[tuple[float, str, str]],
    levels: Sequence[tuple[int, float]],
    until_s: int,
    *hand: str,
    **more: str,
) -> Seen:
    """Changes (s, state, cause) for levels in percent that hold from a second on, one reading each."""
    readings = [
        (t * 1000, "air", round([level for at, level in levels if at <= t][-1] * 10))
        for t in range(1, until_s + 1)
        if [level for at, level in levels if at <= t][-1] >= 0
    ]
    told: list[Touch] = [(round(t * 1000), name, what) for t, name, what in touches]
    model = control.run(circuit(*hand, **more).build, readings, until_s * 1000, told)
    assert all(change.t_ms % 1000 == 0 for change in model.changes)
    return [(change.t_ms // 1000, change.state, change.cause) for change in model.changes]


HIGH, MIDDLE, LOW, GONE = 20.0, 12.0, 5.0, -1.0
AUTO = (0, "s", "auto")

# --- the switch ------------------------------------------------------------------


def test_off_rests_at_once_whatever_the_reading_and_the_least_time_on() -> None:
    touches = [AUTO, (5, "s", "off"), (9, "s", "auto")]
    assert seen(touches, [(0, HIGH)], 12, SWITCH, more=", min_on_s: 60") == [
        (1, "on", "start"), (5, "off", "hand"), (9, "on", "start"),
    ]  # fmt: skip


def test_auto_again_waits_out_the_least_rest() -> None:
    touches = [AUTO, (15, "s", "off"), (16, "s", "auto")]
    assert seen(touches, [(0, HIGH)], 40, SWITCH, more=", min_off_s: 10") == [
        (10, "on", "start"), (15, "off", "hand"), (25, "on", "start"),
    ]  # fmt: skip


def test_hand_runs_past_thresholds_silence_and_start_up_and_waits_out_the_least_rest() -> None:
    # No reading at all: the probe is silent from 10 s on, and min_off_s counts from power-up.
    touches = [AUTO, (1, "s", "hand"), (40, "s", "off")]
    assert seen(touches, [(0, GONE)], 50, SWITCH, more=", min_off_s: 5") == [
        (5, "on", "hand"), (40, "off", "hand"),
    ]  # fmt: skip


def test_hand_at_power_up_rests_until_it_is_turned_away_and_back() -> None:
    touches = [(0, "s", "hand"), (8, "s", "off"), (9, "s", "hand")]
    assert seen(touches, [(0, HIGH)], 12, SWITCH) == [(9, "on", "hand")]
    # Unknown, as before its contacts have settled, it rests too.
    assert seen([], [(0, HIGH)], 12, SWITCH) == []


def test_the_longest_run_ends_hand_and_asks_for_a_new_turn() -> None:
    touches = [AUTO, (1, "s", "hand"), (60, "s", "off"), (61, "s", "hand")]
    assert seen(touches, [(0, LOW)], 75, SWITCH, more=", max_on_s: 30, min_off_s: 1") == [
        (1, "on", "hand"), (31, "off", "max-on"), (61, "on", "hand"),
    ]  # fmt: skip


def test_a_new_turn_still_waits_out_the_forced_rest() -> None:
    touches = [AUTO, (20, "s", "hand"), (52, "s", "off"), (53, "s", "hand")]
    assert seen(touches, [(0, LOW)], 90, SWITCH, more=", max_on_s: 30, min_off_s: 20") == [
        (20, "on", "hand"), (50, "off", "max-on"), (70, "on", "hand"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("level", "before", "after"),
    [
        # Given back between the thresholds: as the control would have left it.
        (HIGH, [(1, "on", "start")], []),
        (MIDDLE, [(1, "on", "start")], []),
        (LOW, [(1, "on", "start")], [(9, "off", "hand")]),
    ],
)
def test_what_hand_gives_back_is_what_the_control_would_have(
    level: float, before: Seen, after: Seen
) -> None:
    touches = [AUTO, (3, "s", "hand"), (9, "s", "auto")]
    levels = [(0, HIGH), (5, level)]
    assert seen(touches, levels, 12, SWITCH) == before + after


def test_what_hand_started_is_given_back_at_rest() -> None:
    touches = [AUTO, (3, "s", "hand"), (9, "s", "auto")]
    assert seen(touches, [(0, MIDDLE)], 12, SWITCH) == [(3, "on", "hand"), (9, "off", "hand")]


# --- a heater -----------------------------------------------------------------------


def test_a_heater_runs_by_hand_only_once_its_window_is_full() -> None:
    touches = [AUTO, (1, "s", "hand")]
    levels = [(0, GONE), (4, LOW)]
    assert seen(touches, levels, 6, SWITCH, kind="heater") == [(4, "on", "hand")]
    assert seen(touches, levels, 6, SWITCH) == [(1, "on", "hand")]


def test_silence_rests_a_heater_and_asks_for_a_new_turn() -> None:
    # Last reading at 5 s, so silence at 15 s; readings again from 20 s.
    touches = [AUTO, (2, "s", "hand"), (25, "s", "off"), (27, "s", "hand")]
    levels = [(0, LOW), (6, GONE), (20, LOW)]
    assert seen(touches, levels, 30, SWITCH, kind="heater") == [
        (2, "on", "hand"), (15, "off", "no-reading"), (27, "on", "hand"),
    ]  # fmt: skip
    # Another load runs on through it.
    assert seen(touches[:2], levels, 30, SWITCH) == [(2, "on", "hand")]


# --- buttons --------------------------------------------------------------------------


def test_rest_rests_until_the_next_press() -> None:
    touches = [(3.0, "r", "press"), (7.0, "r", "press")]
    assert seen(touches, [(0, HIGH)], 9, REST) == [
        (1, "on", "start"), (3, "off", "hand"), (7, "on", "start"),
    ]  # fmt: skip


def test_toggle_turns_over_what_the_load_does_and_gives_it_back() -> None:
    touches = [(3.0, "t", "press"), (5.0, "t", "press"), (12.0, "t", "press"), (14.0, "t", "press")]
    assert seen(touches, [(0, HIGH), (10, LOW)], 20, TOGGLE) == [
        (1, "on", "start"), (3, "off", "hand"), (5, "on", "start"), (10, "off", "stop"),
        (12, "on", "hand"), (14, "off", "hand"),
    ]  # fmt: skip


def test_a_timed_press_ends_by_itself_or_by_the_next_one() -> None:
    touches = [(2.0, "f", "press"), (30.0, "f", "press"), (35.0, "f", "press")]
    assert seen(touches, [(0, LOW)], 40, TIMED) == [
        (2, "on", "hand"), (22, "off", "hand"), (30, "on", "hand"), (35, "off", "hand"),
    ]  # fmt: skip


def test_the_time_of_a_press_counts_from_the_press() -> None:
    assert seen([(2.0, "f", "press")], [(0, LOW)], 30, TIMED, more=", min_off_s: 10") == [
        (10, "on", "hand"), (22, "off", "hand"),
    ]  # fmt: skip


def test_the_longest_run_leaves_nothing_of_a_press() -> None:
    # Control has it again: the reading is high, so that it runs after the forced rest.
    assert seen([(2.0, "t", "press")], [(0, LOW), (8, HIGH)], 40, TOGGLE, more=", max_on_s: 10, min_off_s: 1") == [
        (2, "on", "hand"), (12, "off", "max-on"), (13, "on", "start"), (23, "off", "max-on"),
        (24, "on", "start"), (34, "off", "max-on"), (35, "on", "start"),
    ]  # fmt: skip


def test_of_two_hands_the_one_that_rests_wins() -> None:
    touches = [(2.0, "f", "press"), (5.0, "r", "press"), (8.0, "r", "press")]
    assert seen(touches, [(0, LOW)], 30, REST, TIMED) == [
        (2, "on", "hand"), (5, "off", "hand"), (8, "on", "hand"), (22, "off", "hand"),
    ]  # fmt: skip


def test_left_alone_hands_change_nothing() -> None:
    build = circuit(SWITCH, REST).build
    readings = [(1000, "air", 200), (2000, "air", 50)]
    changes = control.run(build, readings, 3000).changes
    assert [(c.t_ms, c.state) for c in changes] == [(1000, "on"), (2000, "off")]


# --- the build file -------------------------------------------------------------------


def _fault(hand: str) -> Fault:
    with pytest.raises(Refused) as refused:
        circuit(hand)
    (fault,) = refused.value.faults
    return fault


@pytest.mark.parametrize(
    ("hand", "rule", "column", "message"),
    [
        ("s: {part: switch-hand-off-auto, commands: fun}", "doc.unknown-load", 45, "there is no load 'fun' in this build"),
        ("s: {part: switch-hand-off-auto, commands: fan, does: rest}", "doc.unknown-key", 56, "'does' goes with a button only"),
        ("s: {part: switch-hand-off-auto, commands: fan, for_s: 5}", "doc.unknown-key", 57, "'for_s' goes with 'does: run-for' only"),
        ("r: {part: button, commands: fan}", "doc.missing-key", 3, "'r' has no 'does'"),
        ("r: {part: button, commands: fan, does: run-for}", "doc.missing-key", 3, "'r' has no 'for_s'"),
        ("r: {part: button, commands: fan, does: toggle, for_s: 5}", "doc.unknown-key", 57, "'for_s' goes with 'does: run-for' only"),
        ("r: {part: button, commands: fan, does: stop}", "doc.out-of-range", 42, "'does' is 'stop'; it must be one of rest, toggle, run-for"),
        ("r: {part: button, does: rest}", "doc.missing-key", 3, "'r' has no 'commands'"),
        ("r: {part: float-switch, commands: fan, does: rest}", "doc.unknown-part", 13, "part 'float-switch' does not belong under 'hands' but under 'probes'"),
        ("r: {part: button, commands: fan, does: rest, wires: {B2: 3}}", "doc.unknown-terminal", 56, "part 'button' has no terminal 'B2'"),
        ("fan: {part: button, commands: fan, does: rest}", "doc.duplicate-key", 3, "'fan' is already the name of one of the loads, on line 7"),
    ],
)  # fmt: skip
def test_a_slip_under_hands_is_told_where_it_stands(
    hand: str, rule: str, column: int, message: str
) -> None:
    fault = _fault(hand)
    assert (fault.rule, fault.at.line, fault.message) == (rule, 9, message)
    assert fault.at.column == column
    assert fault.fix.endswith(".")


def test_what_a_hand_is_in_the_model() -> None:
    made = circuit(SWITCH, REST, TIMED).build
    assert [(h.selector, h.runs, h.does, h.for_s) for h in made.hands.values()] == [
        (True, True, "", None), (False, False, "rest", None), (False, True, "run-for", 20.0),
    ]  # fmt: skip
    assert [hand.use.name for hand in made.hands_on("fan")] == ["s", "r", "f"]
    assert [use.name for use in made.uses()] == ["air", "fan", "s", "r", "f"]


# --- sentences, rules ------------------------------------------------------------------


def test_the_sentence_says_the_hands_back() -> None:
    build = circuit(SWITCH, REST, TIMED, kind="heater").build
    assert say(build.control[0], build).endswith(
        " when there is no reading for 10 s. By hand: s rests it in OFF whatever the reading, runs "
        "it in HAND while there are readings, and leaves it to this in AUTO; a press of r rests it "
        "whatever the reading, the next one gives it back; a press of f runs it for 20 s while "
        "there are readings, the next one gives it back."
    )
    build = circuit(TOGGLE).build
    assert say(build.control[0], build).endswith(
        " By hand: a press of t rests it while it runs and runs it while it rests, the next one "
        "gives it back."
    )


def _rules(*hand: str, **more: str) -> dict[str, int]:
    found = rules.run(circuit(*hand, **more))
    return {f.rule: f.at.column for f in found if f.rule.startswith("control.hand")}


@pytest.mark.parametrize(
    ("hand", "more", "found"),
    [
        (SWITCH, "", {"control.hand-heats-on": 45}),
        (TOGGLE, "", {"control.hand-heats-on": 31}),
        (TOGGLE, ", max_on_s: 60", {}),
        (REST, "", {}),
        (TIMED, "", {}),
        (TIMED, ", max_on_s: 20", {}),
        (TIMED, ", max_on_s: 19", {"control.hand-beyond-max": 58}),
    ],
)
def test_what_ends_a_run_by_hand(hand: str, more: str, found: dict[str, int]) -> None:
    assert _rules(hand, more=more, kind="heater") == found


def test_only_a_heater_must_have_an_end_and_only_one_hand_may_run_a_load() -> None:
    assert _rules(SWITCH) == {}
    assert _rules(SWITCH, REST) == {}
    assert _rules(REST, TOGGLE, TIMED) == {"control.hands-compete": 31}


# --- pins, wiring, sketch ----------------------------------------------------------------


def test_a_hand_gets_pins_with_a_pull_up_and_keeps_them_on_another_board() -> None:
    made = circuit(SWITCH, REST, "r2: {part: button, wires: {A: 3}, commands: fan, does: rest}")
    there = {wire.spot: wire for wire in made.signals()}
    assert set(there) == {
        ("air", "OUT"), ("fan", "GATE"), ("s", "HAND"), ("s", "AUTO"), ("r", "A"), ("r2", "A"),
    }  # fmt: skip
    for spot in (("s", "HAND"), ("s", "AUTO"), ("r", "A")):
        pin = there[spot].pin
        assert pin is not None
        assert "pull-up" in pin.can
    moved = moving.move(made.build, TABLES.board("atmega2560-5v"), TABLES)
    assert moved.circuit.unseated == ()
    assert moved.errors == 0
    assert {step.spot: step.state for step in moved.steps}["r2", "A"] == "kept"


def test_pins_that_were_chosen_are_written_under_hands() -> None:
    made = circuit(SWITCH, REST)
    saved = editing.edited(text(SWITCH, REST).encode(), moving.pin_changes(made))
    again = seating.seat(buildfile.from_tree(document.parse(saved, "h.yaml"), TABLES))
    labels = {wire.spot: wire.label for wire in made.signals()}
    assert {wire.spot: wire.label for wire in again.signals()} == labels
    assert {wire.chosen for wire in again.signals()} == {"build"}


def test_the_pack_proves_a_hand() -> None:
    made = circuit(SWITCH, REST, more=", min_off_s: 30, max_on_s: 600")
    steps = [step for stage in proving.stages(made) for step in stage.steps]
    said = " ".join(f"{step.do} {step.expect}" for step in steps)
    for words in (
        "Measure from HAND to COM of s",
        "turn s to OFF",
        "The indicator of fan goes dark at once, whatever its least time on, and stays dark "
        "whatever the reading",
        "lights once it has rested 30 s, whatever the reading, for 10 min at most",
        "Pull the plug of s, all its wires at once, in AUTO and in HAND",
        "Leave s in HAND, take the power away",
        "While fan runs, press r, wait, and press it again",
        "Hold r down while the power comes back",
    ):
        assert words in said
    items = {item.use: item.ratings for item in bill.materials(made)}
    assert items["s"] == items["r"] == "commands fan"


def test_a_sketch_without_hands_has_nothing_of_them() -> None:
    bare = text("").replace("hands:\n  \n", "")
    made = seating.seat(buildfile.from_tree(document.parse(bare.encode(), "h.yaml"), TABLES))
    written = sketch.render(made)
    assert "Hand" not in written
    assert 'F("hand")' not in written


def test_what_a_hand_asks_at_power_up() -> None:
    made = circuit(SWITCH, REST).build.hands
    assert (hands.spent(made["s"]), hands.spent(made["r"])) == (hands.SPENT, hands.NOTHING)


@pytest.mark.parametrize("board", TABLES.board_ids())
def test_a_button_takes_no_pin_from_what_is_there_and_all_get_harmless_ones(board: str) -> None:
    rail = next(r.name for r in TABLES.board(board).rails.values() if r.fed_by is None)
    body = text(REST, board=board).replace("rail: 5V", f"rail: {rail}")
    body = body.replace("analog-span, value: percent", "ds18b20, value: temperature")
    without = re.sub(r"hands:\n( .*\n)+", "", body)
    both = body.replace("hands:\n", f"hands:\n  {SWITCH}\n")
    seated = [
        seating.seat(buildfile.from_tree(document.parse(each.encode(), "h.yaml"), TABLES))
        for each in (without, body, both)
    ]
    before, after, _ = ({w.spot: w.label for w in made.signals()} for made in seated)
    assert before.items() <= after.items()
    assert after.keys() - before.keys() == {("r", "A")}
    pins = [wire.pin for wire in seated[2].signals() if wire.use.section == "hands"]
    assert len(pins) == 3
    assert not [
        pin for pin in pins if pin is None or pin.hazard("strap") or pin.hazard("flash-bus")
    ]


@pytest.mark.parametrize(
    ("until_s", "turned", "forced"),
    [(13, [], True), (30, [], True), (30, [(20, "off")], False), (30, [(20, "auto")], False)],
)
def test_a_forced_rest_lasts_until_the_switch_is_turned_away(
    until_s: int, turned: list[tuple[int, str]], forced: bool
) -> None:
    # Run by hand from 2 s, rested at 12 s for 2 s at least: an alarm shows as much.
    build = circuit(SWITCH, more=", max_on_s: 10, min_off_s: 2").build
    readings = [(t * 1000, "air", 50) for t in range(1, until_s + 1)]
    told = [(0, "s", "auto"), (2000, "s", "hand"), *((t * 1000, "s", to) for t, to in turned)]
    model = control.run(build, readings, until_s * 1000, told)
    assert [(c.t_ms, c.cause) for c in model.changes] == [(2000, "hand"), (12_000, "max-on")]
    assert model.loops[0].forced is forced
