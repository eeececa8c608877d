"""Coils, their driver and diode, heat and cut-outs: each rule on both sides of its edge."""

from __future__ import annotations

import pytest
from small import MAINS, SSR, circuit, figures, load, told

from buildkit.driver import AIM_BETA

COIL, FET = "relay-coil-bare", "mosfet-low-side"
BODY = MAINS + load(COIL)
PUMP = "volts: 12, amps: 2, kind: motor"


def own(**facts: float) -> str:
    return MAINS + load(
        COIL, more=f", own_figures: {{{', '.join(f'{k}: {v}' for k, v in facts.items())}}}"
    )


def test_the_stage_of_a_5_volt_coil() -> None:
    made = circuit(BODY)
    stage = made.driver(made.build.loads["fan"].use)
    assert stage is not None
    # Hand-derived: 5.25 V over 63 ohms; a fifteenth of it is 5.56 mA, and 95 uA for the pull-down;
    # 4.75 V less 0.95 V over both is 673 ohms, of which the pin itself is 40; 620 is below 633.
    assert stage.coil_ma == pytest.approx(83.3, abs=0.1)
    assert stage.base_ohms == 620
    assert stage.base_ma == pytest.approx(5.66, abs=0.01)
    assert 10 <= stage.forced_beta <= AIM_BETA
    assert made.rail_draw_ma(made.io_rail)["fan"] == pytest.approx(83.3 + stage.pin_ma, abs=0.1)
    assert {part.ref: part.extra.ohms for part in made.components} == {
        "R1": 620, "R2": 10_000, "Q1": None, "D1": None,
    }  # fmt: skip


@pytest.mark.parametrize("board", ["atmega328p-5v", "atmega328p-3v3-stick", "rp2040-stick"])
def test_the_designed_stage_is_never_at_fault(board: str) -> None:
    for rule in ("load.no-driver", "load.coil-current", "load.no-flyback", "load.rest-undefined",
                 "level.control-too-low"):  # fmt: skip
        assert told(rule, BODY, board=board) == [], rule


def test_a_coil_without_a_transistor() -> None:
    (fault,) = told("load.no-driver", own(driver_max_ma=0))
    assert fault.numbers["coil_ma"] == pytest.approx(83.3, abs=0.1)
    assert told("load.coil-current", own(driver_max_ma=0)) == []
    assert told("load.no-driver", own(driver_max_ma=100)) == []


@pytest.mark.parametrize(("ma", "faults"), [(83, 1), (84, 0)])
def test_what_the_transistor_bears(ma: float, faults: int) -> None:
    found = told("load.coil-current", own(driver_max_ma=ma))
    assert [fault.numbers["most_ma"] for fault in found] == [ma] * faults


@pytest.mark.parametrize(("ohms", "faults"), [(850, 0), (853, 1)])
def test_a_base_resistor_of_one_s_own(ohms: float, faults: int) -> None:
    # 83.3 mA over 20 is 4.17 mA; (4.75 V - 0.95 V) over R and 40 ohms, less 95 uA, gives it at 852.
    found = told("load.coil-current", own(base_ohms=ohms))
    assert [fault.numbers["needed_ma"] for fault in found] == [
        pytest.approx(4.17, abs=0.01)
    ] * faults


@pytest.mark.parametrize(("amps", "faults"), [(0, 1), (0.083, 1), (0.084, 0)])
def test_the_diode_bears_the_coil(amps: float, faults: int) -> None:
    assert len(told("load.no-flyback", own(flyback_max_a=amps))) == faults


@pytest.mark.parametrize(
    ("kind", "diode", "faults"),
    [("motor", 2, 0), ("motor", 1.9, 1), ("solenoid", 0, 1), ("heater", 0, 0), ("lamp", 0, 0)],
)
def test_the_diode_across_a_dc_load(kind: str, diode: float, faults: int) -> None:
    body = load(FET, f"volts: 12, amps: 2, kind: {kind}")
    assert len(told("load.no-flyback", body, figures("fan", flyback_max_a=diode))) == faults
    fitted = [part.ref for part in circuit(body).components if part.extra.kind == "diode"]
    assert fitted == (["D1"] if kind in ("motor", "solenoid") else [])


@pytest.mark.parametrize(("ohms", "faults"), [(300_000, 0), (310_000, 1)])
def test_the_resistor_that_keeps_the_base_at_rest(ohms: float, faults: int) -> None:
    found = told("load.rest-undefined", own(pull_down_ohms=ohms))  # 1 uA, 0.3 V
    assert [fault.numbers["off_max_v"] for fault in found] == [0.3] * faults


def test_the_load_s_supply_shares_ground_with_a_low_side_switch() -> None:
    nets = {
        net.name: [f"{e.owner} {e.label}" for e in net.ends]
        for net in circuit(load(FET, PUMP)).nets
    }
    assert {"fan SOURCE", "fan supply -"} <= set(nets["GND"])
    assert nets["fan switched"] == ["fan load -", "fan DRAIN", "D1 anode"]
    assert nets["fan fused"] == ["fan fuse 2", "fan load +", "D1 cathode"]


def test_a_mosfet_switches_no_mains() -> None:
    found = told("load.wrong-kind", MAINS + load(FET, "volts: 230, amps: 1, kind: heater"))
    assert found
    assert found[0].numbers["current"] == "AC"


def test_the_heat_of_a_relay_and_the_heat_sink_that_it_needs() -> None:
    body = MAINS + load(SSR, "volts: 230, amps: 8, kind: heater")
    (fault,) = told("load.heat-sink", body)
    # 1.6 V times 8 A; 8.5 K/W above 40 degC; 40 K left to 80 degC.
    assert fault.numbers["heat_w"] == pytest.approx(12.8)
    assert fault.numbers["bare_c"] == pytest.approx(148.8)
    assert fault.numbers["sink_k_per_w"] == pytest.approx(40 / 12.8)
    assert "heat sink of 3.1 K/W or less" in fault.fix
    assert "0.26 m2" in fault.fix


def test_the_heat_of_a_mosfet_grows_with_the_square() -> None:
    (fault,) = told("load.heat-sink", load(FET, "volts: 12, amps: 6, kind: heater"))
    assert fault.numbers["heat_w"] == pytest.approx(0.05 * 1.7 * 36)
    assert fault.numbers["bare_c"] == pytest.approx(40 + 62 * 0.05 * 1.7 * 36)


@pytest.mark.parametrize(("amps", "faults"), [(10, 0), (10.1, 1)])
def test_a_cut_out_that_is_a_part_has_a_rating(amps: float, faults: int) -> None:
    body = MAINS + load(SSR, f"volts: 230, amps: {amps}, kind: heater", ", cutout: thermal-cutout")
    assert len(told("load.over-rating", body)) == faults
    assert told("load.no-cutout", body) == []
    words = body.replace("thermal-cutout", "a bimetal switch")
    assert told("load.over-rating", words) == []
