"""Many files and folders in one call: the same answers in the same order, however many work."""

from __future__ import annotations

import io
import json
import os
import shutil
from pathlib import Path

import pytest

from buildkit import batch, report, terminal
from buildkit.checking import check
from buildkit.tables import Tables
from tests.test_cli import FAULTY, HOOD, ROOT, run

TABLES = Tables()


def test_a_folder_gives_its_builds_and_nothing_else(tmp_path: Path) -> None:
    (tmp_path / "deep" / "er").mkdir(parents=True)
    (tmp_path / ".hidden").mkdir()
    for name in ("b.yaml", "deep/er/a.yml", ".hidden/c.yaml", ".d.yaml", "deep/e.txt"):
        (tmp_path / name).write_text("# mine\nbuild: x\n")
    (tmp_path / "list.yaml").write_text("other: 1\nnested:\n  build: no\n")
    (tmp_path / "deep" / "round").symlink_to(tmp_path)
    (tmp_path / "gone.yaml").symlink_to("nowhere")
    files, complaints = batch.found([tmp_path, tmp_path / "b.yaml"])
    assert [str(p.relative_to(tmp_path)) for p in files] == ["b.yaml", "deep/er/a.yml", "gone.yaml"]
    assert complaints == []


def test_a_folder_without_builds_is_a_complaint(tmp_path: Path) -> None:
    code, out, err = run("check", str(tmp_path), HOOD)
    assert code == 2
    assert "kitchen-hood on atmega328p-5v" in out
    assert "holds no build" in err


def test_a_folder_that_is_shut_is_a_complaint(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "shut").mkdir()
    (tmp_path / "one.yaml").write_text("build: x\n")
    real = os.scandir

    def guarded(path: str) -> object:
        if str(path).endswith("shut"):
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr(os, "scandir", guarded)
    files, complaints = batch.found([tmp_path])
    assert [path.name for path in files] == ["one.yaml"]
    assert complaints == [f"the folder {tmp_path / 'shut'} cannot be read: Permission denied."]


@pytest.mark.parametrize("form", ["text", "json", "sarif"])
def test_several_processes_say_what_one_says(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], form: str
) -> None:
    for number in range(50):
        shutil.copy((HOOD, FAULTY)[number % 2], tmp_path / f"{number:02}.yaml")
    seen = set()
    pids = []
    monkeypatch.setattr(terminal, "forget", lambda: pids.append(os.getpid()))
    for cpus in (1, 2, 3):
        monkeypatch.setattr(os, "cpu_count", lambda cpus=cpus: cpus)
        assert batch.run([tmp_path, Path("none.yaml")], TABLES, form, strict=False) == 2
        seen.add(capsys.readouterr())
        # One process does all itself; several leave all but the first file to others.
        assert (len(pids) == 50) == (cpus == 1)
        pids.clear()
    (both,) = seen
    assert "none.yaml is not there" in both.err
    assert both.out.count("49.yaml") > 0


def test_json_is_the_same_written_in_pieces() -> None:
    paths = [Path(HOOD), Path(FAULTY)]
    for some in ([], paths[:1], paths):
        out = io.StringIO()
        answers = batch.answers(some, TABLES, report.build_json)
        list(batch.print_json(answers, out))
        whole = report.check_json(check(path, TABLES) for path in some)
        assert out.getvalue() == json.dumps(whole, indent=2, ensure_ascii=False) + "\n"


@pytest.mark.parametrize("form", ["text", "json", "sarif"])
def test_a_name_that_is_no_text(tmp_path: Path, form: str) -> None:
    path = tmp_path / os.fsdecode(b"bad\xff\x1b[31m.yaml")
    shutil.copy(FAULTY, path)
    code, out, err = run("check", str(path), "--format", form)
    assert (code, err) == (1, "")
    assert "\x1b" not in out
    out.encode("utf-8")


PARENT = os.getpid()


def die(_: object) -> str:
    if os.getpid() != PARENT:
        os._exit(3)
    return "shown"


def test_a_worker_that_dies_is_no_silence(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever kills a process, the call must not end as if all were well."""
    for number in range(50):
        shutil.copy(HOOD, tmp_path / f"{number:02}.yaml")
    monkeypatch.setattr(os, "cpu_count", lambda: 2)
    *_, last = batch.answers(sorted(tmp_path.iterdir()), TABLES, die)
    assert "ended from outside" in last.complaint


def test_the_hook_for_pre_commit_checks_the_repository(tmp_path: Path) -> None:
    import subprocess
    import sys

    import yaml

    (hook,) = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text("utf-8"))
    assert hook["language"] == "python"
    program, *words = hook["entry"].split()
    assert program == "buildkit"
    (tmp_path / "builds").mkdir()
    (tmp_path / "ci.yaml").write_text("jobs: {}\n")
    for source, wanted in ((HOOD, 0), (FAULTY, 1)):
        shutil.copy(source, tmp_path / "builds" / "one.yaml")
        done = subprocess.run(
            [sys.executable, "-m", "buildkit", *words, *hook["args"]],
            cwd=tmp_path, capture_output=True, text=True, check=False,
        )  # fmt: skip
        assert done.returncode == wanted, done.stderr
