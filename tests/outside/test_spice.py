"""Formulas against a circuit simulator that we did not write: Debian's ngspice.

Each test writes a netlist of the circuit as the wiring list has it, lets
ngspice solve it, and compares what it measures with our formula.
"""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

import pytest

from buildkit import electrics as e
from buildkit.driver import Driver
from tests.rules import small

# Gummel-Poon sets of two small NPN types as their makers publish them (from memory), with the
# gain at the low end of each class.
NPN = {
    "40 V, 200 mA": ".model npn NPN(Is=6.734f Xti=3 Eg=1.11 Vaf=74.03 Bf=100 Ne=1.259 Ise=6.734f "
    "Ikf=66.78m Br=.7371 Nc=2 Isc=0 Ikr=0 Rc=1 Rb=10 Re=.2)",
    "45 V, 100 mA": ".model npn NPN(Is=1.8e-14 Ise=5e-14 Nf=.9955 Ne=1.46 Bf=110 Ikf=.08 Vaf=80 "
    "Br=35.5 Nc=1.27 Isc=1.72e-13 Ikr=.03 Rc=.25 Re=.4)",
}


def _measured(tmp_path: Path, title: str, circuit: str, control: str) -> dict[str, float]:
    """What ngspice's ``.meas`` or ``print`` lines give, by name."""
    deck = tmp_path / "deck.cir"
    deck.write_text(f"* {title}\n{circuit}\n.control\n{control}\n.endc\n.end\n", encoding="ascii")
    done = subprocess.run(
        ["ngspice", "-b", str(deck)], capture_output=True, text=True, timeout=60, check=False
    )
    found = re.findall(r"^([\w().#@\[\]-]+)\s*=\s*([-+0-9.eE]+)", done.stdout, re.MULTILINE)
    assert found, done.stdout + done.stderr
    return {name: float(value) for name, value in found}


@pytest.mark.parametrize(("volts", "farads"), [(5.0, 400e-12), (3.3, 400e-12), (5.0, 100e-12)])
def test_the_greatest_bus_pull_up_rises_in_1000_ns(
    tmp_path: Path, volts: float, farads: float
) -> None:
    ohms = e.pull_up_max_ohms(1000e-9, farads)
    # UM10204 6.1: tr from 0.3 to 0.7 VDD; one period at 100 kHz, low for 5 us.
    circuit = (
        f"Vdd vdd 0 {volts}\nRp vdd sda {ohms}\nCb sda 0 {farads} IC=0\n"
        ".model sw SW(Ron=10 Roff=1e9 Vt=0.5)\nS1 sda 0 drive 0 sw\n"
        "Vd drive 0 PULSE(1 0 5u 1n 1n 5u 10u)"
    )
    control = (
        "tran 2n 10u uic\n"
        f"meas tran tr TRIG v(sda) VAL={0.3 * volts} RISE=1 TARG v(sda) VAL={0.7 * volts} RISE=1"
    )
    assert _measured(tmp_path, "rise", circuit, control)["tr"] == pytest.approx(1e-6, rel=0.01)


def test_the_least_bus_pull_up_lets_3_ma_flow(tmp_path: Path) -> None:
    ohms = e.pull_up_min_ohms(5, 0.4, 3)
    circuit = f"Vdd vdd 0 5\nRp vdd sda {ohms}\nVlow sda 0 0.4"
    flows = _measured(tmp_path, "sink", circuit, "op\nprint i(vlow)")["i(vlow)"]
    assert flows == pytest.approx(3e-3, rel=1e-3)


@pytest.mark.parametrize(("driven", "wanted"), [(5.0, 3.3), (5.0, 1.0), (10.0, 5.0), (3.3, 1.1)])
def test_a_divider_with_ten_kilohms_beside_it(tmp_path: Path, driven: float, wanted: float) -> None:
    upper, lower = e.divider_pair(wanted / driven)
    circuit = f"V1 in 0 {driven}\nR1 in out {upper}\nR2 out 0 {lower}\nRL out 0 10k\n"
    loaded = _measured(tmp_path, "divider", circuit, "op\nprint v(out)")["v(out)"]
    assert loaded == pytest.approx(e.divider_v(driven, upper, lower, 10_000), rel=1e-3)
    free = circuit.replace("RL out 0 10k", "")
    alone = _measured(tmp_path, "divider", free, "op\nprint v(out)")["v(out)"]
    assert alone == pytest.approx(e.divider_v(driven, upper, lower), rel=1e-3)
    assert 0.9 * wanted < alone <= wanted * (1 + 1e-6)


