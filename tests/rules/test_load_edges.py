"""Loads at their edges: every fuse and copper size, heat, and stages of transistors."""

from __future__ import annotations

import pytest
from small import MAINS, SOIL, SSR, circuit, figures, load, probes, told

from buildkit import rules

COIL, FET, PICO = "relay-coil-bare", "mosfet-low-side", {"board": "rp2040-stick", "ma": 800}
# NEC 240.6(A); BS 1362; IEC 60127-2 and IEC 60898-1: as printed.
FUSES = {
    "us": (1, 3, 6, 10, 15, 20, 25, 30),
    "uk": (3, 5, 13),
    "eu": (1, 2, 4, 6.3, 10, 16, 20, 25, 32),
    "iec": (1, 2, 4, 6.3, 10, 16, 20, 25, 32),
}
# NEC 240.4(D) in AWG, IEC 60364-5-52 in mm2: the copper behind each fuse.
COPPER = {
    "us": {1: "AWG 14", 10: "AWG 14", 15: "AWG 14", 20: "AWG 12", 25: "AWG 10", 30: "AWG 10"},
    "eu": {6.3: "1.5 mm2", 10: "1.5 mm2", 16: "2.5 mm2", 20: "2.5 mm2", 25: "4 mm2", 32: "6 mm2"},
}  # fmt: skip


def _mains(region: str) -> str:
    volts, hz = (120, 60) if region == "us" else (230, 50)
    return f"mains: {{volts: {volts}, hz: {hz}, region: {region}}}\n"


def _switched(region: str, amps: float, kind: str = "heater") -> str:
    volts = 120 if region == "us" else 230
    return _mains(region) + probes(SOIL) + load(SSR, f"volts: {volts}, amps: {amps}, kind: {kind}")


@pytest.mark.parametrize("region", FUSES)
def test_the_fuse_is_the_next_one_above_a_quarter_more(region: str) -> None:
    for number, size in enumerate(FUSES[region]):
        (just,) = told("load.fuse", _switched(region, size / 1.25))
        assert just.numbers["fuse_a"] == size
        (over,) = told("load.fuse", _switched(region, round(size / 1.25 + 0.01, 3)))
        following = FUSES[region][number + 1 :]
        assert over.numbers["fuse_a"] == (following[0] if following else None)


@pytest.mark.parametrize(
    ("region", "size", "copper"),
    [(region, size, copper) for region, sizes in COPPER.items() for size, copper in sizes.items()],
)
def test_the_copper_behind_each_fuse(region: str, size: float, copper: str) -> None:
    (found,) = told("load.conductor", _switched(region, size / 1.25))
    assert found.numbers["fuse_a"] == size
    assert found.numbers["copper"] == copper


def test_a_load_beyond_every_fuse_is_told_and_gets_no_copper() -> None:
    assert "no usual" in told("load.fuse", _switched("eu", 26))[0].message
    assert told("load.conductor", _switched("eu", 26)) == []


def test_a_slow_fuse_for_all_but_heaters_and_british_ones() -> None:
    says = {
        (region, kind): "slow" in told("load.fuse", _switched(region, 1, kind))[0].message
        for region in ("eu", "us", "uk")
        for kind in ("heater", "motor")
    }
    assert [key for key, slow in says.items() if slow] == [("eu", "motor"), ("us", "motor")]


def _numbers(rule: str, body: str, *edits: object, **head: object) -> dict[str, object]:
    check = rules.catalogue()[rule].check
    assert check is not None
    (fault,) = check(circuit(body, *edits, **head))  # type: ignore[arg-type]
    return dict(fault.numbers)


def test_a_heat_sink_s_figures() -> None:
    body = MAINS + probes(SOIL) + load(SSR, "volts: 230, amps: 10, kind: lamp, inrush_amps: 50")
    found = _numbers("load.heat-sink", body)
    assert found["heat_w"] == pytest.approx(16)  # 1.6 V times 10 A
    assert found["limit_c"] == 80
    assert found["sink_k_per_w"] == pytest.approx(2.5)  # (80 - 40) / 16
    cool = _numbers("load.heat-sink", body, figures("fan", drop_v=0))
    assert cool["heat_w"] == 0
    assert "sink_k_per_w" not in cool
    bare = _numbers("load.heat-sink", body, figures("fan", derate_to_c=None, junction_max_c=None))
    assert "sink_k_per_w" not in bare
    assert bare["heat_w"] == pytest.approx(16)


def test_a_part_whose_derating_has_no_span_keeps_its_rating() -> None:
    body = (
        "ambient_c: 60\n" + MAINS + probes(SOIL) + load(SSR, "volts: 230, amps: 20, kind: heater")
    )
    assert told("load.derated", body, figures("fan", derate_from_c=50, derate_to_c=50)) == []
    assert told("load.derated", body, figures("fan", derate_from_c=50, derate_to_c=70))


