"""The written sketch and the reference model decide the same, to the millisecond.

The sketch's own Timer, Load, Probe and Control are cut out, compiled for this
computer and passed through each millisecond of random traces, in the order of
the sketch's loop(); the model sees the same readings and its own deadlines.
Neither knows of the other, and both follow design.md section 3.  Ten thousand
traces in all, each from a counter at zero and across its roll-over; what they
prove holds on every board, since the text that decides is the same on each.
"""

from __future__ import annotations

import dataclasses
import itertools
import random
from collections import Counter
from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from pathlib import Path

import pytest

from buildkit import control, sketch
from buildkit.control import Reading
from buildkit.model import Build
from tests import native
from tests.chip_world import circuit_of

pytestmark = pytest.mark.slow

HEAD = """build: agree
board: atmega2560-5v
supply: {rail: 5V, max_ma: 2000}
probes:
  a: {part: ntc-divider, value: temperature, every_s: 1}
  b: {part: ntc-divider, value: temperature, unit: degF, every_s: 1}
loads:
  x: {part: relay-module-active-low}
  y: {part: relay-module-active-low}
  z: {part: relay-module-active-low}
control:
"""
ENTRY = (
    "  - {{drive: {0}, by: {1}, start_at: 30, stop_at: 20, if_no_reading: off, "
    "no_reading_after_s: 30{2}}}\n"
)
EXTRAS = {"stuck": ", stuck_after_s: 90", "max_on": ", max_on_s: 100", "run_on": ", run_on_s: 5"}
Variant = frozenset[str]
VARIANTS = [frozenset(c) for n in range(4) for c in itertools.combinations(EXTRAS, n)]

# loop() of templates/sketch/main.j2: probes and readers, controls, log. At one
# moment the counter may jump, as if the board had been on for weeks: running
# timers keep their age, and what a passed timer remembers is of no account.
HARNESS = """
typedef int16_t steps_t;
typedef int16_t sum_t;
%(parts)s
static long number() { long n; if (scanf("%%ld", &n) != 1) exit(3); return n; }
static uint32_t noise = 1;
static void shift(Timer &timer, uint32_t by) {
  noise = noise * 1664525u + 1013904223u;
  timer.from_ms = timer.done ? noise : timer.from_ms + by;
}
int main() {
  long probes;
  while (scanf("%%ld", &probes) == 1) {
    const long controls = number(), events = number(), until = number();
    const long jump_at = number(), jump = number();
    static steps_t windows[2][16];
    static Load loads[3] = { { 2, LOW, false }, { 3, LOW, false }, { 4, LOW, false } };
    Probe *probe[2];
    Control *entry[3];
    for (long i = 0; i < probes; i++) {
      const uint8_t count = number();
      const steps_t low = number(), high = number();
      const uint32_t warm_up_ms = number(), stuck_ms = number();
      (void)stuck_ms;
      probe[i] = new Probe{ windows[i], count, low, high, warm_up_ms%(probe)s };
    }
    %(hands)s
    for (long i = 0; i < controls; i++) {
      loads[i].on = false;
      Probe &by = *probe[number()];
      const bool rising = number();
      const sum_t start = number(), stop = number();
      const uint32_t on = number(), off = number(), longest = number(), run = number();
      (void)longest; (void)run;
      const bool rests = number();
      const uint32_t silent = number();
      entry[i] = new Control{ loads[i], by, rising, start, stop, on, off%(control)s };
    }
    long left = events, at = left ? number() : -1, who = 0, has = 0, steps = 0;
    if (left) { who = number(); has = number(); steps = number(); }
    uint32_t offset = 0;
    for (long t = 0; t <= until; t++) {
      if (t == jump_at) {
        offset = jump;
        for (long i = 0; i < probes; i++) { %(probe_timers)s }
        for (long i = 0; i < controls; i++) {
          shift(entry[i]->edge, offset); shift(entry[i]->quiet, offset); %(control_timers)s
        }
        %(hand_timers)s
      }
      now_ms = (uint32_t)t + offset;
      for (long i = 0; i < probes; i++) {
        probe[i]->heard = false;
        probe[i]->step();
        while (left && at == t && who == i) {
          if (has) probe[i]->accept(steps);
          else probe[i]->lose();
          if (--left) { at = number(); who = number(); has = number(); steps = number(); }
        }
      }
      %(touch)s
      for (long i = 0; i < controls; i++) {
        entry[i]->step();
        if (entry[i]->cause) printf("%%ld %%ld %%d %%c\\n", t, i, loads[i].on, entry[i]->cause);
        entry[i]->cause = 0;
      }
    }
    for (long i = 0; i < probes; i++) {
      printf("= %%d %%d %%ld\\n", probe[i]->lost, probe[i]->filled, (long)probe[i]->sum);
      delete probe[i];
    }
    for (long i = 0; i < controls; i++) {
      printf("= %%d %%d\\n", entry[i]->awake, entry[i]->forced);
      delete entry[i];
    }
    puts(".");
  }
}
"""
CAUSES = {"+": "start", "-": "stop", "n": "no-reading", "m": "max-on", "h": "hand"}
NO_HANDS = {"structs": "", "hands": "", "hand_timers": "", "touch": "", "members": ""}


