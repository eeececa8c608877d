"""Hand controls: the written sketch, contacts and all, and the reference model decide the same.

The harness of test_control_agrees gets the sketch's own Hand, Contact, Button
and HandOffAuto and the levels at their pins, bouncing.  What the model is told
comes from a debouncer of this file, which asks no clock in passes: a contact
has settled where its wave stands still for longer than the debouncing time.
"""

from __future__ import annotations

import dataclasses
import random
from collections import Counter
from collections.abc import Iterable, Sequence
from itertools import pairwise
from pathlib import Path

import pytest

from buildkit.control import Touch
from buildkit.model import Build, Hand
from tests import native
from tests.chip_world import circuit_of
from tests.outside.test_control_agrees import (
    CAUSES,
    DENSE,
    ENTRY,
    EXTRAS,
    HEAD,
    PLAIN,
    Case,
    Scale,
    Variant,
    by_model,
    by_sketch,
    difference,
    made_case,
    source,
)

pytestmark = pytest.mark.slow

VARIANTS: list[Variant] = [frozenset(), frozenset(EXTRAS)]
DOES = ("rest", "toggle", "run-for")
BY_HAND = {
    "structs": "Hand Contact Button HandOffAuto",
    "members": ", last[i], heats[i], false",
    "hands": """
    Hand *last[3] = {};
    bool heats[3] = {};
    for (long i = 0; i < controls; i++) heats[i] = number();
    static Button *button[12];
    static HandOffAuto *selector[12];
    long buttons = 0, selectors = 0;
    for (long left = number(); left; left--) {
      const long at = number(), kind = number(), first_pin = number();
      const uint16_t debounce_ms = number();
      const uint32_t for_ms = number();
      const uint8_t pin = first_pin, next_pin = first_pin + 1;
      const int8_t spent = kind ? 0 : -2;
      last[at] = new Hand{ loads[at], last[at], spent, spent };
      if (kind) button[buttons++] = new Button{ *last[at], { pin, debounce_ms, {}, false, false, false }, " rtf"[kind], for_ms, {} };
      else selector[selectors++] = new HandOffAuto{ *last[at], { pin, debounce_ms, {}, false, false, false }, { next_pin, debounce_ms, {}, false, false, false }, (uint16_t)for_ms, {}, false, 0 };
    }
    static long edge_at[20000], edge_pin[20000];
    const long edges = number();
    if (edges > 20000) return 4;
    for (long i = 0; i < edges; i++) { edge_at[i] = number(); edge_pin[i] = number(); }
    for (int pin = 0; pin < 32; pin++) levels[pin] = HIGH;
    long edge = 0;""",
    "hand_timers": """
        for (long i = 0; i < buttons; i++) { shift(button[i]->contact.still, offset); shift(button[i]->run, offset); }
        for (long i = 0; i < selectors; i++) { shift(selector[i]->by_hand.still, offset); shift(selector[i]->by_itself.still, offset); shift(selector[i]->calm, offset); }""",
    "touch": """
      for (; edge < edges && edge_at[edge] == t; edge++) levels[edge_pin[edge]] = !levels[edge_pin[edge]];
      for (long i = 0; i < buttons; i++) button[i]->step();
      for (long i = 0; i < selectors; i++) selector[i]->step();""",
}  # fmt: skip
PINS = """
#define INPUT_PULLUP 2
static uint8_t levels[32];
static int digitalRead(uint8_t pin) { return levels[pin]; }
"""


def _base(variant: Variant) -> str:
    extras = "".join(EXTRAS[name] for name in sorted(variant))
    entries = [ENTRY.format(load, "a" if load == "x" else "b", extras) for load in "xyz"]
    heater = "draws: {volts: 24, amps: 1, kind: heater}, cutout: fuse"
    head = HEAD.replace("  x: {part: relay-module-active-low}", f"  x: {{part: relay-module-active-low, {heater}}}")  # fmt: skip
    hands = [f"  s_{load}: {{part: switch-hand-off-auto, commands: {load}}}\n" for load in "xyz"]
    for load in "xyz":
        for does in DOES:
            more = ", for_s: 5" if does == "run-for" else ""
            name = f"{does.replace('-', '_')}_{load}"
            hands.append(f"  {name}: {{part: button, commands: {load}, does: {does}{more}}}\n")
    return head.replace("control:\n", f"hands:\n{''.join(hands)}control:\n") + "".join(entries)


