"""Document to Build: names looked up, one sentence a fault, and nothing else escapes."""

from __future__ import annotations

import random
import re
import time
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from buildkit import buildfile, checking, document
from buildkit.model import Build, Fault, Refused
from buildkit.places import data_dir
from buildkit.sentences import say
from buildkit.tables import Tables

TABLES = Tables()
EXAMPLES = {
    path.stem: path.read_text(encoding="utf-8")
    for path in sorted(Path(data_dir("examples")).glob("*.yaml"))
}
HOOD, REED, MAT = EXAMPLES["kitchen-hood"], EXAMPLES["reed-room"], EXAMPLES["seedling-mat"]


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    return text


def load(text: str) -> Build:
    return buildfile.from_tree(document.parse(text.encode(), "build.yaml"), TABLES)


def faults(text: str) -> list[Fault]:
    with pytest.raises(Refused) as caught:
        load(text)
    return caught.value.faults


def one(text: str, *changes: tuple[str, str]) -> Fault:
    (fault,) = faults(changed(text, *changes))
    return fault


def place(text: str, spot: str) -> str:
    """Where a piece of text stands, as a place is printed."""
    assert text.count(spot) == 1, spot
    before = text[: text.index(spot)]
    return f"build.yaml:{before.count(chr(10)) + 1}:{len(before) - before.rfind(chr(10))}"


# --- what a build says -------------------------------------------------------


@pytest.mark.parametrize("name", EXAMPLES)
def test_the_examples_are_taken(name: str) -> None:
    build = buildfile.load(Path(data_dir("examples")) / f"{name}.yaml", TABLES)
    assert build.name == name
    assert [use.name for use in build.uses()] == list(
        dict.fromkeys([*build.probes, *build.loads, *build.displays, *build.alarms])
    )


def test_what_is_left_out_has_its_default() -> None:
    build = load("build: logger\nboard: atmega328p-5v\nsupply: {rail: 5V, max_ma: 500}\n")
    assert (build.about, build.ambient_c, build.mains, build.control) == ("", 40.0, None, ())
    bare = changed(
        HOOD, ("    average: 10\n", ""), ("    run_on_s: 120\n", ""), ("    min_on_s: 60\n", "")
    )
    probe, entry = load(bare).probes["smoke"], load(bare).control[0]
    assert (probe.average, probe.unit) == (1, "ug/m3")
    assert (entry.run_on_s, entry.min_on_s, entry.stuck_after_s) == (0.0, 0.0, None)


@pytest.mark.parametrize(
    ("written", "exact"),
    [
        ("20.5", Fraction(41, 2)), ("0.1", Fraction(1, 10)), ("-0.3", Fraction(-3, 10)),
        (".7", Fraction(7, 10)), ("1e2", Fraction(100)), ("0x10", Fraction(16)), ("+7", Fraction(7)),
        ("0020", Fraction(20)), ("1e-999999999", Fraction(0)), ("0e999999999", Fraction(0)),
    ],
)  # fmt: skip
def test_thresholds_are_exact_decimals(written: str, exact: Fraction) -> None:
    began = time.process_time()
    build = load(changed(HOOD, ("start_at: 15", f"start_at: {written}")))
    assert build.control[0].start_at == exact
    assert time.process_time() - began < 1


def test_pins_are_taken_as_printed() -> None:
    build = load(changed(HOOD, ("{TXD: 8}", '{TXD: "8", VCC: 5V, GND: GND}')))
    assert build.probes["smoke"].use.wires == {"TXD": "8", "VCC": "5V", "GND": "GND"}


def test_the_builders_own_figures_lie_over_the_tables() -> None:
    own = ("    average: 10\n", "    average: 10\n    own_figures: {warm_up_s: 60}\n")
    use = load(changed(HOOD, own)).probes["smoke"].use
    assert (use.figure("warm_up_s"), use.whose("warm_up_s")) == (60.0, " (your own figure)")
    assert (use.figure("refresh_s"), use.whose("refresh_s")) == (1.0, "")
    assert use.part.figures["warm_up_s"].value == 30


