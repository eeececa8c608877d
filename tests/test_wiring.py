"""The wiring list and its pages: complete, in the order of work, and proof against text."""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given, settings

from buildkit import (
    bench,
    bill,
    budget,
    buildfile,
    cautions,
    document,
    picture,
    proving,
    seating,
    wiring,
)
from buildkit.circuit import Circuit
from buildkit.tables import Tables
from tests.wiring_builds import (
    EXAMPLES,
    HOSTILE,
    circuit_of,
    circuits,
    example,
    finding,
    shifted,
)

ORDER = ["ground", "supply", "signal", "load", "mains"]
HOOD, REED, MAT = (
    next(p for p in EXAMPLES if p.stem == s) for s in ("kitchen-hood", "reed-room", "seedling-mat")
)
ON_MAINS = [p for p in EXAMPLES if example(p).build.mains]


class _Page(HTMLParser):
    """Tags, attributes, and the text outside of style and script."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.shown = ""
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in {"meta", "input", "col"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        if not self.open or self.open[-1] not in ("style", "script"):
            self.shown += data


def _page(circuit: Circuit) -> _Page:
    return _Page(wiring.render_html(circuit, [finding()], ["It runs when it must."]))


def _csv(circuit: Circuit) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(wiring.render_csv(circuit), newline="")))


def _complete(circuit: Circuit) -> None:
    table = wiring.rows(circuit)
    assert Counter(row.net for row in table) == Counter(net.name for net in circuit.nets)
    assert [row.number for row in table] == list(range(1, len(table) + 1))
    ranks = [ORDER.index(row.kind) for row in table]
    assert ranks == sorted(ranks)
    nets = {net.name: net for net in circuit.nets}
    for row in table:
        ends = [bench.end_text(circuit.board, end) for end in nets[row.net].ends]
        listed = row.ends if row.block else (row.start, *row.ends)
        assert [end.split(" (cable")[0] for end in listed] == ends
        assert row.block == (len(ends) > 2)
        if row.block:
            word = bench.net_word(circuit.build, nets[row.net])
            assert row.start == f"{word} block, {len(ends)} ways"
        assert row.length
        assert row.continuity.startswith("below ")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_every_net_of_an_example_is_listed_once(path: Path) -> None:
    _complete(example(path))


@pytest.mark.slow
@settings(max_examples=60, deadline=None)
@given(circuits())
def test_every_net_of_any_build_is_listed_once_and_all_pages_can_be_made(circuit: Circuit) -> None:
    _complete(circuit)
    assert [int(line["number"]) for line in _csv(circuit)] == [
        r.number for r in wiring.rows(circuit)
    ]
    page = _page(circuit)
    assert not page.open
    assert "It runs when it must." in wiring.render_md(
        circuit, [finding()], ["It runs when it must."]
    )


def test_the_last_wire_is_the_one_that_carries_live_before_the_fuse() -> None:
    for path in ON_MAINS:
        kinds = [row.net for row in wiring.rows(example(path)) if row.kind == "mains"]
        assert (kinds[0], kinds[-1]) == ("earth", "live")


def test_colours_and_sizes_follow_side_and_region() -> None:
    hood, mat = ({row.net: row for row in wiring.rows(example(p))} for p in (HOOD, MAT))
    assert (hood["GND"].colour, hood["5V"].colour) == ("black", "red")
    assert [hood[n].colour for n in ("live", "hood switched", "neutral", "earth")] == [
        "black",
        "red",
        "white",
        "green, or bare",
    ]
    assert [mat[n].colour for n in ("live", "neutral", "earth")] == [
        "brown",
        "blue",
        "green-yellow",
    ]
    assert hood["live"].size == "AWG 14 (2.08 mm²)"  # behind the usual 3 A fuse, NEC 240.4(D)
    assert mat["live"].size == "1.5 mm²"


def test_no_signal_wears_a_colour_of_the_mains() -> None:
    for path in EXAMPLES:
        table = wiring.rows(example(path))
        mains = {row.colour.split(",")[0] for row in table if row.kind == "mains"}
        signals = {row.colour.split(",")[0] for row in table if row.kind == "signal"}
        assert signals
        assert not mains & signals


def test_a_signal_shows_the_level_of_the_part_that_drives_it() -> None:
    volts = {row.net: row.volts for row in wiring.rows(example(HOOD))}
    assert volts["pin 8"] == "0 to 3.3 V"  # the dust sensor speaks at 3.3 V
    assert volts["pin 7"] == "0 to 5 V"


def _with_cable(length_m: float) -> Circuit:
    return circuit_of(
        {
            "build": "far",
            "board": "atmega328p-5v",
            "supply": {"rail": "5V", "max_ma": 500},
            "probes": {"soil": {"part": "ds18b20", "value": "temperature", "every_s": 2}},
            "cables": {"soil": {"length_m": length_m, "awg": 24}},
        }
    )


def test_a_cable_shows_in_the_list_and_in_the_ohms_expected_along_it() -> None:
    near, far = ({r.net: r for r in wiring.rows(_with_cable(m))} for m in (1, 20))
    signal = next(row for row in far.values() if row.kind == "signal")
    assert "soil GND (cable AWG 24)" in (far["GND"].start, *far["GND"].ends)
    assert (far["GND"].length, signal.length) == ("20 m", "20 m to soil, else up to 0.3 m")
    assert far["5V"].length == "20 m to soil, else up to 0.3 m"
    assert {row.length for row in wiring.rows(example(HOOD))} == {"up to 0.3 m"}
    # 20 m of 0.205 mm2 copper are 1.7 ohms (ASTM B258: AWG 24 is 84.2 ohms a kilometre)
    assert (near["GND"].continuity, far["GND"].continuity) == ("below 1.1 Ω", "below 2.7 Ω")


# --- hostile text ------------------------------------------------------------------


def _hostile() -> Circuit:
    tree = {
        "build": "hostile",
        "about": HOSTILE[:400],
        "board": "atmega328p-5v",
        "supply": {"rail": "5V", "max_ma": 500},
        "mains": {"volts": 230, "hz": 50, "region": "uk"},
        "loads": {
            "mat": {
                "part": "relay-module-active-low",
                "draws": {"volts": 230, "amps": 1, "kind": "heater"},
                "cutout": "</td><img src=http://x.test onerror=alert(1)>|`_*[a](b)\u202e",
            }
        },
    }
    return circuit_of(tree)


def test_hostile_text_stays_text_in_html() -> None:
    said = ["</p><script>alert(2)</script>"]
    page = _Page(wiring.render_html(_hostile(), [finding(text="<b onclick=x>&")], said))
    assert not page.open
    tags = Counter(tag for tag, _ in page.tags)
    assert (tags["script"], tags["img"], tags["a"]) == (1, 0, 0)
    assert not any(name.startswith("on") for _, attrs in page.tags for name in attrs)
    for text in (
        "<script>alert(1)</script>",
        "</p><script>alert(2)</script>",
        "<b onclick=x>&",
        "</td><img",
    ):
        assert text in page.shown
    assert "\u202e" not in page.shown
    assert "U+202E" in page.shown


def test_hostile_text_stays_text_in_markdown() -> None:
    page = wiring.render_md(_hostile(), [finding(text="a|b\n# c")], ["1 <i>x</i> $m$"])
    assert "\\<script\\>" in page
    assert "\\[link\\](http\\://x.test)" in page
    assert "\u202e" not in page
    assert "**warning** (bus.too-fast): a\\|b \\# c. mend a\\|b \\# c" in page
    bare = re.sub(r"\\.", "", page)
    assert not re.search(r"[<>\[`$](?! \])", bare.replace("[ ]", ""))
    for line in bare.splitlines():
        if line.startswith("|") and "continuity" not in line:
            assert line.count("|") in (4, 5, 9), line


def _loud_tables(circuit: Circuit) -> Circuit:
    """The circuit with hostile text where somebody's own tables may bring it."""
    board = replace(circuit.board, title=HOSTILE)
    wires = tuple(
        replace(wire, terminal=replace(wire.terminal, about=f'=1+1\n"{HOSTILE}'))
        for wire in circuit.wires
    )
    return Circuit(replace(circuit.build, board=board), wires)


