"""Rooms: closed forms, schedules, sensors, the file, and the loop with a load."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from buildkit.model import Refused
from buildkit.rehearsal import modelled, playing, rehearsing, room
from buildkit.rehearsal.room import Room
from tests.chip_world import circuit_of, example_text

HOOD = circuit_of(example_text("kitchen-hood", "atmega328p-5v"))
MAT = circuit_of(example_text("seedling-mat", "atmega328p-5v"))
REED = circuit_of(example_text("reed-room", "atmega2560-5v"))

KITCHEN = """room: small-kitchen
hours: 1
air:
  smoke:
    volume_m3: 30
    starts_at: 400
    loads: {hood: {cleans_m3_per_h: 225, efficiency: 0.8}}
"""
SILL = """room: sill
hours: 2
seed: 3
heat:
  soil:
    capacity_kj_per_k: 15
    starts_at: 18
    outside: 12
    loses_w_per_k: 2.5
    loads: {mat: {watts: 60}}
    lag_s: 30
    noise: 0.05
"""


def _room(text: str, tmp_path: Path, circuit: rehearsing.Circuit = HOOD) -> Room:
    path = tmp_path / "room.yaml"
    path.write_text(text, encoding="utf-8")
    return room.load(path, circuit.build)


def test_clean_air_decays_as_the_closed_form_says(tmp_path: Path) -> None:
    place = _room(KITCHEN, tmp_path)
    trace = room.readings(place, HOOD.build, {"hood": [(600.0, True)]})
    read = dict(trace.readings["smoke"])
    # 225 m3/h at 0.8 is 180 m3/h: six changes an hour of 30 m3.
    assert read[600.0] == 400
    for t_s in (900.0, 1200.0, 3600.0):
        assert read[t_s] == round(400 * math.exp(-6 * (t_s - 600) / 3600)), t_s


def test_a_source_rises_to_what_it_adds_over_what_leaks(tmp_path: Path) -> None:
    text = KITCHEN.replace("starts_at: 400", "starts_at: 0\n    leaks_m3_per_h: 60") + (
        "    sources: [{from_s: 600, to_s: 3600, adds_per_min: 100}]\n"
    )
    read = dict(room.readings(_room(text, tmp_path), HOOD.build, {}).readings["smoke"])
    # S/Q = 6000 ug/h over 60 m3/h, by two changes an hour.
    assert read[600.0] == 0
    assert read[2400.0] == round(100 * (1 - math.exp(-2 * 0.5)))
    assert read[3600.0] == round(100 * (1 - math.exp(-2 * 3000 / 3600)))


def test_a_fan_brings_outside_air_in_and_a_filter_does_not(tmp_path: Path) -> None:
    text = KITCHEN.replace("cleans_m3_per_h: 225, efficiency: 0.8", "airs_m3_per_h: 180")
    text = text.replace("starts_at: 400", "starts_at: 400\n    outside: 40")
    edges = {"hood": [(600.0, True)]}
    read = dict(room.readings(_room(text, tmp_path), HOOD.build, edges).readings["smoke"])
    for t_s in (900.0, 1200.0, 3600.0):
        assert read[t_s] == round(40 + 360 * math.exp(-6 * (t_s - 600) / 3600)), t_s


SUMP = """build: sump
board: atmega328p-5v
supply: {rail: 5V, max_ma: 500}
probes: {sump: {part: float-switch, value: closed, every_s: 1, average: 2}}
loads: {pump: {part: relay-module-active-low}}
control:
  - {drive: pump, by: sump, start_at: 1, stop_at: 0, min_off_s: 60, if_no_reading: off, no_reading_after_s: 30}
"""
CELLAR = """room: cellar
hours: 1
water:
  sump:
    starts_at_l: 20
    closes_at_l: 60
    opens_at_l: 30.5
    sources: [{from_s: 100, to_s: 3000, adds_l_per_min: 12}]
    loads: {pump: {adds_l_per_min: -72}}