@pytest.fixture(scope="module")
def harnesses(tmp_path_factory: pytest.TempPathFactory) -> dict[Variant, Path]:
    into = tmp_path_factory.mktemp("hands")
    return {
        variant: native.build(
            PINS + source(variant, _base(variant), BY_HAND), into, "-".join(["v", *sorted(variant)])
        )
        for variant in VARIANTS
    }


# --- waves of contacts, and what they come to ------------------------------------------


def _wave(rng: random.Random, until_ms: int, debounce_ms: int, hold_ms: Sequence[int]) -> list[int]:
    """When a contact that is open at first changes: clean, bouncing, or only touched."""
    edges: list[int] = []
    t_ms = rng.choice([0, 1, debounce_ms, rng.choice(hold_ms)])
    while t_ms < until_ms:
        edges.append(t_ms)
        for _ in range(rng.choice([0, 0, 1, 2, 4])):
            t_ms += rng.choice([1, 2, max(1, debounce_ms - 1), debounce_ms])
            edges.append(t_ms)
        if rng.random() < 0.1:  # a cut wire hums
            for _ in range(rng.choice([5, 40])):
                t_ms += rng.randint(1, debounce_ms)
                edges.append(t_ms)
        t_ms += rng.choice([debounce_ms, debounce_ms + 1, *hold_ms])
    return edges


def _settled(edges: Sequence[int], debounce_ms: int, until_ms: int) -> list[tuple[int, bool]]:
    """When a contact is known to be closed or open, each state once."""
    found: list[tuple[int, bool]] = []
    stands = [(0, False), *((at, n % 2 == 0) for n, at in enumerate(edges))]
    for (at, closed), (gone, _) in pairwise([*stands, (until_ms * 2, False)]):
        if gone - at > debounce_ms and (not found or found[-1][1] != closed):
            found.append((at + debounce_ms, closed))
    return found


def _button(name: str, states: Iterable[tuple[int, bool]]) -> list[Touch]:
    """A press is a contact that closes after it was known to be open."""
    return [(t_ms, name, "press") for _, (t_ms, closed) in pairwise(states) if closed]


def _still(edges: Sequence[int], debounce_ms: int, until_ms: int) -> list[tuple[int, int]]:
    """From when until before when a contact has stood still for the debouncing time."""
    ends = pairwise([0, *edges, 2 * until_ms])
    return [(from_ms + debounce_ms, to_ms) for from_ms, to_ms in ends if from_ms + debounce_ms < to_ms]  # fmt: skip


def _restless(
    waves: Sequence[Sequence[int]], debounce_ms: int, known_ms: int, limit_ms: int, until_ms: int
) -> list[tuple[int, int]]:
    """From when until before when one of two contacts has been on the move for too long."""
    one, other = (_still(wave, debounce_ms, until_ms) for wave in waves)
    both = sorted((max(a, c), min(b, d)) for a, b in one for c, d in other if max(a, c) < min(b, d))
    calm = [(known_ms, known_ms + 1), *((a, b) for a, b in both if b > known_ms), (2 * until_ms, 0)]
    found, last_ms = [], known_ms
    for begin_ms, end_ms in calm:
        if last_ms + limit_ms < begin_ms:
            found.append((last_ms + limit_ms, begin_ms))
        last_ms = max(last_ms, end_ms - 1)
    return found


def _switch(
    name: str, waves: Sequence[Sequence[int]], debounce_ms: int, limit_ms: int, until_ms: int
) -> list[Touch]:
    """Positions, from when both contacts are known."""
    by_hand, by_itself = (_settled(wave, debounce_ms, until_ms) for wave in waves)
    if not by_hand or not by_itself:
        return []
    known_ms = max(by_hand[0][0], by_itself[0][0])
    moving = _restless(waves, debounce_ms, known_ms, limit_ms, until_ms)
    times = {
        known_ms,
        *(t for t, _ in (*by_hand, *by_itself)),
        *(t for span in moving for t in span),
    }
    touches: list[Touch] = []
    for t_ms in sorted(t for t in times if t >= known_ms):
        one, other = ([c for t, c in side if t <= t_ms][-1] for side in (by_hand, by_itself))
        position = "off" if one == other else "hand" if one else "auto"
        position = "off" if any(a <= t_ms < b for a, b in moving) else position
        if not touches or touches[-1][2] != position:
            touches.append((t_ms, name, position))
    return touches


