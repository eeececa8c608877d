"""DEVELOPERS.md by doing: a board is one file, a part one folder, a rule one function."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from buildkit import buildfile, checking, document, rules, seating, sketch
from buildkit.circuit import Circuit
from buildkit.model import Fault
from buildkit.places import data_dir
from buildkit.tables import Tables

BUILD = """\
build: own-things
board: {board}
supply: {{rail: 5V, max_ma: 500}}
probes:
  room: {{part: {part}, value: temperature, every_s: 2, average: 5}}
loads:
  mat:
    part: relay-module-active-low
    draws: {{volts: 24, amps: 1, kind: heater}}
    cutout: bimetal switch
control:
  - {{drive: mat, by: room, start_at: 18, stop_at: 20, min_on_s: 60, min_off_s: 60,
     if_no_reading: off, no_reading_after_s: 30}}
"""


def _copy_part(source: str, new: str, own: Path) -> None:
    folder = own / "parts" / new
    folder.mkdir(parents=True)
    for path in (data_dir("templates") / "parts" / source).iterdir():
        text = path.read_text(encoding="utf-8").replace(f"id: {source}", f"id: {new}")
        (folder / path.name).write_text(text, encoding="utf-8")


def _copy_board(source: str, new: str, own: Path) -> None:
    (own / "boards").mkdir(parents=True)
    text = (data_dir("boards") / f"{source}.yaml").read_text(encoding="utf-8")
    (own / "boards" / f"{new}.yaml").write_text(
        text.replace(f"id: {source}", f"id: {new}"), encoding="utf-8"
    )


def test_a_board_is_one_file_and_a_part_one_folder(tmp_path: Path) -> None:
    _copy_board("atmega328p-5v", "bench-board", tmp_path)
    _copy_part("ds18b20", "bench-thermometer", tmp_path)
    tables = Tables(tmp_path)
    assert "bench-board" in tables.board_ids()
    text = BUILD.format(board="bench-board", part="bench-thermometer")
    path = tmp_path / "own.yaml"
    path.write_text(text, encoding="utf-8")
    report = checking.check(path, tables)
    assert report.errors == 0, report.findings
    assert report.circuit is not None
    assert "reader_room" in sketch.render(report.circuit)


@pytest.mark.parametrize(
    ("old", "new", "rule"),
    [
        ("talks: one-wire", "talks: smoke-signals", "doc.out-of-range"),
        ("id: bench-thermometer", "id: other-name", "doc.unsafe-name"),
        ("pull_up_ohms: {is: 4700,", "pull_up_ohms: {is: many,", "doc.wrong-type"),
        ('from: "ds Figure 7', 'from: "handbook Figure 7', "doc.unknown-value"),
        ("title:", "titel:", "doc.unknown-key"),
    ],
)
def test_a_faulty_table_of_ones_own_is_told_like_a_build(
    tmp_path: Path, old: str, new: str, rule: str
) -> None:
    _copy_part("ds18b20", "bench-thermometer", tmp_path)
    table = tmp_path / "parts" / "bench-thermometer" / "part.yaml"
    text = table.read_text(encoding="utf-8")
    assert old in text
    table.write_text(text.replace(old, new), encoding="utf-8")
    build = tmp_path / "own.yaml"
    build.write_text(BUILD.format(board="atmega328p-5v", part="bench-thermometer"))
    findings = checking.check(build, Tables(tmp_path)).findings
    assert rule in {finding.rule for finding in findings}
    line = text.splitlines().index(next(ln for ln in text.splitlines() if old in ln)) + 1
    assert (str(table), line) in {(f.at.file, f.at.line) for f in findings}


@pytest.fixture
def no_fridays() -> Iterator[str]:
    """A rule for as long as a test runs."""
    name = "control.on-a-friday"

    @rules.rule(name, "warning", source="common practice, no source: an invented rule")
    def on_a_friday(circuit: Circuit) -> Iterable[Fault]:
        """A load is driven whose name is friday.

        Why: it is the example of a rule.

        Wrong:
            drive: friday

        Right:
            drive: monday
        """
        for entry in circuit.build.control:
            if entry.drive == "friday":
                yield Fault(entry.place("drive"), "friday is driven", "Take another day.")

    rules.catalogue.cache_clear()
    yield name
    rules._registry.pop(name)
    rules.catalogue.cache_clear()


def test_a_rule_is_one_function(no_fridays: str) -> None:
    text = BUILD.format(board="atmega328p-5v", part="ds18b20")
    for load, expected in (("mat", []), ("friday", [12])):
        build = buildfile.from_tree(
            document.parse(text.replace("mat", load).encode(), "own.yaml"), Tables()
        )
        found = [f for f in rules.run(seating.seat(build)) if f.rule == no_fridays]
        assert [f.at.line for f in found] == expected
    assert rules.catalogue()[no_fridays].why == "it is the example of a rule."
