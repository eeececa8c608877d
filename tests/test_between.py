"""Parts in wires: what the file may say, how nets are cut, and the levels behind them."""

from __future__ import annotations

import pytest

from buildkit import sketch, wiring
from buildkit.circuit import Circuit
from buildkit.model import Refused
from tests.rules import small
from tests.rules.small import AIR, displays, panel, probes

SHIFTED = "between:\n  panel.SDA: {part: level-shifter-mosfet}\n  panel.SCL: {part: level-shifter-mosfet}\n"
SMOKE5 = "  smoke: {part: pm-frame32, value: pm2_5, every_s: 1, own_figures: {out_high_v: 5}}\n"


def between(key: str, part: str = "divider", more: str = "") -> str:
    return f"between:\n  {key}: {{part: {part}{more}}}\n"


def nets(circuit: Circuit) -> dict[str, list[str]]:
    return {net.name: [f"{end.owner} {end.label}" for end in net.ends] for net in circuit.nets}


def three_volt(body: str) -> Circuit:
    return small.circuit(body, board="rp2040-stick", ma=800)


@pytest.mark.parametrize(
    ("key", "rule", "words"),
    [
        ("smok.TXD", "doc.unknown-part", "Did you mean 'smoke'?"),
        ("smoke", "doc.unknown-terminal", ""),
        ("smoke.TXT", "doc.unknown-terminal", "Did you mean 'TXD'?"),
        ("smoke.VCC", "doc.unknown-terminal", "TXD"),
        ("smoke.RXD", "doc.unknown-terminal", "TXD"),  # not wired in this build
    ],
)
def test_a_key_that_names_no_wire(key: str, rule: str, words: str) -> None:
    if "." not in key:
        rule = "doc.unknown-part"
    with pytest.raises(Refused) as refused:
        small.build(probes(SMOKE5) + between(key))
    (fault,) = refused.value.faults
    assert (fault.rule, fault.at.line) == (rule, 7)
    assert words in fault.fix


def test_only_a_part_that_sits_in_wires_may_stand_there() -> None:
    with pytest.raises(Refused) as refused:
        small.build(probes(SMOKE5) + between("smoke.TXD", "ds18b20"))
    (fault,) = refused.value.faults
    assert fault.rule == "doc.unknown-part"
    assert "divider, level-shifter-mosfet" in fault.fix
    with pytest.raises(Refused) as refused:
        small.build(probes("  smoke: {part: divider, value: pm2_5, every_s: 1}\n"))
    assert "under 'between'" in refused.value.faults[0].message


def test_a_wire_that_is_given_may_be_cut_though_its_terminal_is_left_open_by_others() -> None:
    smoke = SMOKE5.replace("part: pm-frame32", "part: pm-frame32, wires: {RXD: 5}")
    circuit = small.circuit(probes(smoke) + between("smoke.RXD"))
    assert nets(circuit)["pin 5"] == ["board 5", "R1 1"]
    assert nets(circuit)["smoke RXD"] == ["smoke RXD", "R1 2", "R2 1"]


def test_a_divider_is_two_resistors_and_nothing_else() -> None:
    circuit = three_volt(probes(SMOKE5) + between("smoke.TXD"))
    cut = nets(circuit)
    (pin,) = [name for name in cut if name.startswith("pin ")]
    assert cut[pin][1:] == ["R1 2", "R2 1"]
    assert cut["smoke TXD"] == ["smoke TXD", "R1 1"]
    assert "R2 2" in cut["GND"]
    assert not [end for ends in cut.values() for end in ends if end.startswith("divider")]
    # Hand-derived: 3.3 / 5 = 0.66; of all E24 pairs of 5 to 20 kilohms 4.7 k and 9.1 k give 0.6594.
    upper, lower = (part.extra.ohms for part in circuit.components)
    assert lower / (upper + lower) == pytest.approx(0.6594, abs=1e-4)
    volts = {net.name: net.volts for net in circuit.nets}
    assert volts["smoke TXD"] == 5
    assert volts[pin] == 3.3
    shown = {row.net: row for row in wiring.rows(circuit)}
    assert shown[pin].signal == "smoke TXD, through its divider"


@pytest.mark.parametrize(
    ("own", "upper", "lower"),
    [
        ("upper_ohms: 5600, lower_ohms: 10000", 5600, 10_000),
        ("upper_ohms: 1000", 1000, 1800),  # 1000 * 0.66 / 0.34 = 1941, and 1.8 k below it
        ("lower_ohms: 10000", 5600, 10_000),  # 10000 * 0.34 / 0.66 = 5152, and 5.6 k above it
    ],
)
def test_the_builder_s_own_resistors(own: str, upper: float, lower: float) -> None:
    body = probes(SMOKE5) + between("smoke.TXD", more=f", own_figures: {{{own}}}")
    (passage,) = three_volt(body).passages.values()
    assert (passage.upper_ohms, passage.lower_ohms) == (upper, lower)


