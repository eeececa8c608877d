"""The picture as data: everything is there, joined, inside, and in nobody's way."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from buildkit import picture
from buildkit.circuit import Circuit
from buildkit.shapes import Box, Picture, Run, Segment, Text
from tests.wiring_builds import EXAMPLES, circuit_of, circuits, example

NEAR = 0.01


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


def _every_terminal_reached(circuit: Circuit, drawn: Picture, kinds: set[str]) -> None:
    nets = [net for net in circuit.nets if net.kind in kinds]
    assert {run.net for run in drawn.runs} == {net.name for net in nets}
    terminals = [box for box in drawn.boxes if box.kind == "terminal"]
    used = [box for box in drawn.boxes if box.kind == "used-pin"]
    ends = [end for net in nets for end in net.ends]
    assert len(terminals) == sum(end.owner != "board" for end in ends)
    assert len(used) == len({end for end in ends if end.owner == "board"})
    for run in drawn.runs:
        assert _joined(run), run
    feet = {(round(s[2], 2), round(s[3], 2)) for run in drawn.runs for s in run.segments}
    heads = {(round(s[0], 2), round(s[1], 2)) for run in drawn.runs for s in run.segments}
    for box in terminals:
        assert (round(box.x + box.w / 2, 2), round(box.y, 2)) in feet, box
    for box in used:
        assert (round(box.x + box.w / 2, 2), round(box.y + box.h, 2)) in heads, box


def _sound(circuit: Circuit) -> None:
    kinds = {
        "Low-voltage side": {"ground", "supply", "signal"},
        "Load side, extra-low voltage": {"load"},
        "Mains side": {"mains"},
    }
    drawings = picture.layout(circuit)
    assert {net.kind for net in circuit.nets} <= set().union(
        *(kinds[d.title] for d in drawings), set()
    )
    for drawn in drawings:
        _every_terminal_reached(circuit, drawn, kinds[drawn.title])
        _texts_apart(drawn)
        _wires_off_texts(drawn)
        _nets_apart(drawn)
        _all_inside(drawn)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_examples_are_drawn_whole_and_legible(path: Path) -> None:
    _sound(example(path))


@settings(max_examples=40, deadline=None)
@given(circuits())
def test_any_build_is_drawn_whole_and_legible(circuit: Circuit) -> None:
    _sound(circuit)


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_headers_stand_in_their_true_order(path: Path) -> None:
    circuit = example(path)
    low = picture.layout(circuit)[0]
    pins = [box for box in low.boxes if box.kind in ("pin", "used-pin")]
    shown = [_label_in(box, low.texts) for box in sorted(pins, key=lambda b: (b.y, b.x))]
    assert shown == [label for header in circuit.board.headers for label in header.labels]


def _label_in(box: Box, texts: list[Text]) -> str:
    inside = [t for t in texts if box.x <= t.x <= box.x + box.w and box.y <= t.y <= box.y + box.h]
    return min(inside, key=lambda t: t.y).text


def test_a_splice_is_marked_where_three_ends_meet_and_nowhere_else() -> None:
    circuit = example(next(p for p in EXAMPLES if p.stem == "kitchen-hood"))
    ends = {net.name: len(net.ends) for net in circuit.nets}
    for drawn in picture.layout(circuit):
        for run in drawn.runs:
            assert len(run.splices) == max(0, ends[run.net] - 2), run.net


def test_the_mains_side_is_a_picture_of_its_own_in_the_colours_of_the_region() -> None:
    hood, mat = (
        example(next(p for p in EXAMPLES if p.stem == s)) for s in ("kitchen-hood", "seedling-mat")
    )
    us, eu = ({run.net: run.colour for run in picture.layout(c)[1].runs} for c in (hood, mat))
    assert (us["live"], us["neutral"], us["earth"]) == ("black", "white", "green or bare")
    assert (eu["live"], eu["neutral"], eu["earth"]) == ("brown", "blue", "green-yellow")
    names = [text.text for text in picture.layout(hood)[1].texts]
    assert any(name.endswith("neutral: white") for name in names)


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
