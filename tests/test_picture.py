"""The picture as data: everything is there, joined, inside, and in nobody's way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import combinations, pairwise
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from buildkit import outline, picture
from buildkit.circuit import Circuit
from buildkit.shapes import Box, Picture, Run, Segment, Text, text_width
from tests.wiring_builds import EXAMPLES, TABLES, circuit_of, circuits, driven, example, shifted

NEAR = 0.01
HOOD, MAT = (
    next(p for p in EXAMPLES if p.stem == stem) for stem in ("kitchen-hood", "seedling-mat")
)


def _inside(outer: tuple[float, float], inner: tuple[float, float]) -> bool:
    return outer[0] - NEAR <= inner[0] and inner[1] <= outer[1] + NEAR


def _spans(segment: Segment) -> tuple[tuple[float, float], tuple[float, float]]:
    a, b, c, d = segment
    return (min(a, c), max(a, c)), (min(b, d), max(b, d))


def _overlap(one: tuple[float, float], other: tuple[float, float], by: float = NEAR) -> bool:
    return min(one[1], other[1]) - max(one[0], other[0]) > by


def _touch(one: Segment, other: Segment) -> bool:
    (ax, ay), (bx, by) = _spans(one), _spans(other)
    return _overlap(ax, bx, -NEAR) and _overlap(ay, by, -NEAR)


def _joined(run: Run) -> bool:
    """Whether all stretches of a net hang together."""
    reached, left = [run.segments[0]], run.segments[1:]
    grown = True
    while grown and left:
        near = [s for s in left if any(_touch(s, r) for r in reached)]
        reached += near
        left = [s for s in left if s not in near]
        grown = bool(near)
    return not left


def _texts_apart(drawn: Picture) -> None:
    for one, other in combinations(drawn.texts, 2):
        a, b = one.extent, other.extent
        clash = _overlap((a[0], a[2]), (b[0], b[2])) and _overlap((a[1], a[3]), (b[1], b[3]))
        assert not clash, (one, other)


def _wires_off_texts(drawn: Picture) -> None:
    for run in drawn.runs:
        for segment in run.segments + run.leaders:
            x, y = _spans(segment)
            for text in drawn.texts:
                left, top, right, bottom = text.extent
                clash = _overlap(x, (left, right), -NEAR) and _overlap(y, (top, bottom), -NEAR)
                assert not clash, (run.net, segment, text)


def _nets_apart(drawn: Picture) -> None:
    """Two nets cross square; they never run on the same line, and never end on each other."""
    for one, other in combinations(drawn.runs, 2):
        for a in one.segments:
            for b in other.segments:
                (ax, ay), (bx, by) = _spans(a), _spans(b)
                if ax[0] == ax[1] and bx[0] == bx[1]:
                    assert abs(ax[0] - bx[0]) > 2 or not _overlap(ay, by), (one.net, other.net)
                if ay[0] == ay[1] and by[0] == by[1]:
                    assert abs(ay[0] - by[0]) > 2 or not _overlap(ax, bx), (one.net, other.net)


def _all_inside(drawn: Picture) -> None:
    wide, high = (0.0, drawn.width), (0.0, drawn.height)
    for box in drawn.boxes:
        assert _inside(wide, (box.x, box.x + box.w)), box
        assert _inside(high, (box.y, box.y + box.h)), box
    for text in drawn.texts:
        left, top, right, bottom = text.extent
        assert _inside(wide, (left, right)), text
        assert _inside(high, (top, bottom)), text
    for run in drawn.runs:
        for segment in run.segments:
            x, y = _spans(segment)
            assert _inside(wide, x), run
            assert _inside(high, y), run


def _every_terminal_reached(circuit: Circuit, sheets: list[Picture], kinds: set[str]) -> None:
    nets = [net for net in circuit.nets if net.kind in kinds]
    assert {run.net for sheet in sheets for run in sheet.runs} == {net.name for net in nets}
    ends = [end for net in nets for end in net.ends]
    terminals = sum(box.kind == "terminal" for sheet in sheets for box in sheet.boxes)
    assert terminals == sum(end.owner != "board" for end in ends)
    used = sum(box.kind == "used-pin" for sheet in sheets for box in sheet.boxes)
    assert used == len({end for end in ends if end.owner == "board"})
    for net in nets:
        dots = sum(
            len(run.splices) for sheet in sheets for run in sheet.runs if run.net == net.name
        )
        assert dots == max(0, len(net.ends) - 2), net.name
    for one, other in pairwise(sheets):
        _goes_on(one, other)


def _goes_on(one: Picture, other: Picture) -> None:
    """Each net on both of two sheets leaves the one and enters the other at the same place."""
    below, above = ({run.net: run for run in sheet.runs} for sheet in (one, other))
    top = min(min(s[1], s[3]) for run in other.runs for s in run.segments)
    foot = max(max(s[1], s[3]) for run in one.runs for s in run.segments)
    entering = {n: s[0] for n, run in above.items() for s in run.segments if min(s[1], s[3]) == top}
    assert entering
    for net, x in entering.items():
        assert (x, foot) in {(s[2], s[3]) for s in below[net].segments}, net


def _sheet_sound(drawn: Picture) -> None:
    for run in drawn.runs:
        assert _joined(run), run
    feet = {(round(s[2], 2), round(s[3], 2)) for run in drawn.runs for s in run.segments}
    heads = [(s[0], s[1]) for run in drawn.runs for s in run.segments]
    for box in drawn.boxes:
        if box.kind == "terminal":
            assert (round(box.x + box.w / 2, 2), round(box.y, 2)) in feet, box
        if box.kind == "used-pin":
            assert sum(_on_edge(box, x, y) for x, y in heads) == 1, box


def _on_edge(box: Box, x: float, y: float) -> bool:
    """Whether a point is in the middle of one of a box's four edges."""
    middle_x, middle_y = abs(x - box.x - box.w / 2) < NEAR, abs(y - box.y - box.h / 2) < NEAR
    at_x = min(abs(x - box.x), abs(x - box.x - box.w)) < NEAR
    at_y = min(abs(y - box.y), abs(y - box.y - box.h)) < NEAR
    return (middle_x and at_y) or (middle_y and at_x)


