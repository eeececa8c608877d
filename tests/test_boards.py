"""What every board table must fulfil; a failing test says what a new one still lacks."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Callable
from dataclasses import replace

import pytest

from buildkit.model import Board, Rail
from buildkit.tables import Tables

BOARDS = Tables().board_ids()

# Lines that a port needs before a part can use it.
SERIAL_LINES = ("rx", "tx")
BUS_LINES = {"Wire": ("sda", "scl"), "SPI": ("mosi", "miso", "sck")}

# A source is a document and a place in it; "common practice" and "from memory" need none.
PLACE = re.compile(r"\S+\s+\S")


def header_labels_unknown(board: Board) -> list[str]:
    """Header labels that are no pin, rail, ground or entry under others."""
    return [
        f"'{label}' on header '{header.name}' is no pin, rail, ground or entry under others"
        for header in board.headers
        for label in header.labels
        if not (
            board.pin(label)
            or board.rail_at(label)
            or label in board.ground_labels
            or label in board.other_labels
        )
    ]


def labels_meaning_two_things(board: Board) -> list[str]:
    """Labels and aliases that would find more than one thing."""
    names = Counter(
        [name for pin in board.pins.values() for name in (pin.label, *pin.aliases)]
        + [label for rail in board.rails.values() for label in rail.labels]
        + [*board.ground_labels, *board.other_labels]
    )
    return [f"'{name}' means {times} things" for name, times in names.items() if times > 1]


def things_on_no_header(board: Board) -> list[str]:
    """Pins, rails, grounds and others that no header shows, so that nobody could wire them."""
    shown = {label for header in board.headers for label in header.labels}
    missing = [f"pin {p.label}" for p in board.pins.values() if not shown & {p.label, *p.aliases}]
    missing += [f"rail {r.name}" for r in board.rails.values() if not shown & set(r.labels)]
    missing += [f"ground {label}" for label in board.ground_labels if label not in shown]
    missing += [f"others {label}" for label in board.other_labels if label not in shown]
    return [f"{what} is on no header" for what in missing]


def pins_that_share(board: Board) -> list[str]:
    """Port names and core numbers that two pins claim."""
    ports = Counter(pin.port for pin in board.pins.values())
    numbers = Counter(str(pin.number) for pin in board.pins.values())
    codes = Counter(pin.code for pin in board.pins.values())
    channels = Counter(f"ADC {pin.adc}" for pin in board.pins.values() if pin.adc is not None)
    counted = (ports, numbers, codes, channels)
    return [f"{what} is on two pins" for c in counted for what, n in c.items() if n > 1]


def role_faults(board: Board) -> list[str]:
    """Roles served twice, of no port, or missing from a port or bus that is there."""
    roles = Counter(role for pin in board.pins.values() for role in pin.roles)
    faults = [f"role {role} is served twice" for role, times in roles.items() if times > 1]
    known = {*board.serial_ports, *BUS_LINES}
    faults += [f"role {r} belongs to no port" for r in roles if r.split(".")[0] not in known]
    for port, use in board.serial_ports.items():
        for line in SERIAL_LINES:
            if (f"{port}.{line}" in roles) == (use == "usb"):
                faults.append(
                    f"{port}.{line}: a {use} port {'has' if use == 'usb' else 'needs'} it"
                )
    for bus, lines in BUS_LINES.items():
        served = [line for line in lines if f"{bus}.{line}" in roles]
        if bus == "Wire" and not served:
            faults.append("no pins for Wire")
        if served and len(served) < len(lines):
            faults.append(f"{bus} has only {', '.join(served)}")
    return faults


def port_faults(board: Board) -> list[str]:
    """A log port that does not reach USB, and pins of it that bear no warning."""
    faults = []
    if board.serial_ports.get(board.log_port) not in ("upload", "usb"):
        faults.append(f"log_port {board.log_port} is no upload or usb port")
    for pin in board.pins.values():
        uses = [board.serial_ports.get(role.split(".")[0]) for role in pin.roles]
        if ("upload" in uses) != (pin.hazard("upload-serial") is not None):
            faults.append(f"pin {pin.label}: hazard upload-serial and the upload port disagree")
    return faults


def unused_tx_faults(board: Board) -> list[str]:
    """The never-used sender may not take a pin that a part could be on."""
    sender = board.core.unused_tx
    if sender is None:
        receivers = [pin.label for pin in board.pins.values() if pin.soft_rx]
        return [f"soft_rx on {', '.join(receivers)} needs an unused_tx"] if receivers else []
    pin = next((p for p in board.pins.values() if sender in (p.code, str(p.number))), None)
    if pin and not pin.hazard("upload-serial"):
        return [f"unused_tx {sender} is pin {pin.label}, which a part may use"]
    if not re.fullmatch(r"-1|\d+|[A-Z][A-Z0-9_]*", sender):
        return [f"unused_tx '{sender}' is no pin code"]
    return []


def group_faults(board: Board) -> list[str]:
    """Groups of unknown port pins, and pins that a direction's groups leave out or count twice."""
    ports = {pin.port for pin in board.pins.values() if "digital-out" in pin.can}
    faults = [
        f"group '{group.name}': no pin is {port}"
        for group in board.groups
        for port in group.pins
        if port not in ports
    ]
    for direction in ("source", "sink"):
        groups = [g for g in board.groups if g.direction in (direction, "both")]
        members = Counter(port for group in groups for port in group.pins)
        wrong = sorted(port for port in ports if members[port] != 1) if groups else []
        faults += [f"{port} is in {members[port]} groups to {direction}" for port in wrong]
    return faults