def test_two_shifters_cut_the_bus_in_pieces() -> None:
    circuit = three_volt(probes(AIR) + displays(panel()) + SHIFTED)
    cut = nets(circuit)
    assert cut["SDA"][1:] == ["air SDA", "shifter panel.SDA LOW"]
    assert cut["panel SDA"] == ["panel SDA", "shifter panel.SDA HIGH"]
    assert "shifter panel.SCL HV" in cut["5V"]
    assert "shifter panel.SCL LV" in cut["3V3"]
    assert "shifter panel.SDA GND" in cut["GND"]
    use = circuit.build.displays["panel"].use
    near = {(u.name, rail.volts, ohms) for u, rail, ohms in circuit.bus_pull_ups("sda")}
    far = {(u.name, rail.volts, ohms) for u, rail, ohms in circuit.bus_pull_ups("sda", use)}
    assert near == {("air", 3.3, 10_000), ("shifter panel.SDA", 3.3, 10_000)}
    assert far == {("panel", 5.0, 4700), ("shifter panel.SDA", 5.0, 10_000)}


def test_the_higher_rail_is_on_the_part_s_side_or_the_board_s() -> None:
    smoke = "  smoke: {part: pm-frame32, value: pm2_5, every_s: 1}\n"
    circuit = small.circuit(probes(smoke) + between("smoke.TXD", "level-shifter-mosfet"))
    (passage,) = circuit.passages.values()
    assert not passage.part_is_high
    cut = nets(circuit)
    assert cut["smoke TXD"] == ["smoke TXD", "shifter smoke.TXD LOW"]
    assert "shifter smoke.TXD LV" in cut["3V3"]


def test_levels_behind_a_shifter_and_a_divider() -> None:
    circuit = three_volt(probes(AIR) + displays(panel()) + SHIFTED)
    passage = circuit.passages["panel", "SDA"]
    assert passage.high_v(1.0, "part") == 5
    assert passage.high_v(1.0, "board") == 3.3
    # 5 V over 10 kilohms through 10 ohms add 5 mV to a low of 0.4 V
    assert passage.low_v(0.4, "part") == pytest.approx(0.405)
    assert passage.low_v(0.4, "board") == pytest.approx(0.4033)
    assert (passage.source_ohms, passage.sink_ohms) == (10_000, 10)
    (divider,) = three_volt(probes(SMOKE5) + between("smoke.TXD")).passages.values()
    assert divider.low_v(0.4, "board") == pytest.approx(0.4 * divider.ratio)
    assert divider.source_ohms == pytest.approx(
        1 / (1 / divider.upper_ohms + 1 / divider.lower_ohms)
    )


def test_pages_of_both() -> None:
    """Every page is made, lists each shifter with its module, and no box for a divider."""
    circuit = three_volt(
        probes(AIR, SMOKE5) + displays(panel()) + SHIFTED + "  smoke.TXD: {part: divider}\n"
    )
    html = wiring.render_html(circuit, [], [])
    assert "2 channels in this build, so 1 module" in html
    assert "shifter panel.SDA" in html
    picture = html.split("<svg")[1].split("</svg>")[0]
    assert "shifter panel.SDA" in picture
    assert "divider smoke.TXD" not in picture
    assert "upper resistor" in html
    assert "shifter panel.SCL" in wiring.render_csv(circuit)


TANK = (
    "  tank: {part: analog-span, value: percent, every_s: 1, wires: {VCC: VBUS},"
    " own_figures: {low_v: 0.5, high_v: 4.5}}\n"
)


def view(circuit: Circuit) -> sketch.PartView:
    return sketch.PartView(circuit.build.probes["tank"].use, circuit, None, False, {})


def test_the_sketch_counts_with_the_divider_in_an_analog_wire() -> None:
    """A sensor of 0.5 to 4.5 V on a converter that ends at 3.3 V reads its whole span."""
    seen = view(three_volt(probes(TANK) + between("tank.OUT")))
    assert seen.divided == pytest.approx(9.1 / 13.8)
    # At the pin 0.3297 and 2.9674 V of 3.3 V: sixteen conversions, half a count for the middle.
    top = seen.adc_top + 1
    sums = [round(16 * (v * 9.1 / 13.8 / 3.3 * top - 0.5)) for v in (0.5, 4.5)]
    macros = sketch._macros(seen.use)
    assert f"{sums[0]}L, {sums[1]}L, 0, 1000" in str(macros.make(seen))


def test_without_a_divider_the_whole_voltage_counts() -> None:
    assert view(three_volt(probes(TANK))).divided == 1