def test_hostile_text_of_a_table_stays_text_in_csv_and_svg() -> None:
    loud = _loud_tables(example(MAT))
    lines = _csv(loud)
    assert len(lines) == len(wiring.rows(loud))
    signals = [line["signal"] for line in lines if line["signal"].startswith("'=1+1 \"<script>")]
    assert len(signals) >= 4
    assert not any("\u202e" in cell for line in lines for cell in line.values())
    for drawn in picture.layout(loud):
        root = ElementTree.fromstring(picture.svg(drawn))
        tags = {node.tag.split("}")[1] for node in root.iter()}
        assert tags <= {"svg", "g", "rect", "path", "circle", "text"}
    low = " ".join(text.text for text in picture.layout(loud)[0].texts)
    assert "<script>alert(1)</script>" in low.replace(" ", "")
    assert "\u202e" not in low
    page = _page(loud)
    assert not page.open
    assert Counter(tag for tag, _ in page.tags)["script"] == 1


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t"])
def test_a_cell_is_never_a_formula(start: str) -> None:
    assert wiring._cell(f"{start}1+1").startswith("'")
    assert wiring._cell(f"hood CTRL{start}") == f"hood CTRL{start}".rstrip()


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_a_spreadsheet_may_read_the_csv_in_any_code_page(path: Path) -> None:
    assert wiring.render_csv(example(path)).isascii()