def _base(variant: Variant) -> str:
    extras = "".join(EXTRAS[name] for name in sorted(variant))
    entries = [ENTRY.format(load, "a" if load == "x" else "b", extras) for load in "xyz"]
    return HEAD + "".join(entries)


def source(variant: Variant, base: str, by_hand: Mapping[str, str] = NO_HANDS) -> str:
    """The harness around the pieces of a sketch; ``by_hand`` is what hand controls add to it."""
    text = sketch.render(circuit_of(base))
    parts = "\n".join(
        native.cut(text, f"struct {n} ")
        for n in ("Timer", "Load", "Probe", *by_hand["structs"].split(), "Control")
    )
    stuck, max_on, run_on = (name in variant for name in EXTRAS)
    # The order of the members is that of the sketch's own initialisers; were it
    # another, numbers would go astray and no trace would agree.
    return HARNESS % {
        "parts": parts,
        "probe": (", stuck_ms, {}" if stuck else "")
        + ", 0, 0, 0, 0, false, warm_up_ms == 0, false, false, false, 0, 0"
        + (", false" if stuck else ""),
        "control": (", longest" if max_on else "")
        + (", run" if run_on else "")
        + ", rests, silent, {}, {}, false, false, false, 0"
        + (", {}" if max_on else "")
        + (", {}, false" if run_on else "")
        + by_hand["members"],
        "hands": by_hand["hands"],
        "touch": by_hand["touch"],
        "hand_timers": by_hand["hand_timers"],
        "probe_timers": "shift(probe[i]->unchanged, offset);" if stuck else "",
        "control_timers": ("shift(entry[i]->running, offset);" if max_on else "")
        + ("shift(entry[i]->run_on, offset);" if run_on else ""),
    }


@pytest.fixture(scope="module")
def harnesses(tmp_path_factory: pytest.TempPathFactory) -> dict[Variant, Path]:
    into = tmp_path_factory.mktemp("control")

    def make(variant: Variant) -> Path:
        return native.build(
            source(variant, _base(variant)), into, "-".join(["v", *sorted(variant)])
        )

    with ThreadPoolExecutor() as pool:
        return dict(zip(VARIANTS, pool.map(make, VARIANTS), strict=True))


# --- random settings and traces --------------------------------------------------


@dataclass(frozen=True)
class Case:
    """Settings, readings, and when the rehearsal ends."""

    seed: int
    variant: Variant
    build: Build
    readings: Sequence[Reading]
    until_ms: int


@dataclass(frozen=True)
class Scale:
    """How long things take: short ones make deadlines and readings coincide."""

    dwell_ms: Sequence[int]
    silent_ms: Sequence[int]
    longest_ms: Sequence[int]
    stuck_ms: Sequence[int]
    warm_ms: Sequence[int]
    every_ms: Sequence[int]
    readings: Sequence[int]


DENSE = Scale(
    (0, 0, 1, 2, 7, 20, 45), (1, 3, 9, 20, 31), (1, 6, 20, 60), (1, 8, 30), (0, 0, 1, 10, 40),
    (1, 2, 5, 9), (8, 16, 24, 24, 60),
)  # fmt: skip
PLAIN = Scale(
    (0, 5_000, 10_000, 30_000), (5_000, 15_000), (40_000, 90_000), (20_000, 45_000),
    (0, 30_000), (500, 1_000, 2_000), (140,),
)  # fmt: skip


