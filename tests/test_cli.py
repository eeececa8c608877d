"""The commands as their users meet them: exit codes, streams, JSON fields, width."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from buildkit import cli, rules
from buildkit.tables import Tables

ROOT = Path(__file__).parent.parent
HOOD = str(ROOT / "examples" / "kitchen-hood.yaml")
FAULTY = str(ROOT / "examples" / "faulty" / "pin.taken-twice.yaml")
# As typed in the project's folder: what is printed then has one width wherever that folder lies.
HOOD_HERE = "examples/kitchen-hood.yaml"
FAULTY_HERE = "examples/faulty/pin.taken-twice.yaml"


def run(*words: str) -> tuple[int, str, str]:
    done = CliRunner().invoke(cli.app, list(words))
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout, done.stderr


def test_check_of_a_good_build(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    code, out, err = run("check", HOOD_HERE)
    assert code == 0
    assert err == ""
    assert "hood runs while smoke" in out
    assert "smoke TXD" in out
    assert max(map(len, out.splitlines())) <= 80


def test_check_of_a_faulty_build_names_line_rule_and_remedy(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(ROOT)
    code, out, err = run("check", FAULTY_HERE)
    assert (code, err) == (1, "")
    assert f"{FAULTY_HERE}:18:20: error pin.taken-twice\n" in out
    assert "\n  > " in out


def test_check_json_has_the_fields_of_the_contract() -> None:
    code, out, _ = run("check", HOOD, FAULTY, "--format", "json")
    assert code == 1
    builds = json.loads(out)["builds"]
    assert [set(build) for build in builds] == [
        {"file", "build", "board", "findings", "seating"}
    ] * 2
    assert (builds[0]["build"], builds[0]["board"]) == ("kitchen-hood", "atmega328p-5v")
    fields = {
        "rule",
        "severity",
        "message",
        "fix",
        "file",
        "line",
        "column",
        "path",
        "numbers",
        "source",
    }
    for build in builds:
        assert build["findings"]
        assert all(set(finding) == fields for finding in build["findings"])
    seats = {(s["part"], s["terminal"]): (s["pin"], s["chosen"]) for s in builds[0]["seating"]}
    assert seats == {
        ("smoke", "TXD"): ("8", "build"),
        ("hood", "CTRL+"): ("7", "build"),
        ("panel", "SDA"): ("A4", "seated"),
        ("panel", "SCL"): ("A5", "seated"),
    }


def test_strict_makes_warnings_fail() -> None:
    warned = str(ROOT / "examples" / "reed-room.yaml")
    assert run("check", warned)[0] == 0
    assert run("check", warned, "--strict")[0] == 1
    assert run("check", HOOD, "--strict")[0] == 0


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check", "no-such-file.yaml"], "not there"),
        (["check", HOOD, "--format", "xml"], "text, json or sarif"),
        (["check", HOOD, "--tables", "no-such-folder"], "--tables"),
        (["boards", "atmega328p-5w"], "Did you mean 'atmega328p-5v'"),
        (["parts", "ds18b21"], "Did you mean 'ds18b20'"),
        (["explain", "pin.taken"], "Did you mean 'pin.taken-twice'"),
        (["write", HOOD], "--into"),
        (["check"], "BUILD"),
        (["chekc"], "chekc"),
    ],
)
def test_calls_that_cannot_run(words: list[str], said: str) -> None:
    code, out, err = run(*words)
    assert code == 2
    assert said in err
    assert out == ""
    assert "Traceback" not in err


def test_a_missing_file_does_not_hide_the_others() -> None:
    code, out, err = run("check", "no-such-file.yaml", FAULTY)
    assert code == 2
    assert "pin.taken-twice" in out
    assert "not there" in err


def test_boards_and_parts_are_listed_and_shown_at_80_columns() -> None:
    tables = Tables()
    for command, ids in (("boards", tables.board_ids()), ("parts", tables.part_ids())):
        code, out, _ = run(command)
        assert code == 0
        assert [line.split()[0] for line in out.splitlines() if line[:1].strip()] == ids
        for one in ids:
            code, page, _ = run(command, one)
            assert code == 0
            assert page.startswith(one)
            assert max(map(len, page.splitlines())) <= 80, one
    page = run("boards", "atmega328p-5v")[1]
    # Hazards first: before the pin map.
    assert page.index("Pins with a hazard") < page.index("\nPins\n")


def test_explain_shows_every_rule_whole_at_80_columns() -> None:
    code, out, _ = run("explain")
    assert code == 0
    for name, rule in rules.catalogue().items():
        assert f"{name} ({rule.severity})" in out
        code, page, _ = run("explain", name)
        assert code == 0
        for head in ("\nWhy\n", "\nWrong\n", "\nRight\n", "\nSource\n"):
            assert head in page
        assert max(map(len, page.splitlines())) <= 80, name


def test_a_word_that_is_only_begun_is_answered_with_what_begins_so() -> None:
    _, _, err = run("parts", "lcd")
    assert "begin so: lcd1602-parallel, lcd1602-pcf8574, lcd2004-pcf8574." in err
    _, _, err = run("boards", "rp2040")
    assert "Did you mean 'rp2040-stick'?" in err


def test_the_lines_of_a_check_fit_80_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    """From the folder's own place: a path cannot be broken."""
    monkeypatch.chdir(ROOT)
    _, out, _ = run("check", "examples")
    assert max(map(len, out.splitlines())) <= 80
    assert ": warning\n  bus.display-shares-probe\n" in out


def test_version_and_help() -> None:
    assert run("--version") == (0, "buildkit 0.1.0\n", "")
    code, out, _ = run("--help")
    assert code == 0
    assert all(word in out for word in ("check", "write", "boards", "parts", "explain"))


def test_the_installed_command_runs_from_another_folder(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "buildkit.cli", "check", HOOD],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "LC_ALL": "C", "PYTHONIOENCODING": "utf-8"},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_write_refuses_a_faulty_build_and_writes_nothing(tmp_path: Path) -> None:
    code, out, err = run("write", FAULTY, "--into", str(tmp_path / "out"))
    assert code == 1
    assert "pin.taken-twice" in out
    assert "nothing was written" in err
    assert not (tmp_path / "out").exists()


def test_write_puts_everything_there(tmp_path: Path) -> None:
    code, out, err = run("write", HOOD, "--into", str(tmp_path / "out"))
    assert (code, err) == (0, "")
    names = sorted(str(p.relative_to(tmp_path / "out")) for p in (tmp_path / "out").rglob("*.*"))
    assert names == [
        "kitchen-hood/kitchen-hood.ino", "wiring.csv", "wiring.html", "wiring.md", "written.json",
    ]  # fmt: skip
    assert out.count("wrote ") == 5