def test_the_csv_reads_back_and_ends_its_lines_as_rfc_4180_asks() -> None:
    text = wiring.render_csv(example(HOOD))
    assert text.count("\r\n") == text.count("\n") == 1 + len(wiring.rows(example(HOOD)))
    by_signal = {line["from"]: line for line in _csv(example(HOOD))}
    assert by_signal["board 7"]["to"] == "hood CTRL+"
    assert by_signal["GND block, 4 ways"]["to"] == "board GND; smoke GND; hood CTRL-; panel GND"


# --- the page ----------------------------------------------------------------------


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_the_page_asks_nothing_of_the_network_and_is_the_same_each_time(path: Path) -> None:
    circuit = example(path)
    html = wiring.render_html(circuit, [], [])
    assert html == wiring.render_html(example(path), [], [])
    page = _Page(html)
    assert not page.open
    outward = {"src", "href", "srcset", "action", "data", "poster", "xlink:href"}
    assert not [attrs for _, attrs in page.tags if outward & set(attrs)]
    addresses = re.findall(r"https?://[^\s\"'<]+|url\(|@import", html)
    assert set(addresses) <= {"http://www.w3.org/2000/svg"}
    ids = [attrs["id"] for tag, attrs in page.tags if tag == "input"]
    assert len(ids) == len(set(ids))


def test_the_first_page_says_what_it_is_and_what_was_found() -> None:
    circuit = example(HOOD)
    page = _page(circuit)
    for text in (
        circuit.build.about,
        circuit.board.id,
        circuit.board.title,
        "It runs when it must.",
        "the text. mend the text",
    ):
        assert text in page.shown
    worst = [finding("note", "small"), finding("warning", "large")]
    shown = _Page(wiring.render_html(circuit, worst, [])).shown
    assert shown.index("large") < shown.index("small")


def test_the_key_of_the_ticks_changes_with_the_wiring_alone() -> None:
    keys = [
        re.search(r'key = "([^"]+)"', wiring.render_html(example(p), f, []))
        for p, f in ((HOOD, []), (HOOD, [finding()]), (MAT, []))
    ]
    one, same, other = (key.group(1) for key in keys if key)
    assert one == same
    assert one != other


# --- what can hurt, what to buy, what is left ------------------------------------------


_RELAY = {"load_max_v": 250, "load_max_a": 10, "derate_from_c": 55, "derate_to_c": 85}
_OWN = {
    "smoke": {"supply_peak_ma": 100, "warm_up_s": 30},
    "panel": {"supply_peak_ma": 60, "module_pull_up_ohms": 4700},
    "air": {"module_pull_up_ohms": 10000},
    "shelf": {"r25_ohms": 10000, "beta_k": 3950},
    "hood": {
        "on_ma": 15, "load_max_v": 280, "load_max_a": 25, "bare_max_a": 3, "derate_from_c": 40,
        "derate_to_c": 80, "motor_share_percent": 30, "drop_v": 1.6,
    },
    "mat": _RELAY,
    "mist": _RELAY,
}  # fmt: skip