def test_a_shifter_pulls_a_control_through_its_resistor() -> None:
    """5 V over 10 kilohms is 500 uA: a relay that stays dark below 501 uA rests."""
    body = probes(SOIL) + load("relay-module-active-high", "volts: 24, amps: 0.2, kind: lamp")
    body += "between: {fan.IN: {part: level-shifter-mosfet}}\n"
    assert told("load.rests-on", body, figures("fan", off_ua=499), **PICO)
    assert told("load.rests-on", body, figures("fan", off_ua=501), **PICO) == []
    found = _numbers("load.rests-on", body, figures("fan", off_ua=499), **PICO)
    assert found["through_ua"] == pytest.approx(500)


def test_a_diode_that_bears_just_the_coil_s_current() -> None:
    motor = load(FET, "volts: 12, amps: 2, kind: motor")
    assert told("load.no-flyback", probes(SOIL) + motor, figures("fan", flyback_max_a=2)) == []
    (weak,) = told("load.no-flyback", probes(SOIL) + motor, figures("fan", flyback_max_a=1.99))
    assert "bears 1.99 A" in weak.message
    (none,) = told("load.no-flyback", probes(SOIL) + motor, figures("fan", flyback_max_a=0))
    assert "no diode" in none.message
    (half,) = told("load.no-flyback", probes(SOIL) + motor, figures("fan", flyback_max_a=0.5))
    assert "bears 0.5 A" in half.message


def test_a_bare_coil_names_the_pin_that_it_would_hang_on() -> None:
    body = MAINS + probes(SOIL) + load(COIL, more=", wires: {DRIVE: 7}")
    (found,) = told("load.no-driver", body, figures("fan", driver_max_ma=0))
    assert "pin 7 gives 20 mA" in found.message
    assert found.numbers["coil_ma"] == pytest.approx(83.3, abs=1)


def test_a_transistor_that_bears_just_the_coil() -> None:
    body = MAINS + probes(SOIL) + load(COIL)
    (found,) = told("load.coil-current", body, figures("fan", driver_max_ma=10))
    coil_ma = float(found.numbers["coil_ma"])
    assert told("load.coil-current", body, figures("fan", driver_max_ma=coil_ma)) == []
    assert told("load.coil-current", body, figures("fan", driver_max_ma=coil_ma - 0.001))


def _two(first: str, second: str) -> str:
    return f"loads:\n  one: {{{first}}}\n  two: {{{second}}}\n"


RELAY_10_A = "part: relay-module-active-low, draws: {volts: 230, amps: %s, kind: %s}"


def test_a_load_that_is_told_otherwise_does_not_hide_the_next() -> None:
    over, lamp = RELAY_10_A % (14, "lamp"), RELAY_10_A % (2.5, "lamp")
    assert [f.at.line for f in told("load.inrush", MAINS + probes(SOIL) + _two(over, lamp))] == [9]
    motor = RELAY_10_A % (5, "motor")
    (found,) = told("load.derated", MAINS + probes(SOIL) + _two(over, motor))
    assert found.numbers["left_a"] == pytest.approx(3)
    small, large = (f"part: {SSR}, draws: {{volts: {v}, amps: 8, kind: heater}}" for v in (24, 230))
    assert len(told("load.conductor", MAINS + probes(SOIL) + _two(small, large))) == 1


def test_a_load_at_its_whole_rating_is_derated_still() -> None:
    body = MAINS + probes(SOIL) + load(draws="volts: 230, amps: 10, kind: motor")
    assert told("load.over-rating", body) == []
    assert len(told("load.derated", body)) == 1


def test_a_transistor_for_half_a_milliamp_is_one_and_too_weak() -> None:
    body = MAINS + probes(SOIL) + load(COIL)
    assert told("load.no-driver", body, figures("fan", driver_max_ma=0.5)) == []
    (found,) = told("load.coil-current", body, figures("fan", driver_max_ma=0.5))
    assert found.numbers["most_ma"] == 0.5
    assert told("load.coil-current", body, figures("fan", driver_max_ma=0)) == []


def test_a_coil_s_diode_is_measured_in_amps() -> None:
    body = MAINS + probes(SOIL) + load(COIL)
    (found,) = told("load.no-flyback", body, figures("fan", flyback_max_a=0))
    coil_a = float(found.numbers["amps"])
    assert coil_a == pytest.approx(0.083, abs=0.002)
    assert told("load.no-flyback", body, figures("fan", flyback_max_a=coil_a)) == []
    assert told("load.no-flyback", body, figures("fan", flyback_max_a=None))


@pytest.mark.parametrize(("volts", "conductor", "faults"), [
    (230, "neutral", 1), (230, "live", 0), (50, "neutral", 1), (49, "neutral", 0),
])  # fmt: skip
def test_a_switch_belongs_into_the_live_conductor(
    volts: float, conductor: str, faults: int
) -> None:
    draws = f"volts: {volts}, amps: 1, kind: lamp"
    body = MAINS + load("relay-module-active-low", draws, f", switches: {conductor}")
    found = told("load.switches-neutral", body)
    assert len(found) == faults
    assert all(fault.at.path == "loads.fan.switches" for fault in found)


def test_a_load_whose_conductor_is_not_told_is_wired_in_the_live() -> None:
    made = circuit(MAINS + load("relay-module-active-low"))
    assert made.build.loads["fan"].switches == "live"
    assert told("load.switches-neutral", MAINS + load("relay-module-active-low")) == []