def test_a_cable_has_one_size() -> None:
    cable = "cables: {smoke: {length_m: 2, awg: 24}}\n"
    assert load(HOOD + cable).cables["smoke"].area_mm2 == pytest.approx(0.2047, abs=1e-4)
    metric = load(HOOD + cable.replace("awg: 24", "size_mm2: 0.5")).cables["smoke"]
    assert (metric.area_mm2, metric.said_as) == (0.5, "0.5 mm2")


# --- one fault, one sentence -------------------------------------------------

SECOND_SMOKE = (
    "displays:\n  smoke: {part: led-indicator, follows: hood}\n  spare:\n    part: lcd1602-pcf8574"
)


@pytest.mark.parametrize(
    ("text", "changes", "rule", "spot", "message"),
    [
        (HOOD, [("board: atmega328p-5v", "board: atmega328-5v")], "doc.unknown-board", "atmega328-5v", "there is no board 'atmega328-5v'"),
        (HOOD, [("board: atmega328p-5v", 'board: "a\\tb"')], "doc.unknown-board", '"a\\tb"', "there is no board 'a?b'"),
        (HOOD, [("board: atmega328p-5v", 'board: ""')], "doc.unknown-board", '""\n', "there is no board ''"),
        (HOOD, [("part: pm-frame32", "part: pm32")], "doc.unknown-part", "pm32", "there is no part 'pm32'"),
        (HOOD, [("part: pm-frame32", "part: led-indicator")], "doc.unknown-part", "led-indicator", "part 'led-indicator' does not belong under 'probes' but under 'alarms or displays'"),
        (HOOD, [("part: ssr-zero-cross-dc-control", "part: ssr")], "doc.unknown-part", "ssr\n", "there is no part 'ssr'"),
        (HOOD, [("{TXD: 8}", "{TX: 8}")], "doc.unknown-terminal", "TX:", "part 'pm-frame32' has no terminal 'TX'"),
        (HOOD, [("{TXD: 8}", '{"T\\tX": 8}')], "doc.unknown-terminal", '"T\\tX"', "part 'pm-frame32' has no terminal 'T?X'"),
        (HOOD, [("{TXD: 8}", "{TXD: D88}")], "doc.unknown-pin", "D88", "board 'atmega328p-5v' has no pin 'D88'"),
        (HOOD, [("{TXD: 8}", "{TXD: -1}")], "doc.unknown-pin", "-1}", "board 'atmega328p-5v' has no pin '-1'"),
        (HOOD, [("{TXD: 8}", "{TXD: 0x08}")], "doc.unknown-pin", "0x08", "board 'atmega328p-5v' has no pin '0x08'"),
        (HOOD, [("{TXD: 8}", "{TXD: 8.0}")], "doc.unknown-pin", "8.0", "board 'atmega328p-5v' has no pin '8.0'"),
        (HOOD, [("rail: 5V", "rail: 12V")], "doc.unknown-pin", "12V", "board 'atmega328p-5v' has no rail '12V'"),
        (HOOD, [("rail: 5V", "rail: 5")], "doc.unknown-pin", "5, max", "board 'atmega328p-5v' has no rail '5'"),
        (HOOD, [("value: pm2_5", "value: pm25")], "doc.unknown-value", "pm25", "part 'pm-frame32' does not measure 'pm25'"),
        (HOOD, [("every_s: 1", "every_s: 1\n    unit: degC")], "doc.unknown-value", "degC", "'degC' is not a unit for pm2_5"),
        (HOOD, [("every_s: 1", "every_s: 1\n    unit: µg/m³")], "doc.unknown-value", "µg/m³", "'µg/m³' is not a unit for pm2_5"),
        (HOOD, [("drive: hood", "drive: fan")], "doc.unknown-load", "fan", "there is no load 'fan' in this build"),
        (HOOD, [("by: smoke", "by: hood")], "doc.unknown-probe", "hood\n    start_at", "there is no probe 'hood' in this build"),
        (REED, [("follows: mist", "follows: fog")], "doc.unknown-load", "fog", "there is no load 'fog' in this build"),
        (REED, [("    follows: mist\n", "")], "doc.missing-key", "lamp:\n    part", "'lamp' has no 'follows'"),
        (REED, [("follows: mist", 'follows: mist\n    rows: ["on"]')], "doc.unknown-key", '["on"]', "'rows' means nothing for led-indicator: a lamp shows no text"),
        (HOOD, [("address: 0x27", "follows: hood")], "doc.unknown-key", "hood\n    rows", "'follows' means nothing for lcd1602-pcf8574: it shows rows of text"),
        (HOOD, [("every_s: 1", "every_s: 1\n    own_figures: {speed_v: 1}")], "doc.unknown-key", "speed_v", "part 'pm-frame32' has no figure 'speed_v'"),
        (HOOD, [("displays:\n  panel:\n    part: lcd1602-pcf8574", SECOND_SMOKE)], "doc.duplicate-key", "smoke: {part: led", "'smoke' is already the name of one of the probes, on line 10"),
    ],
)  # fmt: skip
def test_faults_read_well_and_do_not_cascade(
    text: str, changes: list[tuple[str, str]], rule: str, spot: str, message: str
) -> None:
    fault = one(text, *changes)
    assert (fault.rule, fault.message) == (rule, message)
    assert str(fault.at) == place(changed(text, *changes), spot)
    assert fault.fix.endswith(".")