def rail_faults(board: Board) -> list[str]:
    """Rails that are missing, feed each other, or whose limits do not hold their voltage."""
    faults = []
    if board.io_rail not in board.rails:
        faults.append(f"io_rail {board.io_rail} is no rail")
    for rail in board.rails.values():
        if not rail.min_v <= rail.volts <= rail.max_v:
            faults.append(
                f"rail {rail.name}: {rail.volts} V is outside {rail.min_v} to {rail.max_v} V"
            )
        if rail.gives_ma <= 0:
            faults.append(f"rail {rail.name} gives nothing")
        if rail.fed_by is not None and (rail.fed_by not in board.rails or rail.fed_by == rail.name):
            faults.append(f"rail {rail.name} is fed by {rail.fed_by}, which is no other rail")
    return faults


def figure_faults(board: Board) -> list[str]:
    """Levels and limits in an order that no chip has."""
    f = board.figure
    io_rail = board.rails.get(board.io_rail)
    volts = io_rail.volts if io_rail else 0.0
    rising = {
        "vol_max_v, vil_max_v, vih_min_v, voh_min_v, io_rail": [
            f("vol_max_v"), f("vil_max_v"), f("vih_min_v"), f("voh_min_v"), volts,
        ],
        "pin_min_v, 0, io_rail, pin_max_v": [f("pin_min_v"), 0.0, volts, f("pin_max_v")],
        "0, voh_at_ma, pin_ma, pin_peak_ma, chip_ma": [
            0.0, f("voh_at_ma"), f("pin_ma"), f("pin_peak_ma"), f("chip_ma"),
        ],
        "1, pull_up_min_ohms, pull_up_max_ohms": [
            1.0, f("pull_up_min_ohms"), f("pull_up_max_ohms"),
        ],
        "1, ram_bytes, flash_bytes": [1.0, f("ram_bytes"), f("flash_bytes")],
        "1, adc_reference_v, pin_max_v": [1.0, f("adc_reference_v"), f("pin_max_v")],
    }  # fmt: skip
    return [f"{names}: {row} do not rise" for names, row in rising.items() if row != sorted(row)]


def wording_faults(board: Board) -> list[str]:
    """Warnings that are no sentence for the bench, and sources without a place in them."""
    faults = [
        f"pin {pin.label}: hazard {hazard.kind} needs a reason of a few words"
        for pin in board.pins.values()
        for hazard in pin.hazards
        if len(hazard.why.split()) < 4
    ]
    cited = {f"figure {name}": figure.source for name, figure in board.figures.items()}
    cited |= {f"rail {rail.name}": rail.source for rail in board.rails.values()}
    cited |= {f"group {group.name}": group.source for group in board.groups}
    regulators = [
        x.regulator for x in (*board.rails.values(), *board.inlets.values()) if x.regulator
    ]
    cited |= {f"regulator {n}": regulator.source for n, regulator in enumerate(regulators)}
    cited |= {f"inlet {inlet.name}": inlet.source for inlet in board.inlets.values()}
    cited |= {f"core takes {name}": taking.source for name, taking in board.core.takes.items()}
    cited["bootloader"] = board.bootloader.source
    faults += [
        f"{what}: '{by}' names no place" for what, by in cited.items() if not PLACE.match(by)
    ]
    table = " ".join(cited.values())
    used = {key for key in board.sources if re.search(rf"\b{re.escape(key)}\b", table)}
    return faults + [f"source '{key}' is never cited" for key in board.sources if key not in used]


CHECKS: tuple[Callable[[Board], list[str]], ...] = (
    header_labels_unknown,
    labels_meaning_two_things,
    things_on_no_header,
    pins_that_share,
    role_faults,
    port_faults,
    unused_tx_faults,
    group_faults,
    rail_faults,
    figure_faults,
    wording_faults,
)


@pytest.mark.parametrize("check", CHECKS)
@pytest.mark.parametrize("board_id", BOARDS)
def test_table_is_whole(board_id: str, check: Callable[[Board], list[str]]) -> None:
    assert check(Tables().board(board_id)) == []


def test_there_are_boards() -> None:
    """An empty folder would let every test above pass unseen."""
    assert "atmega328p-5v" in BOARDS


# --- each check sees the fault that it is for ---------------------------------

GOOD = Tables().board("atmega328p-5v")


def _with_pin(label: str, **cells: object) -> Board:
    return replace(GOOD, pins={**GOOD.pins, label: replace(GOOD.pins[label], **cells)})  # type: ignore[arg-type]