def _entry(rng: random.Random, scale: Scale, entry: control.Control, by: str, extra: Variant):  # type: ignore[no-untyped-def]
    """A control entry with thresholds near 20 degC; some between two steps of the sensor."""
    low = Fraction(rng.randrange(190_0, 205_0), 100)
    gap = Fraction(rng.choice([1, 5, 10, 25, 100, 150]), 100)
    ends = [low, low + gap]
    if by == "b":
        ends = [end * 9 / 5 + 32 for end in ends]
    rng.shuffle(ends)
    return dataclasses.replace(
        entry,
        by=by,
        start_at=ends[0],
        stop_at=ends[1],
        min_on_s=rng.choice(scale.dwell_ms) / 1000,
        min_off_s=rng.choice(scale.dwell_ms) / 1000,
        max_on_s=rng.choice(scale.longest_ms) / 1000 if "max_on" in extra else None,
        run_on_s=rng.choice(scale.dwell_ms[1:]) / 1000 if "run_on" in extra else 0.0,
        if_no_reading=rng.choice(["off", "on"]),
        no_reading_after_s=rng.choice(scale.silent_ms) / 1000,
        stuck_after_s=rng.choice(scale.stuck_ms) / 1000 if "stuck" in extra else None,
    )


def _build(rng: random.Random, scale: Scale, base: Build, variant: Variant) -> Build:
    probes = {}
    for name in "ab":
        probe = base.probes[name]
        figures = dict(probe.use.figures)
        figures["warm_up_s"] = dataclasses.replace(
            figures["warm_up_s"], value=rng.choice(scale.warm_ms) / 1000
        )
        use = dataclasses.replace(probe.use, figures=figures)
        probes[name] = dataclasses.replace(probe, use=use, average=rng.choice([1, 1, 2, 3, 7, 16]))
    entries = base.control[: rng.randint(1, 3)]
    made = []
    for number, entry in enumerate(entries):
        # The first entry has every extra of the variant, as something in the build must.
        extra = variant if number == 0 else frozenset(e for e in variant if rng.random() < 0.5)
        made.append(_entry(rng, scale, entry, rng.choice("ab"), extra))
    return dataclasses.replace(base, probes=probes, control=tuple(made))


def _values(rng: random.Random, count: int) -> list[int | None]:
    """Steps of 0.1 degC: levels held for a while, with flicker, losses and false values."""
    values: list[int | None] = []
    while len(values) < count:
        level, flicker = rng.choice([150, 185, 195, 200, 205, 215, 260]), rng.choice([0, 1, 12])
        what = rng.random()
        for _ in range(rng.randint(1, 25)):
            if what < 0.08 or rng.random() < 0.04:
                values.append(None)
            elif rng.random() < 0.03:
                values.append(rng.choice([-401, -400, 1250, 1251, 2000]))
            else:
                values.append(level + rng.randint(-flicker, flicker))
    return values[:count]


def _readings(rng: random.Random, scale: Scale) -> list[Reading]:
    readings: list[Reading] = []
    for name in "ab":
        t_ms, every = rng.choice([0, rng.choice(scale.every_ms)]), rng.choice(scale.every_ms)
        for steps in _values(rng, rng.choice(scale.readings)):
            readings.append((t_ms, name, steps))
            t_ms += every if rng.random() < 0.9 else rng.choice(scale.every_ms)
            if rng.random() < 0.03:
                t_ms += rng.choice(scale.silent_ms) + rng.choice([-1, 0, 1, scale.dwell_ms[-1]])
    return sorted(readings, key=lambda r: r[:2])


def made_case(seed: int, scale: Scale, bases: dict[Variant, Build]) -> Case:
    """A random case on one of the base builds."""
    rng = random.Random(seed)
    variant = list(bases)[seed % len(bases)]
    build = _build(rng, scale, bases[variant], variant)
    readings = _readings(rng, scale)
    until_ms = readings[-1][0] + rng.choice(scale.silent_ms) + 2 * max(scale.dwell_ms)
    return Case(seed, variant, build, readings, until_ms)


def _cases(seeds: range, scale: Scale) -> list[Case]:
    bases = {variant: circuit_of(_base(variant)).build for variant in VARIANTS}
    return [made_case(seed, scale, bases) for seed in seeds]


# --- the same trace through both ---------------------------------------------------