def _wires_off_pins(drawn: Picture) -> None:
    """No wire runs through a pin: a wire meets a box of the board only at its edge."""
    pins = [box for box in drawn.boxes if box.kind in ("pin", "used-pin")]
    for run in drawn.runs:
        for segment in run.segments:
            x, y = _spans(segment)
            for box in pins:
                across = _overlap(x, (box.x, box.x + box.w), -NEAR / 2)
                along = _overlap(y, (box.y, box.y + box.h), -NEAR / 2)
                inner = x[1] > box.x + NEAR and x[0] < box.x + box.w - NEAR
                inner &= y[1] > box.y + NEAR and y[0] < box.y + box.h - NEAR
                assert not (across and along and inner), (run.net, segment, box)


def _sound(circuit: Circuit) -> None:
    kinds = {
        "Low-voltage side": {"ground", "supply", "signal"},
        "Load side, extra-low voltage": {"load"},
        "Mains side": {"mains"},
    }
    drawings = picture.layout(circuit)
    assert {net.kind for net in circuit.nets} <= set().union(
        *(kinds[_title(d)] for d in drawings), set()
    )
    for title in dict.fromkeys(map(_title, drawings)):
        sheets = [drawn for drawn in drawings if _title(drawn) == title]
        _every_terminal_reached(circuit, sheets, kinds[title])
    for drawn in drawings:
        _sheet_sound(drawn)
        _texts_apart(drawn)
        _wires_off_texts(drawn)
        _wires_off_pins(drawn)
        _nets_apart(drawn)
        _all_inside(drawn)


def _title(drawn: Picture) -> str:
    return drawn.title.split(", sheet")[0]


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_examples_are_drawn_whole_and_legible(path: Path) -> None:
    _sound(example(path))


@pytest.mark.parametrize("made", [shifted, driven])
def test_parts_in_wires_and_stages_are_drawn_whole_and_legible(made: Callable[[], Circuit]) -> None:
    _sound(made())


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(circuits())
def test_any_build_is_drawn_whole_and_legible(circuit: Circuit) -> None:
    _sound(circuit)


def _with_board(board_id: str) -> Circuit:
    rails = TABLES.board(board_id).rails
    return circuit_of(
        {
            "build": "look",
            "board": board_id,
            "supply": {"rail": next(iter(rails)), "max_ma": 500},
            "probes": {"soil": {"part": "ds18b20", "value": "temperature", "every_s": 2}},
        }
    )


@pytest.mark.parametrize("board_id", TABLES.board_ids())
def test_every_board_is_drawn_with_its_headers_in_their_true_order(board_id: str) -> None:
    circuit = _with_board(board_id)
    _sound(circuit)
    low = picture.layout(circuit)[0]
    pins = [box for box in low.boxes if box.kind in ("pin", "used-pin")]
    labels = [_label_in(box, low.texts) for box in pins]
    frame = next(box for box in low.boxes if box.kind == "board")
    for header in circuit.board.headers:
        starts = [
            n
            for n in range(len(labels))
            if tuple(labels[n : n + len(header.labels)]) == header.labels
        ]
        assert starts, header
        row = pins[starts[0] : starts[0] + len(header.labels)]
        side = outline.SIDES.get(header.name, "inside")
        if side == "end":
            assert len({box.x for box in row}) == 1
            assert [box.y for box in row] == sorted(box.y for box in row)
            continue
        assert len({box.y for box in row}) == 1
        assert [box.x for box in row] == sorted(box.x for box in row)
        if side == "upper":
            assert row[0].y - frame.y == pytest.approx(3)
        if side == "lower":
            assert frame.y + frame.h - row[0].y - row[0].h == pytest.approx(3)


def test_the_right_row_of_a_stick_lies_above_its_left_row() -> None:
    low = picture.layout(_with_board("atmega328p-5v-stick"))[0]
    at = {text.text: text.y for text in low.texts}
    assert at["right"] < at["left"]
    assert any("lying on its side" in text.text for text in low.texts)