def _stage(board: str) -> tuple[Driver, float, float, float]:
    """A coil's stage on a board; the pin's level and ohms at their worst, and the coil's rail."""
    body = small.load("relay-coil-bare", "volts: 230, amps: 1, kind: lamp")
    circuit = small.circuit(small.MAINS + body, board=board)
    use = circuit.build.loads["fan"].use
    stage, rail = circuit.driver(use), circuit.feed(use)
    assert stage is not None
    assert rail is not None
    io, figures = circuit.io_rail, circuit.board
    drop_v = io.volts - figures.figure("voh_min_v")
    return stage, io.min_v, drop_v / figures.figure("voh_at_ma") * 1000, rail.max_v


def _driven(tmp_path: Path, stage: Driver, pin_v: float, pin_ohms: float, more: str) -> str:
    coil_ohms = 0.9 * 70
    return (
        f"Vpin pin 0 {pin_v}\nRpin pin drive {pin_ohms}\nRb drive base {stage.base_ohms}\n"
        f"Rpd base 0 {stage.pull_down_ohms}\nQ1 coll base 0 npn\nRcoil mid coll {coil_ohms}\n{more}"
    )


@pytest.mark.parametrize("model", NPN.values(), ids=NPN.keys())
@pytest.mark.parametrize("board", ["atmega328p-5v", "atmega328p-3v3-stick", "rp2040-stick"])
def test_the_computed_base_resistor_closes_the_transistor(
    tmp_path: Path, board: str, model: str
) -> None:
    stage, pin_v, pin_ohms, rail_v = _stage(board)
    circuit = _driven(tmp_path, stage, pin_v, pin_ohms, f"Vcc mid 0 {rail_v}\n{model}")
    found = _measured(tmp_path, "coil", circuit, "op\nprint v(coll)\nprint @q1[ic]\nprint @q1[ib]")
    assert found["v(coll)"] < 0.3
    collector, base = (abs(v) * 1000 for n, v in found.items() if n != "v(coll)")
    assert collector == pytest.approx(stage.coil_ma, rel=0.06)  # less by what the transistor keeps
    # A model's base-emitter voltage is below the table's greatest, so that more flows, never less.
    assert stage.base_ma <= base < 1.35 * stage.base_ma


@pytest.mark.parametrize("model", NPN.values(), ids=NPN.keys())
def test_a_tenth_of_the_base_current_does_not_close_it(tmp_path: Path, model: str) -> None:
    stage, pin_v, _, rail_v = _stage("atmega328p-5v")
    weak = Driver(stage.coil_ma, 10_000, stage.pull_down_ohms, 0, 0)
    circuit = _driven(tmp_path, weak, pin_v, 40, f"Vcc mid 0 {rail_v}\n{model}")
    assert _measured(tmp_path, "weak", circuit, "op\nprint v(coll)")["v(coll)"] > 1.0


@pytest.mark.parametrize("model", NPN.values(), ids=NPN.keys())
def test_a_floating_pin_leaves_the_coil_at_rest(tmp_path: Path, model: str) -> None:
    stage, _, _, rail_v = _stage("atmega328p-5v")
    circuit = (
        f"Ileak 0 drive 1u\nRb drive base {stage.base_ohms}\nRpd base 0 {stage.pull_down_ohms}\n"
        f"Q1 coll base 0 npn\nRcoil vcc coll 63\nVcc vcc 0 {rail_v}\n{model}"
    )
    found = _measured(tmp_path, "rest", circuit, "op\nprint v(base)\nprint v(coll)")
    assert found["v(base)"] == pytest.approx(1e-6 * stage.pull_down_ohms, rel=0.02)
    assert rail_v - found["v(coll)"] < 1e-3