def _question(case: Case, roll: bool, hands: Sequence[Sequence[int]] = ()) -> str:
    """What the harness reads; ``hands`` are its lines of hand controls."""
    names = list(case.build.probes)
    windows = [control.probe_settings(p, case.build.control) for p in case.build.probes.values()]
    entries = [control.settings(c, case.build.probes[c.by]) for c in case.build.control]
    jump_at, jump = -1, 0
    if roll:
        rng = random.Random(case.seed)
        jump_at = rng.randint(1 + max(w.warm_up_ms for w in windows), case.until_ms)
        jump = 2**32 - jump_at - rng.randint(0, case.until_ms - jump_at)
    lines = [[len(windows), len(entries), len(case.readings), case.until_ms, jump_at, jump]]
    lines += [[w.count, w.low, w.high, w.warm_up_ms, w.stuck_after_ms or 0] for w in windows]
    lines += hands
    lines += [
        [names.index(e.by), e.rising, e.start_sum, e.stop_sum, e.min_on_ms, e.min_off_ms,
         e.max_on_ms or 0, e.run_on_ms, e.rests_when_silent, e.silent_after_ms]
        for e in entries
    ]  # fmt: skip
    lines += [[t, names.index(who), s is not None, s or 0] for t, who, s in case.readings]
    return "".join(" ".join(str(int(n)) for n in line) + "\n" for line in lines)


Told = tuple[list[tuple[int, str, str, str]], list[tuple[int, ...]]]


def by_sketch(
    cases: Sequence[Case], program: Path, roll: bool, hands: Sequence[Sequence[Sequence[int]]] = ()
) -> list[Told]:
    """What the sketch's own C++ says to cases, each with its lines of hand controls."""
    lines = hands or [()] * len(cases)
    asked = (_question(case, roll, more) for case, more in zip(cases, lines, strict=True))
    said = native.ask(program, "".join(asked))
    answers = said.split(".\n")[:-1]
    assert len(answers) == len(cases)
    told: list[Told] = []
    for case, answer in zip(cases, answers, strict=True):
        loads = [entry.drive for entry in case.build.control]
        rows = [row.split() for row in answer.splitlines()]
        changes = [
            (int(t), loads[int(index)], "on" if on == "1" else "off", CAUSES[cause])
            for t, index, on, cause in (row for row in rows if row[0] != "=")
        ]
        told.append((changes, [tuple(map(int, row[1:])) for row in rows if row[0] == "="]))
    return told


def by_model(case: Case, touches: Sequence[control.Touch] | None = None) -> Told:
    """What the reference model says to a case."""
    model = control.run(case.build, case.readings, case.until_ms, touches)
    changes = [(c.t_ms, c.load, c.state, c.cause) for c in model.changes]
    ends: list[tuple[int, ...]] = [
        (w.lost, len(w.readings), w.total) for w in model.windows.values()
    ]
    ends += [(int(loop.awake), int(loop.forced)) for loop in model.loops]
    return changes, ends


@cache
def _modelled(count: int, scale: Scale) -> tuple[tuple[Case, Told], ...]:
    """Cases, each with what the model says; the same for every start of the counter."""
    return tuple((case, by_model(case)) for case in _cases(range(count), scale))


def _compare(
    known: Sequence[tuple[Case, Told]], harnesses: dict[Variant, Path], roll: bool
) -> Counter[str]:
    seen: Counter[str] = Counter()
    for variant, program in harnesses.items():
        mine = [(case, told) for case, told in known if case.variant == variant]
        said = by_sketch([case for case, _ in mine], program, roll)
        for (case, modelled), sketched in zip(mine, said, strict=True):
            assert sketched == modelled, difference(case, sketched, modelled)
            seen.update(f"{state}: {cause}" for _, _, state, cause in modelled[0])
            seen[FORCED] += (1, 1) in modelled[1]
    return seen


def difference(case: Case, sketched: Told, modelled: Told) -> str:
    """Where sketch and model first part."""
    pairs = itertools.zip_longest(sketched[0], modelled[0])
    first = next(((s, m) for s, m in pairs if s != m), (sketched[1], modelled[1]))
    entries = [control.settings(c, case.build.probes[c.by]) for c in case.build.control]
    windows = [control.probe_settings(p, case.build.control) for p in case.build.probes.values()]
    return f"seed {case.seed}: sketch {first[0]}, model {first[1]}\n{entries}\n{windows}"


FORCED = "ends in a forced rest"
EVERY_CHANGE = {
    "on: start", "off: stop", "off: no-reading", "on: no-reading", "off: max-on",
}  # fmt: skip


