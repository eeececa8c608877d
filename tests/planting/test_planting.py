"""Faults planted in every valid build, on every board that fits it, are told where they stand."""

from __future__ import annotations

import random

import pytest

from buildkit import rules
from buildkit.model import Severity
from buildkit.tables import Tables
from tests.planting import paper
from tests.planting.beds import EVERY, FITS, base_paths, beds, findings, untouched
from tests.planting.garden import Plant
from tests.planting.run import COSTLY, NOT_PLANTED, Miss, faults, grow, load_planters, told_at

PLANTERS = load_planters()
LOAD_KINDS = {"heater", "motor", "lamp", "transformer", "solenoid", "electronic"}


def test_every_rule_has_a_planter_or_a_reason() -> None:
    assert set(rules.catalogue()) - set(PLANTERS) == set(NOT_PLANTED)
    assert set(PLANTERS) <= set(rules.catalogue())


def test_the_beds_have_every_part_board_and_kind_of_load() -> None:
    tables = Tables()
    parts = {use.part.id for bed in beds() for use in bed.build.uses()}
    loads = [entry for bed in beds() for entry in bed.tree.get("loads", {}).values()]
    named = {entry["cutout"] for entry in loads if "cutout" in entry}
    kinds = {load.draws.kind for bed in beds() for load in bed.build.loads.values() if load.draws}
    assert set(tables.part_ids()) - parts - named == set()
    assert {bed.board.id for bed in beds()} == set(tables.board_ids()) == set(EVERY)
    assert kinds == LOAD_KINDS
    assert {path.stem for path in base_paths()} == set(FITS)


def test_the_beds_have_every_form_of_control() -> None:
    entries = [entry for bed in beds() for entry in bed.build.control]
    assert {entry.rising for entry in entries} == {True, False}
    assert {entry.if_no_reading for entry in entries} == {"on", "off"}
    assert any(entry.max_on_s for entry in entries)
    assert any(entry.run_on_s for entry in entries)
    assert any(entry.stuck_after_s for entry in entries)
    assert any(not bed.build.control for bed in beds())


@pytest.mark.slow
def test_no_untouched_build_has_an_error() -> None:
    wrong = [
        f"{where}: {finding.rule} @ {finding.at.line}: {finding.message}"
        for where, found in untouched()
        for finding in found
        if finding.severity == "error"
    ]
    assert wrong == []


@pytest.mark.parametrize("rule", sorted(PLANTERS))
def test_each_planter_s_fault_is_told_at_its_line(rule: str) -> None:
    few = (1 if rule in COSTLY else 6) * len(PLANTERS[rule])
    made = list(faults(rule, few, seed=2))
    assert {planter for _, _, planter in made} == set(PLANTERS[rule])
    assert len(made) == few
    for number, (plant, bed, planter) in enumerate(made):
        missed = told_at(rule, plant, bed, planter, f"2 {number}")
        assert missed is None, _words(missed)


@pytest.mark.slow
def test_five_thousand_faults() -> None:
    harvest = grow(5000, seed=11)
    assert harvest.planted >= 5000
    assert harvest.false_errors == []
    assert [_words(miss) for miss in harvest.missed] == []


def _words(miss: Miss | None) -> str:
    if miss is None:
        return ""
    return f"{miss.rule} by {miss.planter}, {miss.where}: lines {miss.lines}, told {miss.told}\n{miss.text}"


# --- the tool itself ---


def test_a_fault_that_is_not_told_is_a_miss() -> None:
    """A sound build handed in as a fault must count as missed."""
    bed = beds()[0]
    plant = Plant(bed.copy(), ("board",))
    planter = PLANTERS["doc.unknown-board"][0]
    missed = told_at("doc.unknown-board", plant, bed, planter, "1")
    assert missed is not None
    assert missed.rule == "doc.unknown-board"


def test_a_fault_that_is_told_on_another_line_is_a_miss() -> None:
    bed = beds()[0]
    tree = bed.copy() | {"board": "nothing-like-it"}
    planter = PLANTERS["doc.unknown-board"][0]
    assert told_at("doc.unknown-board", Plant(tree, ("board",)), bed, planter, "1") is None
    assert told_at("doc.unknown-board", Plant(tree, ("about",)), bed, planter, "1") is not None


@pytest.mark.parametrize("seed", range(5))
def test_any_handwriting_reads_as_the_same_build(seed: int) -> None:
    for bed in beds()[:: len(beds()) // 12]:
        page = paper.write(bed.tree, random.Random(seed))
        again = findings(page.text)[0]
        assert _heads(again, "error") == _heads(bed.found, "error")
        assert _heads(again, "note") == _heads(bed.found, "note")
        lines = page.text.splitlines()
        for path, line in page.line.items():
            last = path.rsplit(".", 1)[-1].split("[")[0]
            assert last.strip('"') in lines[line - 1] or "[" in path


def _heads(found: object, severity: Severity) -> list[tuple[str, str]]:
    assert isinstance(found, list | tuple)
    return [(f.rule, f.at.path) for f in found if f.severity == severity]