def _pinned(path: Path) -> Circuit:
    """An example with the figures that a test counts on, whatever the tables say tomorrow."""
    tree = document.read(path).plain()
    for section in ("probes", "loads", "displays"):
        for name, use in tree.get(section, {}).items():
            use["own_figures"] = _OWN.get(name, {})
    return circuit_of(tree)


def _measuring_only() -> Circuit:
    return _with_cable(1)


def test_cautions_stand_only_where_they_are_needed() -> None:
    assert cautions.cautions(_measuring_only()) == ()
    hood, mat = (" ".join(cautions.cautions(example(p))) for p in (HOOD, MAT))
    for text in (
        "prove dead",
        "fuse comes first",
        "Bond every metal",
        "two sides apart",
        "fail shorted",
        "no licence",
    ):
        assert text in hood
        assert text in mat
    assert "no disconnect" in hood
    assert "no disconnect" not in mat
    assert "is a motor" in hood
    assert "is a heater" in mat


def _on_two_lives() -> Circuit:
    return circuit_of(
        {
            "build": "dryer",
            "board": "atmega328p-5v",
            "supply": {"rail": "5V", "max_ma": 500},
            "mains": {"volts": 240, "hz": 60, "region": "us"},
            "loads": {
                "drum": {
                    "part": "relay-module-active-low",
                    "draws": {"volts": 240, "amps": 2, "kind": "motor"},
                }
            },
        }
    )


def test_240_v_in_the_us_has_two_live_conductors_and_says_so() -> None:
    circuit = _on_two_lives()
    assert any("both conductors are hot" in text for text in cautions.cautions(circuit))
    assert {r.net: r.colour for r in wiring.rows(circuit)}["neutral"] == "red, mark second hot"


def test_the_bill_carries_the_deciding_ratings() -> None:
    circuit = _pinned(HOOD)
    items = {item.use: item.ratings for item in bill.materials(circuit)}
    takes = "switches 120 V, 1.1 A motor, 6 A at start; rated 280 V and 25 A (your own figure)"
    assert takes in items["hood"]
    assert "of that 7.5 A count at 35 °C in the box, on its heat sink" in items["hood"]
    assert "of that 3 A count at 35 °C in the box, without a heat sink" in items["hood"]
    needs = 100 + 60 + 15 + circuit.board.figure("board_ma")
    assert f"the build needs {needs:.0f} mA at its peak" in items["board"]
    assert items["mains"]  # box and fuse
    fuse = next(item for item in bill.materials(example(HOOD)) if item.what.startswith("Fuse"))
    assert "usually 3 A" in fuse.ratings
    assert "local code decides" in fuse.ratings
    small = {item.what: item.ratings for item in bill.materials(example(MAT))}
    assert small["R1, pull-up resistor"].startswith("4.7 kΩ")


def test_budgets_show_value_limit_and_margin() -> None:
    circuit = _pinned(HOOD)
    lines = {line.what: line for line in budget.budgets(circuit)}
    rail = lines["Rail 5V for parts, at peak"]
    gives = circuit.rail_gives_ma(circuit.io_rail)
    assert rail.value == "175 mA (smoke 100, panel 60, hood 15)"
    assert rail.limit == f"at most {gives:g} mA"
    assert rail.margin.startswith(f"{gives - 175:g} mA (")
    # 1.6 V at 1.1 A; on the derating curve 3 A at 35 degC, and 1.1 A still at 65.3 degC
    heat = lines["Heat of hood, without a heat sink, at 35 °C"]
    assert (heat.value, heat.limit) == ("1.76 W (1.6 V at 1.1 A)", "at most 4.8 W")
    assert heat.margin == "3.04 W (63 %)"
    air = lines["Air around hood, without a heat sink, by its derating curve"]
    assert (air.value, air.limit, air.margin) == ("35 °C", "at most 65 °C at 1.1 A", "30 K")
    assert all(line.fits for line in lines.values())
    # Two modules' pull-ups side by side: 10 k beside 4.7 k (Ohm's law)
    reed = {line.what: line for line in budget.budgets(_pinned(REED))}
    assert reed["Pull-up of SDA"].value.startswith("3.2 kΩ")
    # UM10204 7.1: (5 - 0.4) V / 3 mA, and 1000 ns / (0.8473 x 70 pF) for 3 pins and 0.4 m
    assert reed["Pull-up of SDA"].limit == "1.53 kΩ to 16.9 kΩ"
    far = {line.what: line for line in budget.budgets(_with_cable(20))}
    # 1.5 mA twice along 20 m of 0.205 mm2 (ASTM B258) are 5 mV
    drop = far["Drop along the cable to soil"]
    assert (drop.value, drop.fits) == ("0.01 V (20 m of AWG 24 at 1.5 mA)", True)