# --- random hands on the random cases ----------------------------------------------------


def _handed(case: Case, scale: Scale) -> tuple[Case, list[list[int]], list[Touch]]:
    """The case with some of its build's hands, their lines for the harness, and the touches."""
    rng = random.Random(f"hands {case.seed}")
    drives = [entry.drive for entry in case.build.control]
    kept: dict[str, Hand] = {}
    rows, edges, touches = [], [], []
    for name, hand in case.build.hands.items():
        if hand.commands not in drives or rng.random() < 0.55:
            continue
        debounce_ms = rng.choice([1, 2, 5, 25])
        for_ms = rng.choice([1, 3, *scale.dwell_ms[2:]])
        kept[name] = dataclasses.replace(hand, for_s=for_ms / 1000 if hand.for_s else None)
        pin = 2 * len(rows)
        waves = [
            _wave(rng, case.until_ms, debounce_ms, scale.longest_ms)
            for _ in range(2 if hand.selector else 1)
        ]
        edges += [(at, pin + n) for n, wave in enumerate(waves) for at in wave]
        if hand.selector:
            for_ms = rng.choice([20, 60, 400])
            touches += _switch(name, waves, debounce_ms, for_ms, case.until_ms)
        else:
            touches += _button(name, _settled(waves[0], debounce_ms, case.until_ms))
        kind = 0 if hand.selector else 1 + DOES.index(hand.does)
        rows.append([drives.index(hand.commands), kind, pin, debounce_ms, for_ms])
    heats = [int(drive == "x") for drive in drives]
    lines = [heats, [len(rows)], *rows, [len(edges)], *map(list, sorted(edges))]
    build = _heaters_rest(dataclasses.replace(case.build, hands=kept))
    touches = sorted(touch for touch in touches if touch[0] <= case.until_ms)
    return dataclasses.replace(case, build=build), lines, touches


def _heaters_rest(build: Build) -> Build:
    """A heater that would run blind is refused, so that no sketch has one."""
    entries = (
        dataclasses.replace(entry, if_no_reading="off") if entry.drive == "x" else entry
        for entry in build.control
    )
    return dataclasses.replace(build, control=tuple(entries))


def _compare(count: int, scale: Scale, harnesses: dict[Variant, Path], roll: bool) -> Counter[str]:
    bases = {variant: circuit_of(_base(variant)).build for variant in VARIANTS}
    made = [_handed(made_case(seed, scale, bases), scale) for seed in range(count)]
    seen: Counter[str] = Counter()
    for variant, program in harnesses.items():
        mine = [one for one in made if one[0].variant == variant]
        cases, lines, touches = (list(column) for column in zip(*mine, strict=True))
        said = by_sketch(cases, program, roll, lines)
        for case, touched, sketched in zip(cases, touches, said, strict=True):
            modelled = by_model(case, touched)
            assert sketched == modelled, difference(case, sketched, modelled)
            seen.update(f"{load == 'x'} {state}: {cause}" for _, load, state, cause in modelled[0])
    return seen


@pytest.mark.parametrize("roll", [False, True], ids=["from zero", "counter rolls over"])
def test_hands_where_everything_coincides(harnesses: dict[Variant, Path], roll: bool) -> None:
    seen = _compare(600, DENSE, harnesses, roll)
    assert {cause.split(": ")[1] for cause in seen} == set(CAUSES.values())
    for load in ("True", "False"):
        assert (
            min(seen[f"{load} {what}"] for what in ("on: hand", "off: hand", "off: max-on")) > 100
        )
    assert min(seen.values()) > 20, seen


def test_hands_over_minutes(harnesses: dict[Variant, Path]) -> None:
    seen = _compare(60, PLAIN, harnesses, roll=False)
    assert min(seen[f"{load} on: hand"] for load in ("True", "False")) > 20, seen