@pytest.mark.parametrize(
    ("cable", "rule", "message"),
    [
        ("fumes: {length_m: 2, awg: 24}", "doc.unknown-part", "there is no part 'fumes' in this build for this cable"),
        ("smoke: {length_m: 2}", "doc.missing-key", "cable 'smoke' needs its wire size once"),
        ("smoke: {length_m: 2, awg: 24, size_mm2: 0.2}", "doc.missing-key", "cable 'smoke' needs its wire size once"),
    ],
)  # fmt: skip
def test_cables(cable: str, rule: str, message: str) -> None:
    fault = one(HOOD + f"cables: {{{cable}}}\n")
    assert (fault.rule, fault.message) == (rule, message)


def test_an_unknown_part_is_told_once_though_all_else_refers_to_it() -> None:
    cables = "cables: {mist: {length_m: 2, awg: 24}, air: {length_m: 1, awg: 24}}\n"
    told = faults(
        changed(
            REED, ("part: sht3x", "part: sht9x"), ("part: relay-module-active-low", "part: relay")
        )
        + cables
    )
    assert [(fault.rule, fault.at.path) for fault in told] == [
        ("doc.unknown-part", "probes.air.part"), ("doc.unknown-part", "loads.mist.part"),
    ]  # fmt: skip


def test_all_faults_are_told_in_one_run_and_in_order() -> None:
    told = faults(
        changed(
            HOOD, ("by: smoke", "by: smok"), ("TXD: 8", "TXD: 88"), ("value: pm2_5", "value: dust")
        )
    )
    assert [fault.rule for fault in told] == ["doc.unknown-value", "doc.unknown-probe"]
    told = faults(changed(HOOD, ("by: smoke", "by: smok"), ("TXD: 8", "TXD: 88")))
    assert [fault.rule for fault in told] == ["doc.unknown-pin", "doc.unknown-probe"]


@pytest.mark.parametrize("name", ["con", "nul", "aux", "prn", "com0", "com1", "lpt9"])
def test_names_that_a_system_keeps_for_itself(name: str) -> None:
    fault = one(HOOD, ("build: kitchen-hood", f"build: {name}"))
    assert (fault.rule, fault.at.path) == ("doc.unsafe-name", "build")
    assert load(changed(HOOD, ("build: kitchen-hood", f"build: {name}-x"))).name == f"{name}-x"


@pytest.mark.parametrize(
    ("figure", "taken"),
    [
        ("serial_baud: 0", False), ("serial_baud: -9600", False), ("serial_baud: 9.6", True),
        ("serial_baud: 9.5", False), ("serial_baud: 9600000", True), ("serial_baud: 9600001", False),
        ("warm_up_s: 0", True), ("warm_up_s: -1", False), ("supply_peak_ma: 1e29", False),
        ("supply_peak_ma: 0", True),
    ],
)  # fmt: skip
def test_an_own_figure_is_one_that_a_part_can_have(figure: str, taken: bool) -> None:
    text = changed(HOOD, ("average: 10", f"average: 10\n    own_figures: {{{figure}}}"))
    if taken:
        name, value = figure.split(": ")
        assert load(text).probes["smoke"].use.figure(name) == float(value)
    else:
        fault = one(text)
        name, _ = figure.split(": ")
        assert fault.rule == "doc.out-of-range"
        assert fault.at.path == f"probes.smoke.own_figures.{name}"