def test_a_load_above_its_rating_is_shown_as_too_little() -> None:
    tree = {
        "build": "weak",
        "board": "atmega328p-5v",
        "supply": {"rail": "5V", "max_ma": 500},
        "ambient_c": 60,
        "loads": {
            "pump": {
                "part": "relay-module-active-low",
                "draws": {"volts": 230, "amps": 3, "kind": "motor"},
                "own_figures": {**_RELAY, "motor_share_percent": 30},
            }
        },
    }
    circuit = circuit_of(tree)
    line = next(x for x in budget.budgets(circuit) if x.what == "Load current of pump")
    # 10 A, derated from 55 to 85 degC to 8.33 A at 60 degC, of which 30 % for a motor
    assert (line.limit, line.fits) == ("at most 2.5 A", False)
    assert "(too little)" in wiring.render_md(circuit, [], [])


# --- proving ------------------------------------------------------------------------


def _steps(circuit: Circuit) -> dict[str, str]:
    return {step.do: step.expect for stage in proving.stages(circuit) for step in stage.steps}


def _expects(circuit: Circuit, do: str) -> str:
    return next(expect for text, expect in _steps(circuit).items() if do in text)


def test_steps_carry_the_numbers_of_the_build() -> None:
    hood, reed, mat = (_pinned(p) for p in (HOOD, REED, MAT))
    assert _expects(mat, "Measure R1") == "4.46 kΩ to 4.93 kΩ for 4.7 kΩ, 5 %."
    assert _expects(hood, "Measure 5V against GND") == "4.75 to 5.25 V at each."
    assert _expects(reed, "I2C scanner") == "Exactly 0x44 (air), 0x27 (panel)."
    assert "after 30 s of warm-up and 10 readings, 40 s" in _expects(hood, "Watch smoke")
    assert "starts when the average shown is 15 µg/m³ or more" in _expects(
        hood, "Push smoke over 15"
    )
    assert "rests when the average shown is 9 µg/m³ or less" in _expects(hood, "Push smoke under 9")
    assert "starts when the average shown is 20.5 °C or less" in _expects(
        mat, "Push soil under 20.5"
    )
    assert "rests within 15 s" in _expects(hood, "pull the plug of smoke")
    assert "lamp shows it" in _expects(mat, "pull the plug of soil")
    assert "rests after 2 min" in _expects(hood, "To prove max_on_s without waiting 4 h")
    # 85 degC less 30 K x 0.4 A / 10 A, the end of the relay's derating line for this load
    assert "the case of mat below 83 °C" in _expects(mat, "Fix an insulated temperature probe")
    # a 10 k bead of B 3950: 8.0 k at 30 degC and 15.8 k at 15 degC (IEC 60539-1)
    assert _expects(reed, "Measure the thermistor").startswith("8.04 kΩ at 30 °C to 15.8")


def test_steps_speak_the_words_of_the_region() -> None:
    sockets = {p.stem: next(d for d in _steps(example(p)) if "test button" in d) for p in ON_MAINS}
    assert "GFCI" in sockets["kitchen-hood"]
    assert "RCD" in sockets["reed-room"]
    assert "RCD" in sockets["seedling-mat"]


