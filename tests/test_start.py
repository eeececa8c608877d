"""start: a commented new build that passes check, from flags or from questions; nothing overwritten."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from buildkit import checking, start
from buildkit.tables import Tables
from tests.test_cli import run

TABLES = Tables()


@pytest.fixture(autouse=True)
def _elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


@pytest.mark.parametrize("like", start.examples())
def test_every_example_begins_a_build_that_passes(like: str) -> None:
    code, out, err = run("start", "my-own", "--like", like)
    assert (code, err) == (0, "")
    assert "my-own.yaml" in out
    report = checking.check(Path("my-own.yaml"), TABLES)
    assert report.errors == 0
    assert report.circuit is not None
    assert report.circuit.build.name == "my-own"
    text = Path("my-own.yaml").read_text(encoding="utf-8")
    assert max(map(len, text.splitlines()[1:])) <= 80
    # The same build as the example but for its name: comments change nothing.
    made, source = yaml.safe_load(text), yaml.safe_load(start._example(like))
    assert made == {**source, "build": "my-own"}
    # Each section has its comment, and no comment stands twice.
    remarks = [line.strip() for line in text.splitlines() if line.strip().startswith("# ")]
    assert len(remarks) > 20
    sections = [i for i, line in enumerate(text.splitlines()) if line[:1].isalpha()]
    assert all(text.splitlines()[i - 1].startswith("#") for i in sections)


def test_the_first_line_points_an_editor_at_a_schema_that_is_there() -> None:
    run("start", "my-own", "--like", "kitchen-hood")
    first = Path("my-own.yaml").read_text(encoding="utf-8").splitlines()[0]
    assert Path(first.split("$schema=")[1]).is_file()


@pytest.mark.slow
@pytest.mark.parametrize("board", TABLES.board_ids())
def test_every_board_has_an_example_to_begin_from(board: str) -> None:
    """With the shifters that the board needs put in; what cannot fit names those that do."""
    fitting = start.fitting(board, TABLES)
    assert "plant-shelf" in fitting
    for like in fitting:
        code, out, err = run("start", f"on-{like}", "--like", like, "--board", board)
        assert (code, err) == (0, "")
        report = checking.check(Path(f"on-{like}.yaml"), TABLES)
        assert report.errors == 0
        assert report.circuit is not None
        assert out.count("put in for this board") == len(report.circuit.passages)
        text = Path(f"on-{like}.yaml").read_text(encoding="utf-8")
        assert max(map(len, text.splitlines()[1:])) <= 80
    for like in set(start.examples()) - set(fitting):
        code, _, err = run("start", "none", "--like", like, "--board", board)
        assert code == 1
        assert f"examples that {board} can carry: {', '.join(fitting)}." in err


def test_flags_change_what_they_name() -> None:
    code, _, err = run(
        "start", "shed", "--like", "kitchen-hood", "--board", "atmega2560-5v",
        "--about", 'Dust: "fine" # and more', "--start-at", "25", "--stop-at", "12.5",
    )  # fmt: skip
    assert (code, err) == (0, "")
    made = yaml.safe_load(Path("shed.yaml").read_text(encoding="utf-8"))
    assert (made["board"], made["about"]) == ("atmega2560-5v", 'Dust: "fine" # and more')
    assert (made["control"][0]["start_at"], made["control"][0]["stop_at"]) == (25, 12.5)
    # Pins of the example's board do not all fit: they are left to be chosen.
    assert checking.check(Path("shed.yaml"), TABLES).errors == 0


def test_without_an_example_it_begins_from_the_plainest() -> None:
    code, out, err = run("start", "mine")
    assert (code, err) == (0, "")
    assert "like plant-shelf" in out
    assert run("check", "mine.yaml")[0] == 0


def test_nothing_is_overwritten() -> None:
    Path("mine.yaml").write_text("my work\n")
    code, out, err = run("start", "mine", "--like", "kitchen-hood")
    assert (code, out) == (2, "")
    assert "there already" in err
    assert Path("mine.yaml").read_text() == "my work\n"
    Path("link.yaml").symlink_to("nowhere.yaml")
    assert run("start", "link", "--like", "kitchen-hood")[0] == 2
    assert not Path("nowhere.yaml").exists()


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["My Hood", "--like", "kitchen-hood"], 1, "cannot be a name"),
        (["../up", "--like", "kitchen-hood"], 1, "cannot be a name"),
        (["con", "--like", "kitchen-hood"], 1, "cannot name a folder"),
        (["NUL", "--like", "kitchen-hood"], 1, "cannot be a name"),
        (["hood.", "--like", "kitchen-hood"], 1, "cannot be a name"),
        (["a # b", "--like", "kitchen-hood"], 2, "cannot be the name"),
        (["x", "--like", "kitchen-hod"], 2, "Did you mean 'kitchen-hood'"),
        (["x", "--like", "../../x"], 2, "no example"),
        ([], 2, "say what the build is called"),
        (["x", "--like", "reed-room", "--board", "esp8266-12e-dev"], 1, "level.over-voltage"),
        (["x", "--like", "kitchen-hood", "--board", "none"], 1, "doc.unknown-board"),
        (["x", "--like", "kitchen-hood", "--stop-at", "low"], 1, "must be a number"),
    ],
)
def test_what_cannot_be_begun_writes_nothing(words: list[str], code: int, said: str) -> None:
    found = run("start", *words)
    assert found[0] == code
    assert said in found[1] + found[2]
    assert list(Path().rglob("*")) == []
    assert not Path("../up.yaml").exists()


@pytest.mark.parametrize(
    "words", [["--like"], ["x", "--like"], ["--like", "--board", "y"], ["--help"]]
)
def test_the_examples_are_listed_with_a_line_each(words: list[str]) -> None:
    code, out, _ = run("start", *words)
    assert code == 0
    for name, about in start.examples().items():
        assert name in out
        assert about.split()[0] in out
    assert max(map(len, out.splitlines())) <= 80
    assert list(Path().iterdir()) == []


@pytest.mark.parametrize(
    ("words", "answers"), [(["asked"], b""), ([], b"asked\n")], ids=["named", "unnamed"]
)
def test_questions_on_a_terminal(words: list[str], answers: bytes) -> None:
    master, slave = pty.openpty()
    with subprocess.Popen(
        [sys.executable, "-m", "buildkit", "start", *words],
        stdin=slave,
        stdout=slave,
        stderr=slave,
    ) as running:
        os.close(slave)
        os.write(master, answers + b"seedling-mat\n\n19.5\n\n")
        assert running.wait(30) == 0
    os.close(master)
    made = yaml.safe_load(Path("asked.yaml").read_text(encoding="utf-8"))
    assert (made["board"], made["control"][0]["start_at"]) == ("atmega328p-5v", 19.5)
    assert made["control"][0]["stop_at"] == 22