def test_wires_of_a_header_do_not_cross_on_their_way_to_the_parts() -> None:
    for path in EXAMPLES:
        drawn = picture.layout(example(path))[0]
        frame = next(box for box in drawn.boxes if box.kind == "board")
        parts = min(box.y for box in drawn.boxes if box.kind == "part")
        first_track = min(s[1] for run in drawn.runs for s in run.segments if s[3] == parts)
        foot = min(first_track, frame.y + frame.h)
        for one, other in combinations(drawn.runs, 2):
            for a in one.segments:
                for b in other.segments:
                    if max(a[1], a[3], b[1], b[3]) < foot:
                        assert not _touch(a, b), (one.net, other.net)


def _label_in(box: Box, texts: list[Text]) -> str:
    inside = [t for t in texts if box.x <= t.x <= box.x + box.w and box.y <= t.y <= box.y + box.h]
    return next(text.text for text in inside if not text.text.startswith("#"))


def test_a_splice_is_marked_where_three_ends_meet_and_nowhere_else() -> None:
    circuit = example(HOOD)
    ends = {net.name: len(net.ends) for net in circuit.nets}
    for drawn in picture.layout(circuit):
        for run in drawn.runs:
            assert len(run.splices) == max(0, ends[run.net] - 2), run.net


def test_a_picture_too_high_for_a_page_goes_on_on_another_sheet() -> None:
    circuit = shifted()
    probes = {f"p{n}": {"part": "ntc-divider", "value": "temperature"} for n in range(8)}
    many = circuit_of(
        {
            "build": "many",
            "board": "atmega2560-5v",
            "supply": {"rail": "5V", "max_ma": 500},
            "probes": {name: {**probe, "every_s": 2} for name, probe in probes.items()},
        }
    )
    for each in (circuit, many):
        _sound(each)
        sheets = [d for d in picture.layout(each) if _title(d) == "Low-voltage side"]
        assert len(sheets) == 2
        assert [d.title for d in sheets] == [f"Low-voltage side, sheet {n} of 2" for n in (1, 2)]
    for drawn in [*picture.layout(circuit), *picture.layout(many), *picture.layout(example(HOOD))]:
        assert drawn.height <= picture.SHEET + 30
        assert drawn.width <= 760  # px; nearly full size on paper


def test_the_mains_side_is_a_picture_of_its_own_in_the_colours_of_the_region() -> None:
    hood, mat = example(HOOD), example(MAT)
    us, eu = ({run.net: run.colour for run in picture.layout(c)[1].runs} for c in (hood, mat))
    assert (us["live"], us["neutral"], us["earth"]) == ("black", "white", "green, or bare")
    assert (eu["live"], eu["neutral"], eu["earth"]) == ("brown", "blue", "green-yellow")
    names = [text.text for text in picture.layout(hood)[1].texts]
    assert "8 neutral: white" in names
    assert any(name == "7 equipment ground: green" for name in names)


def test_protective_earth_bears_its_sign_wherever_it_arrives() -> None:
    for path in EXAMPLES:
        circuit = example(path)
        for drawn in picture.layout(circuit):
            pe = [text for text in drawn.texts if text.text == "PE"]
            ends = sum(e.label == "PE" for n in circuit.nets for e in n.ends if n.kind == "mains")
            assert len(pe) == len(drawn.marks) == (ends if drawn.title == "Mains side" else 0)
            for mark in drawn.marks:
                middle = mark.x + mark.size / 2
                below = [t for t in pe if abs(t.x + text_width("PE", t.size) / 2 - middle) < NEAR]
                assert below
                for text in drawn.texts:
                    left, top, right, bottom = text.extent
                    beside = not _overlap((left, right), (mark.x, mark.x + mark.size))
                    above = not _overlap((top, bottom), (mark.y, mark.y + mark.size))
                    assert beside or above, text


def test_rails_are_drawn_heavier_and_named_as_rails() -> None:
    low = picture.layout(example(HOOD))[0]
    assert {run.net for run in low.runs if run.rail} == {"GND", "5V"}
    names = [text.text for text in low.texts]
    assert "1 rail GND (4 ways): black" in names
    assert "2 rail 5V (3 ways): red" in names


def test_a_pin_that_no_header_carries_is_still_drawn() -> None:
    circuit = example(EXAMPLES[0])
    build = replace(circuit.build, board=replace(circuit.board, headers=()))
    low = picture.layout(Circuit(build, circuit.wires))[0]
    assert "elsewhere on the board" in [text.text for text in low.texts]
    _all_inside(low)


def test_svg_is_well_formed_and_holds_every_text() -> None:
    for path in EXAMPLES:
        for drawn in picture.layout(example(path)):
            root = ElementTree.fromstring(picture.svg(drawn))
            shown = [node.text for node in root.iter("{http://www.w3.org/2000/svg}text")]
            assert shown == [text.text for text in drawn.texts]


def test_a_build_without_parts_has_no_picture() -> None:
    tree = {"build": "empty", "board": "atmega328p-5v", "supply": {"rail": "5V", "max_ma": 100}}
    assert picture.layout(circuit_of(tree)) == ()