def test_a_build_that_only_measures_is_asked_for_nothing_else() -> None:
    circuit = _measuring_only()
    titles = [stage.title for stage in proving.stages(circuit)]
    assert titles == ["Without power", "Low voltage", "Faults"]
    assert "after five such rows its average too" in _expects(circuit, "Pull the plug of")
    text = " ".join([*_steps(circuit), *_steps(circuit).values()])
    assert "mains" not in text
    assert "I2C" not in text
    assert "mains" not in wiring.render_md(circuit, [], []).lower()


def test_the_hand_test_touches_the_level_that_runs_the_part() -> None:
    assert any(
        "hood CTRL+ off pin 7 of the board and touch it to 5V" in do for do in _steps(example(HOOD))
    )
    assert any(
        "mat IN off pin 7 of the board and touch it to GND" in do for do in _steps(example(MAT))
    )


def test_a_load_that_runs_when_blind_is_proved_to_run() -> None:
    tree = {
        "build": "vent",
        "board": "atmega328p-5v",
        "supply": {"rail": "5V", "max_ma": 500},
        "probes": {"dust": {"part": "pm-frame32", "value": "pm2_5", "every_s": 1}},
        "loads": {
            "fan": {
                "part": "relay-module-active-low",
                "draws": {"volts": 24, "amps": 1, "kind": "motor"},
            }
        },
        "control": [
            {"drive": "fan", "by": "dust", "start_at": 900, "stop_at": 500, "if_no_reading": "on", "no_reading_after_s": 20}
        ],
    }  # fmt: skip
    circuit = circuit_of(tree)
    assert _expects(circuit, "pull the plug of dust").startswith("The load runs after 20 s")
    # 900 is out of reach of a candle, so that the threshold moves instead
    assert any("Push dust over 900" in do and "copy of the build" in do for do in _steps(circuit))
    assert _expects(circuit, "Measure the supply of fan").startswith("21.6 to 26.4 V")
    assert [row.net for row in wiring.rows(circuit) if row.kind == "load"]


def test_a_stuck_value_is_proved_in_a_time_that_a_builder_has() -> None:
    reed = _steps(example(REED))
    do = next(step for step in reed if "stuck_after_s" in step)
    assert "without waiting 2 h, set it to 60 in a copy of the build" in do
    assert "for 60 s, mist rests" in reed[do].replace("1 min", "60 s")
    assert not any("stuck_after_s" in step for step in _steps(example(HOOD)))


def _float() -> Circuit:
    return circuit_of(
        {
            "build": "sump",
            "board": "atmega328p-5v",
            "supply": {"rail": "5V", "max_ma": 500},
            "mains": {"volts": 230, "hz": 50, "region": "uk"},
            "probes": {"level": {"part": "float-switch", "value": "closed", "every_s": 1}},
            "loads": {
                "pump": {
                    "part": "relay-module-active-low",
                    "draws": {"volts": 230, "amps": 1, "kind": "motor"},
                }
            },
            "control": [
                {
                    "drive": "pump",
                    "by": "level",
                    "start_at": 1,
                    "stop_at": 0,
                    "max_on_s": 900,
                    "if_no_reading": "off",
                    "no_reading_after_s": 10,
                }
            ],
        }
    )


def test_a_probe_that_cannot_go_silent_is_asked_for_what_its_cut_wire_does() -> None:
    steps = _steps(_float())
    do = next(step for step in steps if "It cannot go silent" in step)
    assert "pump comes to rest, or stays at rest" in steps[do]
    assert not any("raw column of the log is empty" in expect for expect in steps.values())
    (step,) = [step for stage in proving.stages(_float()) for step in stage.steps if step.do == do]
    assert "max_on_s (15 min) is then all that ends a run" in step.if_not


def test_levels_on_both_sides_of_a_part_in_a_wire_are_measured() -> None:
    circuit = shifted()
    rail = circuit.board.rails["5V"].volts
    expect = _expects(circuit, "panel SDA against GND while that wire is high")
    assert expect.startswith(f"About 3.3 V at the pin and {rail:g} V at the part")
    _complete(circuit)