def test_the_diode_keeps_the_opened_coil_below_the_transistor_s_limit(tmp_path: Path) -> None:
    stage, pin_v, pin_ohms, rail_v = _stage("atmega328p-5v")
    base = _driven(tmp_path, stage, pin_v, pin_ohms, NPN["40 V, 200 mA"])
    base = base.replace(f"Vpin pin 0 {pin_v}", f"Vpin pin 0 PULSE({pin_v} 0 10m 1u 1u 1 2)")
    coil = f"\nVcc vcc 0 {rail_v}\nL1 vcc mid 80m\n"
    peak = "tran 1u 14m\nmeas tran top MAX v(coll) FROM=9m TO=14m"
    with_diode = base + coil + ".model d D(Is=1e-9 Rs=.05 N=1.7)\nD1 coll vcc d"
    assert _measured(tmp_path, "diode", with_diode, peak)["top"] < rail_v + 1.5
    # 80 mH alone drive the collector far above the 40 V that the class bears.
    assert _measured(tmp_path, "bare", base + coil + "Cs coll 0 100p", peak)["top"] > 100


def test_a_cable_s_drop(tmp_path: Path) -> None:
    area = e.awg_area_mm2(24)
    one_way = e.conductor_ohms(12, area)
    circuit = f"Vs src 0 5\nRout src far {one_way}\nIload far back 0.1\nRback back 0 {one_way}"
    found = _measured(tmp_path, "cable", circuit, "op\nprint v(far)\nprint v(back)")
    lost = 5 - (found["v(far)"] - found["v(back)"])
    assert lost == pytest.approx(e.cable_drop_v(0.1, 12, area), rel=1e-3)


def test_a_shifter_passes_both_ways(tmp_path: Path) -> None:
    # NXP AN10441, section 2: gate at the lower rail, source on its side, a pull-up on each.
    shared = (
        "Vhv hv 0 5\nVlv lv 0 3.3\nRh hv high 10k\nRl lv low 10k\nM1 high lv low low nfet\n"
        ".model nfet NMOS(Level=1 Vto=1.3 Kp=0.25 Lambda=0.01)\nDb low high body\n"
        ".model body D(Is=1e-12)\n"
    )
    idle = _measured(tmp_path, "idle", shared, "op\nprint v(high)\nprint v(low)")
    assert idle["v(high)"] == pytest.approx(5, rel=0.01)
    assert idle["v(low)"] == pytest.approx(3.3, rel=0.01)
    for side, other in (("high", "low"), ("low", "high")):
        pulled = shared + f"Vd {side} 0 0.1\n"
        volts = _measured(tmp_path, "pulled", pulled, f"op\nprint v({other})")[f"v({other})"]
        assert volts < 0.1 + 5 / 10_000 * 10 + 0.02


def test_a_piezo_disc_takes_no_more_at_an_edge_than_its_table_says(tmp_path: Path) -> None:
    """20 nF behind the resistor on a square wave of 4 kHz and 5 V, straight from the supply."""
    circuit = small.circuit(small.alarms("  bell: {part: sounder-piezo, when: [no-reading]}\n"))
    use = circuit.build.alarms["bell"].use
    netlist = (
        f"Vpin pin 0 PULSE(0 5 0 50n 50n {0.5 / use.figure('tone_hz')} {1 / use.figure('tone_hz')})\n"
        f"Rs pin disc {use.figure('drive_ohms')}\nCd disc 0 20n"
    )
    control = (
        "tran 100n 5m\nmeas tran least MIN i(vpin)\nmeas tran high MAX v(disc) FROM=4m TO=5m\n"
        "meas tran low MIN v(disc) FROM=4m TO=5m"
    )
    found = _measured(tmp_path, "piezo", netlist, control)
    assert 0.95 * use.figure("on_ma") < -found["least"] * 1000 <= use.figure("on_ma")
    assert found["high"] - found["low"] > 0.8 * 5


def test_a_loop_drives_no_more_into_a_dead_chip_than_is_told(tmp_path: Path) -> None:
    """22.5 mA into the shunt, and beside it a pin's diode to a supply of 0 V."""
    body = small.probes("  far: {part: loop-4-20ma, value: current, every_s: 5}\n")
    (fault,) = small.told("power.back-feed", body, board="atmega328p-5v-stick")
    netlist = "I1 0 loop 22.5m\nRs loop 0 100\nD1 loop rail d\nVrail rail 0 0\n.model d D(Is=1e-14)"
    flows = _measured(tmp_path, "loop", netlist, "op\nprint i(vrail)")["i(vrail)"] * 1000
    assert 0.8 * fault.numbers["ma"] < flows <= fault.numbers["ma"]