def _with_rail(name: str, **cells: object) -> Board:
    return replace(GOOD, rails={**GOOD.rails, name: replace(GOOD.rails[name], **cells)})  # type: ignore[arg-type]


def _with_figure(name: str, value: float, source: str = "ds 1") -> Board:
    figure = replace(GOOD.figures[name], value=value, source=source)
    return replace(GOOD, figures={**GOOD.figures, name: figure})


def _with_header(*labels: str) -> Board:
    first, *rest = GOOD.headers
    return replace(GOOD, headers=(replace(first, labels=labels), *rest))


def _with_group(*ports: str) -> Board:
    first, *rest = GOOD.groups
    return replace(GOOD, groups=(replace(first, pins=ports), *rest))


FIRST = GOOD.headers[0].labels
PORTS = GOOD.groups[0].pins
TAKEN_TX = replace(GOOD.core, unused_tx="2")
SPARE_RAIL = Rail("9V", 9.0, 8.0, 10.0, 100.0, ("9V",), "form")

FAULTY: list[tuple[Callable[[Board], list[str]], Board, str]] = [
    (header_labels_unknown, _with_header(*FIRST, "77"), "'77'"),
    (labels_meaning_two_things, _with_pin("2", aliases=("SDA",)), "'SDA'"),
    (labels_meaning_two_things, replace(GOOD, ground_labels=("GND", "5V")), "'5V'"),
    (things_on_no_header, _with_header(*FIRST[:-1]), "pin 8"),
    (things_on_no_header, replace(GOOD, rails={**GOOD.rails, "9V": SPARE_RAIL}), "rail 9V"),
    (things_on_no_header, replace(GOOD, ground_labels=("GND", "AGND")), "ground AGND"),
    (things_on_no_header, replace(GOOD, other_labels={"EN": "enable"}), "others EN"),
    (pins_that_share, _with_pin("2", port="PD3"), "PD3"),
    (pins_that_share, _with_pin("2", number=3), "3 is on two pins"),
    (pins_that_share, _with_pin("2", code="A0"), "A0"),
    (pins_that_share, _with_pin("A1", adc=0), "ADC 0"),
    (role_faults, _with_pin("2", roles=("Wire.sda",)), "Wire.sda is served twice"),
    (role_faults, _with_pin("2", roles=("Serial7.rx",)), "Serial7.rx"),
    (role_faults, _with_pin("0", roles=()), "Serial.rx: a upload port needs it"),
    (role_faults, replace(GOOD, serial_ports={"Serial": "usb"}), "a usb port has it"),
    (role_faults, _with_pin("A5", roles=()), "Wire has only sda"),
    (port_faults, replace(GOOD, log_port="Serial7"), "Serial7"),
    (port_faults, replace(GOOD, serial_ports={"Serial": "free"}), "no upload or usb port"),
    (port_faults, _with_pin("0", hazards=()), "pin 0"),
    (port_faults, _with_pin("2", hazards=GOOD.pins["0"].hazards), "pin 2"),
    (unused_tx_faults, replace(GOOD, core=TAKEN_TX), "pin 2"),
    (unused_tx_faults, replace(GOOD, core=replace(GOOD.core, unused_tx="none")), "no pin code"),
    (unused_tx_faults, replace(GOOD, core=replace(GOOD.core, unused_tx=None)), "soft_rx on 0, 1"),
    (group_faults, _with_group(*PORTS, "PZ9"), "PZ9"),
    (group_faults, _with_group(*PORTS[1:]), f"{PORTS[0]} is in 0 groups to source"),
    (group_faults, _with_group(*PORTS, "PB0"), "PB0 is in 2 groups to source"),
    (rail_faults, replace(GOOD, io_rail="1V8"), "io_rail 1V8"),
    (rail_faults, _with_rail("5V", volts=6.0), "6.0 V"),
    (rail_faults, _with_rail("3V3", gives_ma=0), "gives nothing"),
    (rail_faults, _with_rail("3V3", fed_by="3V3"), "fed by 3V3"),
    (figure_faults, _with_figure("vih_min_v", 4.9), "vih_min_v"),
    (figure_faults, _with_figure("pin_max_v", 4.9), "pin_max_v"),
    (figure_faults, _with_figure("pin_ma", 60), "pin_ma"),
    (figure_faults, _with_figure("pull_up_max_ohms", 10), "pull_up_max_ohms"),
    (figure_faults, _with_figure("flash_bytes", 100), "flash_bytes"),
    (figure_faults, _with_figure("adc_reference_v", 6), "adc_reference_v"),
    (wording_faults, _with_figure("pin_ma", 20, "ds"), "'ds' names no place"),
    (wording_faults, replace(GOOD, sources={**GOOD.sources, "spare": "a book"}), "'spare'"),
]


@pytest.mark.parametrize(("check", "board", "says"), FAULTY)
def test_fault_is_seen(check: Callable[[Board], list[str]], board: Board, says: str) -> None:
    assert any(says in fault for fault in check(board)), check(board)


def test_every_check_is_shown_a_fault() -> None:
    assert {check for check, _, _ in FAULTY} == set(CHECKS)
