"""Files whole or not at all; edited ones kept; the same input, the same bytes."""

from __future__ import annotations

import hashlib
import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from buildkit import checking, writing
from buildkit.tables import Tables

EXAMPLES = Path(__file__).parent.parent / "examples"
FILES = {"a/a.ino": "one\n", "wiring.md": "two\n"}


def _tree(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def test_the_record_has_the_hash_of_every_file(tmp_path: Path) -> None:
    writing.write(FILES, tmp_path)
    record = json.loads((tmp_path / "written.json").read_text())
    assert record["files"] == {
        name: hashlib.sha256(text.encode()).hexdigest() for name, text in FILES.items()
    }
    assert sorted(_tree(tmp_path)) == ["a/a.ino", "wiring.md", "written.json"]


def test_untouched_files_are_replaced(tmp_path: Path) -> None:
    writing.write(FILES, tmp_path)
    writing.write({**FILES, "wiring.md": "three\n"}, tmp_path)
    assert (tmp_path / "wiring.md").read_text() == "three\n"


def test_an_edited_file_is_refused_and_nothing_changes(tmp_path: Path) -> None:
    writing.write(FILES, tmp_path)
    (tmp_path / "wiring.md").write_text("my own notes\n")
    before = _tree(tmp_path)
    with pytest.raises(writing.CannotWrite, match=r"wiring\.md.*--force"):
        writing.write({"a/a.ino": "new\n", "wiring.md": "new\n"}, tmp_path)
    assert _tree(tmp_path) == before


def test_force_keeps_the_edited_file(tmp_path: Path) -> None:
    writing.write(FILES, tmp_path)
    (tmp_path / "wiring.md").write_text("my own notes\n")
    writing.write(FILES, tmp_path, force=True)
    assert (tmp_path / "wiring.md").read_text() == "two\n"
    assert (tmp_path / "wiring.md.kept").read_text() == "my own notes\n"


def test_what_was_kept_stays_kept(tmp_path: Path) -> None:
    writing.write(FILES, tmp_path)
    for words in ("first\n", "second\n"):
        (tmp_path / "wiring.md").write_text(words)
        writing.write(FILES, tmp_path, force=True)
    assert (tmp_path / "wiring.md.kept").read_text() == "first\n"
    assert (tmp_path / "wiring.md.kept2").read_text() == "second\n"


def test_a_stranger_file_is_not_ours_to_replace(tmp_path: Path) -> None:
    (tmp_path / "wiring.md").write_text("somebody's\n")
    with pytest.raises(writing.CannotWrite):
        writing.write(FILES, tmp_path)
    assert _tree(tmp_path) == {"wiring.md": b"somebody's\n"}


def test_a_link_is_not_written_through(tmp_path: Path) -> None:
    outside = tmp_path / "outside.txt"
    outside.write_text("keep\n")
    into = tmp_path / "into"
    into.mkdir()
    (into / "wiring.md").symlink_to(outside)
    with pytest.raises(writing.CannotWrite):
        writing.write(FILES, into)
    assert outside.read_text() == "keep\n"


@pytest.mark.parametrize("record", ["", "[]", '{"files": 3}', '{"files": {"wiring.md": null}}'])
def test_a_spoilt_record_counts_as_none(tmp_path: Path, record: str) -> None:
    writing.write(FILES, tmp_path)
    (tmp_path / "written.json").write_text(record)
    writing.write(FILES, tmp_path)  # same bytes: nothing is lost
    (tmp_path / "written.json").write_text(record)
    with pytest.raises(writing.CannotWrite):
        writing.write({**FILES, "wiring.md": "new\n"}, tmp_path)


def test_a_file_where_a_folder_should_be(tmp_path: Path) -> None:
    (tmp_path / "into").write_text("a file\n")
    with pytest.raises(writing.CannotWrite):
        writing.write(FILES, tmp_path / "into")
    assert (tmp_path / "into").read_text() == "a file\n"


def test_a_refusing_disk_leaves_the_old_files(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    writing.write(FILES, tmp_path)
    before = _tree(tmp_path)

    def refuse(self: Path, data: bytes) -> int:
        raise OSError(28, "No space left on device", str(self))

    monkeypatch.setattr(Path, "write_bytes", refuse)
    with pytest.raises(writing.CannotWrite, match="No space left"):
        writing.write({**FILES, "wiring.md": "new\n"}, tmp_path)
    assert _tree(tmp_path) == before


@pytest.mark.parametrize("fails_at", range(1, 8))
def test_a_move_that_fails_puts_the_old_files_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fails_at: int
) -> None:
    writing.write(FILES, tmp_path)
    monkeypatch.chdir(tmp_path)  # a folder that somebody stands in is not exchanged
    before = _tree(tmp_path)
    real, calls = os.replace, []

    def sometimes(source: Path, target: Path) -> None:
        calls.append(source)
        if len(calls) == fails_at:
            raise OSError(5, "Input/output error", str(target))
        real(source, target)

    monkeypatch.setattr(os, "replace", sometimes)
    with pytest.raises(writing.CannotWrite, match="Input/output error"):
        writing.write({"a/a.ino": "new\n", "wiring.md": "new\n"}, tmp_path)
    assert len(calls) >= fails_at
    assert _tree(tmp_path) == before


def test_same_input_same_bytes() -> None:
    script = (
        "import sys, json; from pathlib import Path; from buildkit import checking, writing;"
        "from buildkit.tables import Tables; t = Tables();"
        "made = [writing.contents(checking.check(Path(p), t)) for p in sys.argv[1:]];"
        "sys.stdout.buffer.write(json.dumps(made).encode())"
    )
    seen = set()
    for seed, locale, zone in (("1", "C", "Asia/Tokyo"), ("2", "C.UTF-8", "America/Lima")):
        done = subprocess.run(
            [sys.executable, "-c", script, *sorted(path.name for path in EXAMPLES.glob("*.yaml"))],
            cwd=EXAMPLES, capture_output=True, check=True,
            env={**os.environ, "PYTHONHASHSEED": seed, "LC_ALL": locale, "TZ": zone},
        )  # fmt: skip
        seen.add(done.stdout)
    assert len(seen) == 1


def test_nothing_that_is_written_knows_the_day_or_the_dice() -> None:
    """Only the stage of a write, a rehearsal and a recording look at the clock."""
    package = Path(checking.__file__).parent
    asks = re.compile(
        r"^ *(?:import|from) (?:time|datetime|random|locale|secrets|uuid)\b", re.MULTILINE
    )
    found = {path.stem for path in package.glob("*.py") if asks.search(path.read_text("utf-8"))}
    assert found <= {"swapping"}


def test_contents_of_a_faulty_build_are_refused() -> None:
    report = checking.check(EXAMPLES / "faulty" / "pin.taken-twice.yaml", Tables())
    with pytest.raises(writing.CannotWrite):
        writing.contents(report)
