"""Tables that cannot be right are told at their line, like a build."""

from __future__ import annotations

from pathlib import Path

import pytest

from buildkit.model import Refused
from buildkit.places import data_dir
from buildkit.tables import Tables

PARTS = {
    "supply_peak_ma": "sht3x",
    "refresh_s": "sht3x",
    "bus_hz": "lcd1602-pcf8574",
    "serial_baud": "pm-frame32",
    "columns_count": "lcd1602-pcf8574",
    "series_ohms": "led-indicator",
    "on_ma": "relay-module-active-low",
    "off_min_v": "relay-module-active-low",
    "on_min_v": "ssr-zero-cross-dc-control",
}


@pytest.mark.parametrize(("figure", "part"), PARTS.items())
def test_a_part_without_a_figure_of_its_kind(tmp_path: Path, figure: str, part: str) -> None:
    folder = tmp_path / "parts" / part
    folder.mkdir(parents=True)
    lines = (data_dir("templates") / "parts" / part / "part.yaml").read_text("utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(f"  {figure}:")]
    assert len(kept) == len(lines) - 1
    # What refers to the figure goes with it, so that only its absence is found.
    kept = [line for line in kept if f"ohms_from: {figure}" not in line and line != "extras:"]
    (folder / "part.yaml").write_text("\n".join(kept), encoding="utf-8")
    with pytest.raises(Refused) as refused:
        Tables(tmp_path).part(part)
    (fault,) = refused.value.faults
    assert fault.rule == "doc.missing-key"
    assert f"'{figure}'" in fault.message
    assert fault.at.line == kept.index("figures:") + 1


@pytest.mark.parametrize(
    ("old", "new"), [("fed_by: 5V", "fed_by: 6V"), ("io_rail: 5V", "io_rail: 4V")]
)
def test_a_rail_that_is_not_there(tmp_path: Path, old: str, new: str) -> None:
    (tmp_path / "boards").mkdir()
    text = (data_dir("boards") / "atmega328p-5v.yaml").read_text("utf-8")
    assert old in text
    (tmp_path / "boards" / "atmega328p-5v.yaml").write_text(text.replace(old, new))
    with pytest.raises(Refused) as refused:
        Tables(tmp_path).board("atmega328p-5v")
    (fault,) = refused.value.faults
    assert fault.rule == "doc.unknown-value"
    assert text.splitlines()[fault.at.line - 1].count(old) == 1


def test_every_table_of_ours_is_taken() -> None:
    tables = Tables()
    assert len({tables.board(name).id for name in tables.board_ids()}) == len(tables.board_ids())
    assert len({tables.part(name).id for name in tables.part_ids()}) == len(tables.part_ids())


@pytest.mark.parametrize(
    ("table", "old", "new", "rule", "said"),
    [
        ("parts/relay-coil-bare", "ohms_from: base_ohms", "ohms_from: bass_ohms", "doc.unknown-value", "Did you mean 'base_ohms'"),
        ("parts/relay-coil-bare", "between: [DRIVE, BASE]", "between: [DRIVE, FACE]", "doc.unknown-value", "no terminal 'FACE'"),
        ("parts/relay-coil-bare", "  driver_max_ma:", "  drivers_max_ma:", "doc.missing-key", "'driver_max_ma'"),
        ("parts/relay-coil-bare", "coil_ohms: {is: 70", "coil_ohms: {is: 0", "doc.out-of-range", "'coil_ohms' is 0"),
        ("parts/ssr-zero-cross-dc-control", "input: CTRL+", "input: CTRL", "doc.unknown-value", "no terminal 'CTRL'"),
        ("parts/led-indicator", "shows: lamp\n", "", "doc.missing-key", "'shows'"),
        ("parts/pm-frame32", "serial_baud: {is: 9600", "serial_baud: {is: -9600", "doc.out-of-range", "above 0"),
        ("boards/atmega328p-5v", "log_port: Serial", "log_port: Cereal", "doc.unknown-value", "Did you mean 'Serial'"),
        ("boards/atmega328p-5v", "volts: 3.3", "volts: 0", "doc.out-of-range", "volts of 3V3"),
    ],
)  # fmt: skip
def test_a_table_that_would_break_a_formula_or_a_name(
    tmp_path: Path, table: str, old: str, new: str, rule: str, said: str
) -> None:
    kind, name = table.split("/")
    source = data_dir("boards") / f"{name}.yaml" if kind == "boards" else (
        data_dir("templates") / "parts" / name / "part.yaml")  # fmt: skip
    target = tmp_path / (f"boards/{name}.yaml" if kind == "boards" else f"parts/{name}/part.yaml")
    target.parent.mkdir(parents=True)
    text = source.read_text("utf-8")
    assert old in text
    target.write_text(text.replace(old, new, 1), "utf-8")
    tables = Tables(tmp_path)
    with pytest.raises(Refused) as refused:
        (tables.board if kind == "boards" else tables.part)(name)
    told = [(fault.rule, f"{fault.message} {fault.fix}") for fault in refused.value.faults]
    assert any(one == rule and said in text for one, text in told), told