def test_a_bare_relay_brings_its_driver_into_list_bill_and_proof() -> None:
    circuit = circuit_of(
        {
            "build": "bare",
            "board": "atmega328p-5v",
            "supply": {"rail": "5V", "max_ma": 500},
            "loads": {
                "fan": {
                    "part": "relay-coil-bare",
                    "draws": {"volts": 12, "amps": 1, "kind": "motor"},
                }
            },
        }
    )
    _complete(circuit)
    ends = " ".join(end for row in wiring.rows(circuit) for end in (row.start, *row.ends))
    for lead in ("Q1 lead base", "Q1 lead collector", "Q1 lead emitter", "D1 lead cathode"):
        assert lead in ends
    assert any(item.what == "Q1, NPN transistor" for item in bill.materials(circuit))
    assert "ring (cathode)" in _expects(circuit, "Measure D1")


# --- regions -------------------------------------------------------------------------

# Conductor colours.  US usual practice after NFPA 70 (200.6 neutral white, 250.119 equipment
# ground green or bare, ungrounded any other, by usage black and red); IEC 60445 table A.1 (line
# brown, neutral blue, protective earth green-yellow), in force in the EU and the UK (BS 7671).
# All from memory.
COLOURS = {
    "us": ("black", "white", "green, or bare"),
    "eu": ("brown", "blue", "green-yellow"),
    "iec": ("brown", "blue", "green-yellow"),
    "uk": ("brown", "blue", "green-yellow"),
}
WORDS = {
    "us": ("hot (live)", "equipment ground", "GFCI", "breaker of the room (15 or 20 A)"),
    "eu": ("live", "protective earth", "RCD", "breaker of the room (mostly 16 A)"),
    "iec": ("live", "protective earth", "RCD", "breaker of the room (mostly 16 A)"),
    "uk": ("live", "protective earth", "RCD", "fuse of the plug (BS 1362)"),
}


@pytest.mark.parametrize("region", ["us", "eu", "iec", "uk"])
def test_words_and_colours_are_those_of_the_region(region: str) -> None:
    tree = document.read(MAT).plain()
    volts, hz = (120, 60) if region == "us" else (230, 50)
    tree["mains"] = {"volts": volts, "hz": hz, "region": region}
    tree["loads"]["mat"]["draws"]["volts"] = volts
    circuit = circuit_of(tree)
    table = {row.net: row for row in wiring.rows(circuit)}
    assert tuple(table[n].colour for n in ("live", "neutral", "earth")) == COLOURS[region]
    page = _page(circuit).shown
    for word in WORDS[region]:
        assert word in page
    source = "US usual practice (NFPA 70)" if region == "us" else "IEC 60445"
    assert f"mains after {source}, from memory" in page
    others = {"GFCI", "RCD", "BS 1362"} - {*WORDS[region], *(["BS 1362"] if region == "uk" else [])}
    for word in others:
        assert word not in page
    plug = [item.what for item in bill.materials(circuit) if "fuse" in item.what.lower()]
    assert plug == [
        "Plug with fuse, BS 1363 and BS 1362" if region == "uk" else "Fuse with insulated holder"
    ]


# --- re-wiring -----------------------------------------------------------------------


def _moved(path: Path, board: str) -> Circuit:
    """An example on another board, its pins chosen anew."""
    tree = document.read(path).plain()
    tree["board"] = board
    for section in ("probes", "loads", "displays", "alarms"):
        for use in tree.get(section, {}).values():
            use.pop("wires", None)
    return circuit_of(tree)


def test_a_build_that_stays_has_nothing_to_re_wire() -> None:
    for path in EXAMPLES:
        circuit = example(path)
        assert wiring.rewiring(circuit, circuit) == ()
        text = wiring.render_rewiring_text(circuit, circuit)
        assert "Nothing: every wire goes where it went." in text
        assert "[ ]" not in text