def test_an_own_temperature_may_be_below_zero_and_a_share_not_above_all() -> None:
    def own(figure: str) -> str:
        return changed(MAT, ("draws:", f"own_figures: {{{figure}}}\n    draws:"))

    assert load(own("derate_from_c: -10")).loads["mat"].use.figure("derate_from_c") == -10
    assert one(own("motor_share_percent: 101")).rule == "doc.out-of-range"
    # where the table says 0, a thousand is the limit
    assert load(own("leakage_ma: 1000")).loads["mat"].use.figure("leakage_ma") == 1000
    assert one(own("leakage_ma: 1001")).rule == "doc.out-of-range"


def test_a_faulty_table_is_told_where_it_is_faulty(tmp_path: Path) -> None:
    folder = tmp_path / "parts" / "odd-probe"
    folder.mkdir(parents=True)
    original = (Path(data_dir("templates")) / "parts" / "sht3x" / "part.yaml").read_text()
    odd = changed(original, ("id: sht3x", "id: odd-probe"), ('unit: "%RH"', "unit: furlong"))
    (folder / "part.yaml").write_text(odd)
    two = changed(
        REED, ("part: sht3x", "part: odd-probe"), ("part: ntc-divider", "part: odd-probe")
    )
    two = changed(
        two, ("    value: temperature\n", "    value: humidity\n"), ("    unit: degF\n", "")
    )
    tree = document.parse(two.encode(), "build.yaml")
    with pytest.raises(Refused) as caught:
        buildfile.from_tree(tree, Tables(tmp_path))
    told = caught.value.faults
    assert {fault.rule for fault in told} == {"doc.unknown-value"}
    assert all("'furlong' is not a unit" in fault.message for fault in told)

    other = tmp_path / "other" / "parts" / "odd-probe"  # a table is read once in a run
    other.mkdir(parents=True)
    (other / "part.yaml").write_text(odd.replace("talks: i2c", "talks: smoke signals"))
    with pytest.raises(Refused) as caught:
        buildfile.from_tree(tree, Tables(tmp_path / "other"))
    (fault,) = caught.value.faults
    assert fault.at.file == str(other / "part.yaml")


# --- fuzz --------------------------------------------------------------------

NASTY = [
    "", "0", "-1", "1e-300", "1e29", "1e-999999999", "0.1", "1e308", "9" * 30, ".nan", "~", "null", "true",
    "off", "on", "[]", "{}", "[1]", "{a: 1}", '"x"', "'", '"', "*a", "&a", "!t", "|", "\t", "\\",
    '"\\UFFFFFFFF"', '"\\0"', '"\\uD800"', "0x27", "A0", "A4", "GND", "5V", "3V3", "1", "13", "🙂", "VIN",
    "sht3x", "ds18b20", "ntc-divider", "pm-frame32", "led-indicator", "ssr-zero-cross-dc-control",
    "relay-module-active-low", "atmega2560-5v", "atmega32u4-5v", "heater", "motor", "pm10", "humidity",
    "temperature", "degF", "mg/m3", "%RH", "1000", "3600", "85", "-40", "mist", "air", "panel",
    "{series_ohms: 10}", "{derate_to_c: 40, derate_from_c: 40}", "{beta_k: 4}", "{serial_baud: 9.6}",
    "{refresh_s: 0}", "{pull_up_ohms: 5}", "{columns_count: 0.02}", "{bus_hz: 1000}", "{frame_bytes: 1}",
]  # fmt: skip
VALUE = re.compile(
    r"(?<=[:\[,{] )[^\s,\[\]{}#][^,\[\]{}#\n]*|(?<=[\[{])[^\s,\[\]{}:#][^,\[\]{}#\n]*"
)
SIGNS = ":,[]{}'\"#&*!|>%@`\t\n\\-? \0\x07é🙂\ufeff\u2028"


