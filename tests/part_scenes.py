"""Probes in small builds: two readings on either side of a threshold, and what is no reading.

How each says them on its wires is in the part's stimulus.py, after its data
sheet; what is written here beside that are other ways of giving no reading.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from buildkit.rehearsal import stimuli
from buildkit.rehearsal.stimuli import Stimulus, Wires
from tests.chip_world import World, stimulus, tables

BUILD = """build: alone
board: {board}
supply: {{rail: 5V, max_ma: 2000}}
probes:
  a: {{part: {part}, value: {value}, every_s: {every_s}, average: 3{more}}}
loads:
  fan: {{part: relay-module-active-low}}
control:
  - {{drive: fan, by: a, start_at: {start}, stop_at: {stop}, min_off_s: 5, if_no_reading: off,
     no_reading_after_s: {silence_s}}}
"""
# Seconds at which the readings change; between two readings, so that none can be either.
TO_HIGH, TO_SPOILT, TO_LOW, TO_HIGH_AGAIN, TO_GONE, END = 60.5, 120.5, 180.5, 240.5, 300.5, 360.0

Do = Callable[[Wires, float], None]


@dataclass(frozen=True)
class Case:
    """A probe, two readings on either side of the thresholds (in steps), and how it has none."""

    part: str
    value: str
    low: int
    high: int
    shown: tuple[str, str]  # the two as the log writes them
    between: tuple[str, str]  # start_at and stop_at
    spoil: Do | None = None  # another way of losing readings than the part's own
    every_s: int = 2
    more: str = ""
    late_s: float = 0.1  # how long after it is due a reading may come
    within: float = 0.0  # half a count of the converter and half a step

    @property
    def said(self) -> Stimulus:
        """How the part puts readings on its wires."""
        return stimuli.of(tables().part(self.part))

    def loses(self, world: World) -> bool:
        """Whether a reading of it can be broken."""
        return not self.said.always_reads(wires_of(world))

    def falls_silent(self, world: World) -> bool:
        """Whether it can be silent."""
        return self.said.cut(wires_of(world)) is None


def wires_of(world: World) -> Wires:
    """The wires of the probe that is called a."""
    return Wires(world.circuit.build.probes["a"].use, world.circuit, world.scenario)


def text_of(case: Case, board: str) -> str:
    """The build of a case."""
    return BUILD.format(
        board=board, part=case.part, value=case.value, every_s=case.every_s, more=case.more,
        start=case.between[0], stop=case.between[1], silence_s=6 * case.every_s,
    )  # fmt: skip


def put(case: Case, world: World, begin_s: float, end_s: float, steps: int | None) -> None:
    """A reading on the wires from one time to another; None: one that does not count."""
    wires, said = wires_of(world), case.said
    turn = case.spoil or (lambda w, t_s: said.spoilt(w, t_s, end_s, case.low))
    every_s = case.every_s if said.sends else END
    first_s = -(-begin_s // every_s) * every_s if said.sends else begin_s
    t_s = first_s
    while t_s < end_s:
        if steps is None:
            turn(wires, t_s)
        else:
            said.reading(wires, t_s, end_s, steps)
        t_s += every_s


# --- other ways of giving no reading ---------------------------------------------------


def _i2c(part: str, command: str, data: Callable[[], bytes]) -> Do:
    return lambda wires, t_s: wires.i2c(t_s, getattr(stimulus(part), command), data())


def _other_kind(wires: Wires, t_s: float) -> None:
    """A sensor put in the socket that looks alike and has no humidity."""
    bme = stimulus("bme280")
    wires.i2c(t_s, bme.DATA, bme.data(*bme.NOT_MEASURED))
    wires.i2c(t_s, bme.ID, b"\x58")
    # Once asked anew what it is, it has good readings and the wrong name.
    wires.i2c(t_s + 3, bme.DATA, bme.data(*bme.STANDING))
    wires.i2c(TO_LOW, bme.ID, b"\x60")


def _nought_ready(wires: Wires, t_s: float) -> None:
    scd = stimulus("scd4x")
    wires.i2c(t_s, scd.FETCH, scd.reply(0))
    wires.scenario.i2c_reply(t_s, wires.address, scd.guarded(scd.SOMETHING), after=scd.READY, once=True)  # fmt: skip


def _nought_answered(wires: Wires, t_s: float) -> None:
    co2 = stimulus("co2-ndir-uart9")
    wires.answer(t_s, co2.REQUEST, co2.answer(0), co2.AFTER_S)


_SCD = {"every_s": 5, "more": ", own_figures: {warm_up_s: 20}", "late_s": 0.6}
_CO2 = {"every_s": 5, "more": ", own_figures: {warm_up_s: 20}"}

CASES = {
    "sht4x humidity": Case("sht4x", "humidity", 4000, 5500, ("40.00", "55.00"), ("52", "45")),
    "sht4x temperature": Case("sht4x", "temperature", -500, 2345, ("-5.00", "23.45"), ("20", "10")),
    "aht20 humidity": Case("aht20", "humidity", 4000, 5500, ("40.00", "55.00"), ("52", "45")),
    "aht20 temperature, busy for ever": Case(
        "aht20", "temperature", -500, 2345, ("-5.00", "23.45"), ("20", "10"),
        _i2c("aht20", "MEASURE", lambda: stimulus("aht20").reply(4000, -500, 0x9C)),
    ),
    "aht20 without calibration": Case(
        "aht20", "humidity", 4000, 5500, ("40.00", "55.00"), ("52", "45"),
        _i2c("aht20", "MEASURE", lambda: stimulus("aht20").reply(4000, 2150, 0x14)),
    ),
    "bme280 temperature": Case("bme280", "temperature", 2508, 3007, ("25.08", "30.07"), ("29", "27")),
    "bme280 of another kind": Case(
        "bme280", "temperature", 2508, 3007, ("25.08", "30.07"), ("29", "27"), _other_kind,
    ),
    "scd4x co2": Case("scd4x", "co2", 612, 1410, ("612", "1410"), ("1000", "800"), **_SCD),
    "scd4x co2, nought spoils": Case(
        "scd4x", "co2", 612, 1410, ("612", "1410"), ("1000", "800"), _nought_ready, **_SCD,
    ),
    "scd4x temperature": Case(
        "scd4x", "temperature", 1850, 2345, ("18.50", "23.45"), ("22", "20"), **_SCD,
    ),
    "co2-ndir-uart9": Case("co2-ndir-uart9", "co2", 612, 1410, ("612", "1410"), ("1000", "800"), **_CO2),
    "co2-ndir-uart9, nought spoils": Case(
        "co2-ndir-uart9", "co2", 612, 1410, ("612", "1410"), ("1000", "800"), _nought_answered, **_CO2,
    ),
    "analog-span voltage": Case(
        "analog-span", "voltage", 800, 3200, ("0.800", "3.200"), ("2.5", "1.5"),
        more=", own_figures: {false_below_v: 0.25}", within=0.003,
    ),
    "analog-span percent": Case(
        "analog-span", "percent", 250, 750, ("25.0", "75.0"), ("60", "40"),
        # 0.5 to 4.5 V: a tenth of a percent is 4 mV
        more=", own_figures: {low_v: 0.5, high_v: 4.5}", within=0.12,
    ),
    "loop-4-20ma current": Case(
        "loop-4-20ma", "current", 800, 1600, ("8.00", "16.00"), ("14", "10"),
        # 100 ohms: a hundredth of a milliamp is 1 mV
        within=0.03,
    ),
    "loop-4-20ma percent": Case(
        "loop-4-20ma", "percent", 250, 750, ("25.0", "75.0"), ("60", "40"),
        # 220 ohms: a tenth of a percent is 3.52 mV; 21.5 mA is a failure
        lambda wires, t_s: wires.adc_mv(t_s, "LOOP", 21.5 * 220),
        more=", own_figures: {shunt_ohms: 220, out_high_v: 4.95}", within=0.12,
    ),
    "float-switch": Case("float-switch", "closed", 0, 1, ("0", "1"), ("1", "0")),
    "pir-motion": Case(
        "pir-motion", "motion", 0, 1, ("0", "1"), ("1", "0"), more=", own_figures: {warm_up_s: 20}",
    ),
    "pulse-flow": Case(
        "pulse-flow", "flow", 200, 1200, ("2.00", "12.00"), ("6", "4"), within=0.075,
    ),
}  # fmt: skip