def test_the_re_wiring_list_has_only_what_changes() -> None:
    before, after = example(MAT), _moved(MAT, "atmega2560-5v")
    old, new = (
        {wire.spot: bench.printed(c.board, wire.label) for wire in c.wires} for c in (before, after)
    )
    changed = {" ".join(spot): (old[spot], new[spot]) for spot in old if old[spot] != new[spot]}
    assert changed
    listed = {
        change.what: (change.old, change.new)
        for change in wiring.rewiring(before, after)
        if change.kind == "wire"
    }
    straight = {what: pair for what, pair in changed.items() if not what.startswith("lamp")}
    for what, pair in straight.items():
        assert listed[what] == tuple(f"board {label}" for label in pair)
    # The lamp hangs on its resistor, so the resistor's first lead is what moves.
    assert set(listed) - set(straight) <= {
        "series resistor of lamp 1", "pull-up resistor of soil 1", "pull-up resistor of soil 2",
    }  # fmt: skip
    numbers = bench.numbers(after)
    wires = [c for c in wiring.rewiring(before, after) if c.kind == "wire"]
    assert [c.number for c in wires] == sorted(c.number for c in wires)
    assert all(change.number in numbers.values() for change in wires)


def test_supplies_levels_and_added_parts_are_in_the_re_wiring_list() -> None:
    after = shifted()
    tree = {
        "build": "shifted",
        "board": "atmega328p-5v",
        "supply": {"rail": "5V", "max_ma": 800},
        "mains": {"volts": 120, "hz": 60, "region": "us"},
        "probes": {
            "smoke": {"part": "pm-frame32", "value": "pm2_5", "every_s": 1},
            "soil": {"part": "ds18b20", "value": "temperature", "every_s": 2},
        },
        "loads": {
            "fan": {
                "part": "relay-module-active-low",
                "draws": {"volts": 120, "amps": 1, "kind": "motor"},
            }
        },
        "displays": {"panel": {"part": "lcd2004-pcf8574", "rows": ["{smoke}"]}},
    }
    before = circuit_of(tree)
    changes = {c.what: (c.kind, c.old, c.new) for c in wiring.rewiring(before, after)}
    assert changes["board"] == ("board", "atmega328p-5v", "esp32-s3-dev")
    assert changes["high of the board's pins"] == ("level", "5 V", "3.3 V")
    assert changes["shifter panel.SDA"] == ("add", "nothing", "level-shifter-mosfet")
    assert changes["soil VDD"] == ("wire", "board 5V", "board 3V3")
    assert changes["panel SDA"] == ("wire", "board A4", "shifter panel.SDA HIGH")
    # The mains side is the same, and none of it is listed.
    assert not {what for what in changes if "load" in what or "fuse" in what}
    back = {c.what: (c.kind, c.old, c.new) for c in wiring.rewiring(after, before)}
    assert back["shifter panel.SDA"] == ("remove", "level-shifter-mosfet", "nothing")
    assert back["panel SDA"] == ("wire", "shifter panel.SDA HIGH", "board A4")


@pytest.mark.slow
@settings(max_examples=25, deadline=None)
@given(circuits(), circuits())
def test_any_two_circuits_can_be_re_wired(one: Circuit, other: Circuit) -> None:
    assert wiring.rewiring(one, one) == ()
    changes = wiring.rewiring(one, other)
    text = wiring.render_rewiring_text(one, other)
    assert text.count("[ ]") == len(changes)
    assert max(map(len, text.splitlines())) <= 80
    page = _Page(wiring.render_rewiring_html(one, other))
    assert not page.open
    table = wiring.render_rewiring_md(one, other)
    assert sum(line.startswith("|") for line in table.splitlines()) == (len(changes) + 2) * bool(
        changes
    )


def test_the_supply_is_bought_with_the_volts_that_were_judged() -> None:
    """A regulator that is cool enough at 7.5 V need not be at the 12 V that it bears."""
    text = "build: x\nboard: atmega328p-5v\nsupply: {rail: %s, max_ma: 600}\nprobes:\n  soil: {part: ds18b20, value: temperature, every_s: 5}\n"
    for rail, name, says in (
        ("VIN, volts: 7.5", "Supply for VIN", "7.5 V; the build needs"),
        ("5V", "Supply for 5V", "4.75 to 5.25 V; the build needs"),
    ):
        tree = document.parse((text % rail).encode(), "x.yaml")
        circuit = seating.seat(buildfile.from_tree(tree, Tables()))
        item = next(item for item in bill.materials(circuit) if item.what == name)
        assert says in item.ratings