def mutated(text: str, chance: random.Random) -> str:
    for _ in range(chance.choice([1, 1, 1, 2, 3])):
        lines, kind = text.split("\n"), chance.random()
        here = chance.randrange(len(lines))
        values = list(VALUE.finditer(text))
        if kind < 0.5 and values:
            hit = chance.choice(values)
            text = text[: hit.start()] + chance.choice(NASTY) + text[hit.end() :]
        elif kind < 0.6:
            text = "\n".join(lines[:here] + lines[here + 1 :])
        elif kind < 0.7:
            text = "\n".join([*lines[:here], chance.choice(lines), *lines[here:]])
        elif kind < 0.8:
            lines[here] = " " * chance.randrange(8) + lines[here].strip()
            text = "\n".join(lines)
        else:
            spot = chance.randrange(len(text) + 1)
            text = text[:spot] + chance.choice(SIGNS) + text[spot + chance.randrange(5) :]
    return text


def check(raw: bytes, path: Path) -> None:
    """Check a text as a file: findings are printable, and it is quick."""
    path.write_bytes(raw)
    began = time.process_time()
    report = checking.check(path, TABLES)
    assert time.process_time() - began < 2
    assert len(report.findings) < 200
    for finding in report.findings:
        assert (finding.message + finding.fix).isprintable()
        assert len(finding.message) < 400
    if report.circuit is not None:
        build = report.circuit.build
        assert all(say(entry, build).endswith(".") for entry in build.control)
    else:
        assert report.findings


@settings(max_examples=150, deadline=None)
@given(name=st.sampled_from(sorted(EXAMPLES)), seed=st.integers(0, 2**32))
def test_nothing_escapes_from_a_mutated_example(
    name: str, seed: int, tmp_path_factory: pytest.TempPathFactory
) -> None:
    text = mutated(EXAMPLES[name], random.Random(seed))
    check(text.encode("utf-8"), tmp_path_factory.getbasetemp() / "build.yaml")


@settings(max_examples=100, deadline=None)
@given(
    raw=st.binary(max_size=300) | st.text(max_size=300).map(lambda s: s.encode("utf-8", "replace"))
)
def test_nothing_escapes_from_a_random_text(
    raw: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    check(raw, tmp_path_factory.getbasetemp() / "build.yaml")


@pytest.mark.parametrize(
    "text",
    [
        HOOD + "".join(f"k{n}: 1\n" for n in range(4500)),
        HOOD + "cables: [" + "1," * 9_000 + "1]\n",
        HOOD + "about_it: '" + "x y " * 60_000 + "'\n",
        HOOD.replace("TXD: 8", "TXD: 8, " + ", ".join(f"W{n}: {n}" for n in range(4500))),
        HOOD.replace("loads:", "".join(f"  p{n}: {{part: x}}\n" for n in range(1200)) + "loads:"),
        HOOD + "a: 1\n" * 4500,
        HOOD + "k" * 200_000 + ": 1\n",
        HOOD.replace("board: atmega328p-5v", "board: " + "a" * 200_000),
        "# x\n" * 60_000,
    ],
    ids=["keys", "list", "text", "wires", "probes", "twice", "key", "word", "comments"],
)
def test_a_large_file_is_answered_within_two_seconds(text: str, tmp_path: Path) -> None:
    check(text.encode(), tmp_path / "large.yaml")


def test_a_supply_at_an_inlet_feeds_its_rail_and_tells_its_volts() -> None:
    head = "build: x\nboard: atmega328p-5v\nsupply: {rail: VIN, %smax_ma: 900}\n"
    made = buildfile.from_tree(document.parse((head % "volts: 9, ").encode(), "x.yaml"), Tables())
    assert (made.supply.rail, made.supply.label, made.supply.volts) == ("5V", "VIN", 9)
    with pytest.raises(Refused) as refused:
        buildfile.from_tree(document.parse((head % "").encode(), "x.yaml"), Tables())
    (fault,) = refused.value.faults
    assert fault.rule == "doc.missing-key"
    assert "7 to 12 V" in fault.fix