@pytest.mark.parametrize("roll", [False, True], ids=["from zero", "counter rolls over"])
def test_short_traces_where_deadlines_coincide(harnesses: dict[Variant, Path], roll: bool) -> None:
    seen = _compare(_modelled(9_840, DENSE), harnesses, roll)
    # Every kind of change was met often: the agreement is not about nothing.
    assert seen.pop(FORCED) > 50
    assert seen.keys() == EVERY_CHANGE
    assert min(seen.values()) > 1000, seen


@pytest.mark.parametrize("roll", [False, True], ids=["from zero", "counter rolls over"])
def test_traces_of_minutes(harnesses: dict[Variant, Path], roll: bool) -> None:
    seen = _compare(_modelled(160, PLAIN), harnesses, roll)
    assert seen.pop(FORCED) > 0
    assert seen.keys() == EVERY_CHANGE
    assert min(seen.values()) > 30, seen


# --- every board ------------------------------------------------------------------------


ONE = """build: agree
board: {board}
supply: {{rail: 5V, max_ma: 2000}}
probes:
  a: {{part: ds18b20, value: temperature, every_s: 1}}
loads:
  x: {{part: relay-module-active-low}}
control:
"""
BOARDS = sorted(path.stem for path in (Path(__file__).parents[2] / "boards").glob("*.yaml"))


def _deciding(text: str) -> list[str]:
    """All text of a sketch that decides: what HARNESS cuts out, less how a pin is made an output."""
    pieces = [native.cut(text, f"struct {name} ") for name in ("Timer", "Probe", "Control")]
    return [*pieces, native.cut(text, "void set(bool run)")]


@pytest.mark.parametrize("variant", [frozenset(), frozenset(EXTRAS)], ids=["plain", "every extra"])
def test_the_text_that_decides_is_the_same_on_every_board(variant: Variant) -> None:
    """So what the traces prove is proven for each.

    The types in it have the same width on all (``uint32_t`` and the like).  Where ``int`` is
    16 bits wide, on the AVR boards, nothing is added up beyond it: the sum's type holds a whole
    window (test_sketch), counts and its place end at ``count``; test_chip_examples runs it there.
    """
    extras = "".join(EXTRAS[name] for name in sorted(variant))
    entry = ENTRY.format("x", "a", extras)
    expected = _deciding(sketch.render(circuit_of(_base(variant))))
    assert len(BOARDS) > 10
    for board in BOARDS:
        text = sketch.render(circuit_of(ONE.format(board=board) + entry))
        assert _deciding(text) == expected, board
        assert "typedef int16_t steps_t;" in text
        assert "typedef int16_t sum_t;" in text


# --- the numbers that a written sketch carries ----------------------------------------


def _written(text: str, opening: str) -> list[str]:
    return native.cut(text, opening).split("{", 1)[1].rstrip("};").strip().split(", ")


def _whole(words: Sequence[str]) -> list[int]:
    return [int({"true": "1", "false": "0"}.get(w, w).rstrip("UL")) for w in words]


def test_the_sketch_carries_the_numbers_that_the_model_compares() -> None:
    circuits = {variant: circuit_of(_base(variant)) for variant in VARIANTS}
    bases = {variant: circuit.build for variant, circuit in circuits.items()}
    for seed in range(48):
        case = made_case(seed, PLAIN, bases)
        build = case.build
        text = sketch.render(dataclasses.replace(circuits[case.variant], build=build))
        stuck, max_on, run_on = (name in case.variant for name in EXTRAS)
        for entry in build.control:
            e = control.settings(entry, build.probes[entry.by])
            words = _written(text, f"Control control_{e.drive} ")
            assert words[:2] == [f"load_{e.drive}", f"probe_{e.by}"]
            expected = [e.rising, e.start_sum, e.stop_sum, e.min_on_ms, e.min_off_ms]
            expected += [e.max_on_ms or 0] if max_on else []
            expected += [e.run_on_ms] if run_on else []
            expected += [e.rests_when_silent, e.silent_after_ms]
            assert _whole(words[2 : 2 + len(expected)]) == expected
        for name, probe in build.probes.items():
            w = control.probe_settings(probe, build.control)
            words = _written(text, f"Probe probe_{name} ")
            numbers = [w.count, w.low, w.high, w.warm_up_ms]
            numbers += [w.stuck_after_ms or 0] if stuck else []
            assert _whole(words[1 : 1 + len(numbers)]) == numbers
            assert f"window_{name}[{w.count}];" in text
