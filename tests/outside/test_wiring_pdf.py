"""The wiring list as PDF by WeasyPrint: whole, on the right paper, the same bytes, and text as text."""

from __future__ import annotations

import hashlib
import importlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from buildkit import pdf, wiring
from buildkit.cli import app
from tests.outside.page_checks import PAPERS_PT, marked, page_size, pages, tool, uncut
from tests.wiring_builds import EXAMPLES, example

HOOD, REED, MAT = (
    next(p for p in EXAMPLES if p.stem == s) for s in ("kitchen-hood", "reed-room", "seedling-mat")
)
PAPERS = {"kitchen-hood": "Letter", "plant-shelf": "A4", "reed-room": "A4", "seedling-mat": "A4"}


def _text(file: Path) -> str:
    return " ".join(tool("pdftotext", "-raw", str(file), "-").split())


@pytest.mark.slow
@pytest.mark.parametrize("paper", PAPERS_PT)
def test_no_row_step_or_picture_is_cut_by_a_page(paper: str, tmp_path: Path) -> None:
    page, marks = marked(["reed-room", "shifted"])
    file = tmp_path / "all.pdf"
    file.write_bytes(pdf.render(page, paper))
    assert page_size(file) == PAPERS_PT[paper]
    uncut(file, marks)


@pytest.mark.slow
def test_hostile_text_stays_text_in_the_pdf(tmp_path: Path) -> None:
    file = tmp_path / "hostile.pdf"
    file.write_bytes(pdf.render(pages()["hostile"], "A4"))
    raw = file.read_bytes()
    for active in (b"/JavaScript", b"/JS", b"/URI", b"/Launch", b"/EmbeddedFile"):
        assert active not in raw
    text = _text(file)
    for shown in ("<script>alert(1)</script>", "\"quoted\" 'too' & |", "[link](http://x.test)"):
        assert shown in text
    assert "U+202E" in text
    assert "W" * 250 in text.replace(" ", "")  # broken over lines, and whole
    assert tool("pdffonts", str(file)).count(" yes ")  # fonts are inside


@pytest.mark.slow
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_write_puts_the_pdf_beside_the_rest_on_the_paper_of_the_region(
    path: Path, tmp_path: Path
) -> None:
    done = CliRunner().invoke(app, ["write", str(path), "--into", str(tmp_path), "--pdf"])
    assert done.exit_code == 0, done.output
    file = tmp_path / "wiring.pdf"
    record = json.loads((tmp_path / "written.json").read_text())["files"]
    assert record["wiring.pdf"] == hashlib.sha256(file.read_bytes()).hexdigest()
    assert page_size(file) == PAPERS_PT[PAPERS[path.stem]]
    circuit, text = example(path), _text(file)
    for row in wiring.rows(circuit):
        assert row.length in text
        assert row.start in text
    for word in (circuit.board.id, "Before you touch anything", "Connection picture", "Wire table"):
        assert word in text
    # The labels of the picture are there, and not only those of the table.
    assert "rail GND" in text
    assert circuit.build.mains is None or text.count("PE") >= 6


@pytest.mark.slow
def test_the_same_build_gives_the_same_bytes_in_another_process_and_place(tmp_path: Path) -> None:
    seen = set()
    for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo")):
        into = tmp_path / seed
        command = [
            sys.executable,
            "-m",
            "buildkit.cli",
            "write",
            str(MAT),
            "--into",
            str(into),
            "--pdf",
        ]
        environment = {**os.environ, "PYTHONHASHSEED": seed, "TZ": zone}
        subprocess.run(command, check=True, capture_output=True, env=environment)
        seen.add((into / "wiring.pdf").read_bytes())
    assert len(seen) == 1


@pytest.mark.parametrize(
    ("fault", "named"),
    [
        (ImportError("No module named 'weasyprint'"), "pip install 'buildkit[pdf]'"),
        (OSError("cannot load library 'libpango-1.0-0'\nmore"), "libpango-1.0-0'"),
    ],
)
def test_without_the_library_one_message_says_what_to_install_and_nothing_is_written(
    fault: Exception, named: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = importlib.import_module

    def missing(name: str, package: str | None = None) -> Any:
        if name == "weasyprint":
            raise fault
        return real(name, package)

    monkeypatch.setattr(pdf.importlib, "import_module", missing)
    into = tmp_path / "out"
    done = CliRunner().invoke(app, ["write", str(HOOD), "--into", str(into), "--pdf"])
    assert done.exit_code == 2
    assert named in done.stderr
    assert f"apt-get install {pdf.DEBIAN}" in done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    assert not into.exists()


def test_nothing_is_fetched_for_a_pdf() -> None:
    with pytest.raises(ValueError, match=r"x\.test"):
        pdf._nothing("http://x.test/picture.png")


def test_paper_is_letter_in_the_us_and_a4_elsewhere() -> None:
    assert {p.stem: pdf.paper(example(p)) for p in EXAMPLES} == PAPERS