"""


def test_water_rises_to_the_float_and_falls_below_it(tmp_path: Path) -> None:
    circuit = circuit_of(SUMP)
    place = _room(CELLAR, tmp_path, circuit)
    steps = dict(room.readings(place, circuit.build, {"pump": [(400.0, True)]}).readings["sump"])
    # 40 litres at 0.2 a second; with the pump a litre a second goes, until 30.5 are left.
    turns = [t for t in range(2, 3600) if steps[float(t)] != steps[float(t - 1)]]
    assert turns == [300, 450]
    changes, _ = modelled.lived(place, circuit)
    edges = [(c.t_ms // 1000, c.state) for c in changes]
    # On at 300 (two readings), 31 litres less in 31 s, and it fills again in 154.
    assert edges[:4] == [(301, "on"), (332, "off"), (487, "on"), (518, "off")]
    assert len(edges) == 2 * 15
    empty = room.start(place)[0]
    empty.advance(90.0, {"pump"})
    assert empty.x == 0


@pytest.mark.slow
def test_sketch_and_tank_settle(tmp_path: Path) -> None:
    circuit = circuit_of(SUMP)
    # No level is reached with a reading, where a thousandth of a second would decide.
    place = _room(CELLAR.replace("starts_at_l: 20", "starts_at_l: 20.07"), tmp_path, circuit)
    done = rehearsing.in_room(circuit, "host", place, (), tmp_path / "made", lambda _: None)
    expected, trace = modelled.lived(place, circuit)
    assert done.trace.readings == trace.readings
    seen = [(c.load, c.state, c.t_s) for c in done.outcome.changes]
    assert seen == [(c.load, c.state, pytest.approx(c.t_ms / 1000, abs=0.05)) for c in expected]


def test_a_float_that_sinks_closes_below(tmp_path: Path) -> None:
    sinking = room.Float(30, 60)
    assert [sinking.steps(x) for x in (50, 31, 30, 59, 60, 45)] == [0, 0, 1, 1, 0, 0]


def test_a_source_comes_again(tmp_path: Path) -> None:
    source = room.Source(room.Effect(1.0), 100, 200, 1000)
    assert list(source.edges(2500)) == [100, 200, 1100, 1200, 2100, 2200]
    assert [source.works(t) for t in (99, 100, 199, 200, 1150, 1250, 2100)] == [
        False, True, True, False, True, False, True,
    ]  # fmt: skip


def test_a_sensor_lags_and_a_body_without_loss_warms_evenly(tmp_path: Path) -> None:
    x, y = room.solved(20.0, 20.0, 0.01, 0.0, 30.0, 3600.0)
    assert x == pytest.approx(56.0)
    assert y == pytest.approx(56.0 - 0.01 * 30)  # a ramp is followed one lag behind
    x, y = room.solved(100.0, 0.0, 0.0, 0.0, 10.0, 10.0)
    assert (x, y) == (100.0, pytest.approx(100 * (1 - math.exp(-1))))


@given(
    st.floats(-50, 1000), st.floats(-50, 1000), st.floats(-5, 5), st.floats(0, 0.2),
    st.floats(0.1, 600), st.floats(0, 5000), st.floats(0.01, 0.99),
)  # fmt: skip
def test_two_stretches_are_one(
    x: float, y: float, a: float, k: float, lag: float, seconds: float, share: float
) -> None:
    k = 0.0 if k < 1e-4 else k
    whole = room.solved(x, y, a, k, lag, seconds)
    half = room.solved(
        *room.solved(x, y, a, k, lag, seconds * share), a, k, lag, seconds * (1 - share)
    )
    assert half == pytest.approx(whole, rel=1e-4, abs=1e-4)


def test_noise_is_seeded_and_the_same_for_every_history(tmp_path: Path) -> None:
    noisy = _room(KITCHEN + "    noise: 5\n", tmp_path)
    one = room.readings(noisy, HOOD.build, {}).readings["smoke"]
    assert one == room.readings(noisy, HOOD.build, {}).readings["smoke"]
    spread = [steps - 400 for _, steps in one if steps is not None]
    assert 4.6 < (sum(d * d for d in spread) / len(spread)) ** 0.5 < 5.4
    run = room.readings(noisy, HOOD.build, {"hood": [(1800.0, True)]}).readings["smoke"]
    assert run[:1800] == one[:1800]
    other = _room(KITCHEN.replace("hours: 1", "hours: 1\nseed: 9") + "    noise: 5\n", tmp_path)
    assert room.readings(other, HOOD.build, {}).readings["smoke"] != one


@pytest.mark.parametrize(
    ("old", "new", "rule", "line"),
    [
        ("smoke:", "smok:", "doc.unknown-probe", 4),
        ("hood:", "hod:", "doc.unknown-load", 7),
        ("volume_m3: 30", "volume_m3: 0", "doc.out-of-range", 5),
        ("volume_m3: 30", "volume: 30", "doc.unknown-key", 5),
        ("hours: 1", "hours: long", "doc.wrong-type", 2),
        ("efficiency: 0.8", "efficiency: 80", "doc.out-of-range", 7),
        ("hours: 1", "hours: 1\nsteady: {smoke: 4}", "doc.duplicate-key", 3),
        ("    loads:", "    sources: [{from_s: 9, to_s: 9, adds_per_min: 1}]\n    loads:", "doc.out-of-range", 7),
        ("    loads:", "    sources: [{from_s: 0, to_s: 9, every_s: 5, adds_per_min: 1}]\n    loads:", "doc.out-of-range", 7),
    ],
)  # fmt: skip
def test_a_faulty_room_is_told_with_its_line(
    old: str, new: str, rule: str, line: int, tmp_path: Path
) -> None:
    assert old in KITCHEN
    with pytest.raises(Refused) as caught:
        _room(KITCHEN.replace(old, new, 1), tmp_path)
    assert (rule, line) in [(fault.rule, fault.at.line) for fault in caught.value.faults]


@pytest.mark.parametrize(
    ("old", "new", "rule", "line"),
    [
        ("opens_at_l: 30.5", "opens_at_l: 60", "doc.out-of-range", 4),
        ("    closes_at_l: 60\n", "", "doc.missing-key", 4),
        ("to_s: 3000", "to_s: 30", "doc.out-of-range", 8),
    ],
)
def test_a_faulty_tank_is_told_with_its_line(
    old: str, new: str, rule: str, line: int, tmp_path: Path
) -> None:
    assert old in CELLAR
    with pytest.raises(Refused) as caught:
        _room(CELLAR.replace(old, new), tmp_path, circuit_of(SUMP))
    assert (rule, line) in [(fault.rule, fault.at.line) for fault in caught.value.faults]
    with pytest.raises(Refused, match="water moves only a float switch"):
        _room(CELLAR.replace("  sump:", "  smoke:").replace("pump:", "hood:"), tmp_path)


def test_the_rooms_of_the_readme_are_rooms(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    block = readme[readme.index("room: small-kitchen") :].split("```")[0]
    lines = block.splitlines()
    plain = "\n".join(line for line in lines if not line.startswith("#"))
    assert _room(plain + "\n", tmp_path).seconds == 10_800
    others = [line[1:] for line in lines if line.startswith("# ") and "airs_m3" not in line]
    text = "room: r\nhours: 1\n" + "\n".join(line.removeprefix(" ") for line in others) + "\n"
    water = text.index("water:")
    heat, water_, steady = (
        text[:water],
        text[water : text.index("steady:")],
        text[text.index("steady:") :],
    )
    assert _room(heat, tmp_path, MAT).spaces[0].probe == "soil"
    assert _room("room: r\nhours: 1\n" + water_, tmp_path, circuit_of(SUMP)).spaces[0].float_l
    assert steady.startswith("steady: {shelf: 21}")


def test_every_probe_has_its_room(tmp_path: Path) -> None:
    with pytest.raises(Refused) as caught:
        _room("room: r\nhours: 1\nsteady: {shelf: 21}\n", tmp_path, REED)
    assert "nothing of probe 'air'" in str(caught.value)


def test_the_loop_is_closed_while_the_model_runs(tmp_path: Path) -> None:
    place = _room(SILL, tmp_path, MAT)
    changes, trace = modelled.lived(place, MAT)
    assert len(changes) >= 6
    # The readings are those of a room in which the load was switched so.
    again = room.readings(place, MAT.build, modelled.edges(changes))
    assert again.readings == trace.readings
    # And the model, told of them afterwards, decides the same.
    told = playing.told(MAT, playing.slots(MAT, trace, (), 0))
    assert modelled.changes(MAT.build, told, [0.0], place.seconds) == changes
    steps = [s for _, s in trace.readings["soil"][500:] if s is not None]
    assert 20 * 16 < min(steps) < max(steps) < 23 * 16


@pytest.mark.slow
@pytest.mark.parametrize("asked", [[], ["silent@2000+120", "brown-out@4000"]])
def test_sketch_and_room_settle(asked: list[str], tmp_path: Path) -> None:
    from buildkit.rehearsal import faults

    place = _room(SILL, tmp_path, MAT)
    told: list[float] = []
    wanted = [faults.parse(text) for text in asked]
    done = rehearsing.in_room(MAT, "host", place, wanted, tmp_path / "made", told.append)
    seen = {"mat": [(c.t_s, c.state == "on") for c in done.outcome.changes]}
    assert room.readings(place, MAT.build, seen).readings == done.trace.readings
    assert told == sorted(told)
    expected = modelled.changes(
        MAT.build,
        playing.told(MAT, done.rows),
        modelled.starts_s(done.trace, wanted),
        place.seconds,
    )
    assert [(c.load, c.state, c.cause) for c in done.outcome.changes] == [
        (c.load, c.state, c.cause) for c in expected
    ]
    for change, known in zip(done.outcome.changes, expected, strict=True):
        assert change.t_s == pytest.approx(known.t_ms / 1000, abs=0.05)
