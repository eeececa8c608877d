"""Hand controls in a rehearsal: how they are asked for, what the wires and the model are told."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from buildkit import cli
from buildkit.rehearsal import modelled, playing, room, touches
from buildkit.rehearsal.signals import Scenario
from buildkit.rehearsal.touches import BadTouch, Touched
from tests.chip_world import circuit_of, example_text

HANDS = """hands:
  selector: {part: switch-hand-off-auto, commands: mat}
  pause: {part: button, commands: mat, does: rest, own_figures: {bounce_ms: 3, debounce_ms: 20}}
control:
"""
TEXT = example_text("seedling-mat", "atmega328p-5v").replace("control:\n", HANDS)
MAT = circuit_of(TEXT)
COLD = "room: cold\nhours: 3\nsteady: {soil: 15}\n"


def asked(*words: str) -> list[Touched]:
    return [touches.parse(word, MAT) for word in words]


def test_a_touch_is_name_state_time() -> None:
    assert asked("selector=off@120.5") == [Touched("selector", "off", 120.5)]
    assert str(Touched("pause", "press", 30.0)) == "pause=press@30"


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("selector", "no NAME=STATE@TIME"),
        ("selector=off", "no NAME=STATE@TIME"),
        ("selector=off@-3", "no NAME=STATE@TIME"),
        ("selector@off=3", "no NAME=STATE@TIME"),
        ("selectr=off@3", "Did you mean 'selector'"),
        ("mat=off@3", "no hand control 'mat'"),
        ("selector=of@3", "Did you mean 'off'"),
        ("pause=off@3", "Known states: free, hold, press"),
    ],
)
def test_what_cannot_be_asked_for(text: str, words: str, tmp_path: Path) -> None:
    with pytest.raises(BadTouch) as caught:
        touches.parse(text, MAT)
    assert words in str(caught.value)
    build = tmp_path / "mat.yaml"
    build.write_text(TEXT, encoding="utf-8")
    done = CliRunner().invoke(cli.app, ["rehearse", str(build), "--hand", text])
    assert done.exit_code == 2
    assert words in " ".join(done.stderr.split())


def _levels(circuit_touches: list[Touched], terminal: str, name: str) -> list[tuple[int, str]]:
    scenario = Scenario()
    touches.put(circuit_touches, MAT, scenario)
    wire = next(wire for wire in MAT.signals() if wire.spot == (name, terminal))
    assert wire.pin is not None
    rows = (line.split() for line in scenario.lines)
    return [(int(us), level) for _, us, what, port, level in rows if what == "level" and port == wire.pin.port]  # fmt: skip


def test_a_press_bounces_for_as_long_as_the_table_says() -> None:
    levels = _levels(asked("pause=press@2"), "A", "pause")
    assert levels == [
        (0, "none"),
        (2_000_000, "none"), (2_001_000, "0"), (2_002_000, "none"), (2_003_000, "0"),
        (2_300_000, "0"), (2_301_000, "none"), (2_302_000, "0"), (2_303_000, "none"),
    ]  # fmt: skip


def test_what_stands_there_at_power_up_does_not_bounce() -> None:
    levels = _levels(asked("selector=hand@0"), "HAND", "selector")
    assert levels == [(0, "none"), (0, "0")]
    assert _levels([], "AUTO", "selector") == [(0, "0")]


def test_the_model_is_told_once_the_contacts_have_settled_and_at_each_start() -> None:
    wanted = asked(
        "selector=hand@10", "pause=hold@0", "pause=free@5", "pause=press@6", "pause=hold@8",
        "pause=hold@9", "pause=free@12",
    )  # fmt: skip
    assert touches.told(wanted, MAT, [0.0, 11.0]) == [
        (30, "selector", "auto"),
        (6_023, "pause", "press"),
        (8_023, "pause", "press"),
        (10_040, "selector", "hand"),
        (11_030, "selector", "hand"),
    ]


def test_a_room_is_foreseen_with_the_hands_in_it(tmp_path: Path) -> None:
    path = tmp_path / "cold.yaml"
    path.write_text(COLD, encoding="utf-8")
    place = room.load(path, MAT.build)
    told = touches.told(asked("selector=off@1000", "selector=auto@4000", "pause=press@6000"), MAT, [0.0])  # fmt: skip
    changes, trace = modelled.lived(place, MAT, told)
    readings = playing.told(MAT, playing.slots(MAT, trace, (), 0))
    assert modelled.changes(MAT.build, readings, [0.0], place.seconds, told) == changes
    by_hand = [(change.t_ms, change.state) for change in changes if change.cause == "hand"]
    assert (1_000_040, "off") in by_hand
    assert not [c for c in changes if 1_000_040 < c.t_ms < 4_000_040]
    assert changes[-1].t_ms <= 6_000_023
