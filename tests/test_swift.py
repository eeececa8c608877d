"""The quick command line: the same values as Typer makes, and nothing loaded that is not needed."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Annotated, Any

import pytest
import typer
from typer.testing import CliRunner

from buildkit import swift
from tests.test_cli import FAULTY, HOOD, ROOT, run


def recorder(app: typer.Typer) -> list[Any]:
    seen: list[Any] = []

    @app.command()
    def one(
        words: Annotated[list[str], typer.Argument()],
        path: Annotated[Path | None, typer.Option("--path")] = None,
        many: Annotated[list[Path] | None, typer.Option("--many")] = None,
        text: Annotated[str, typer.Option("--text")] = "none",
        flag: Annotated[bool, typer.Option("--flag")] = False,
        maybe: Annotated[bool | None, typer.Option("--maybe/--never")] = None,
        number: Annotated[int, typer.Option("--number")] = 3,
    ) -> None:
        seen.append((words, path, many, text, flag, maybe, number))

    return seen


@pytest.mark.parametrize(
    "words",
    [
        ["a"],
        ["a", "b", "--path", "x/y", "--flag"],
        ["ä", "--many", "p", "--many", "q", "--text", ""],
        ["a", "--never", "--number", "7"],
        ["a", "--maybe"],
        [],
        ["a", "--number", "seven"],
        ["a", "--unknown"],
        ["--path"],
        ["--help"],
    ],
)
def test_the_same_values_and_complaints_as_typer(words: list[str]) -> None:
    results = []
    for app in (typer.Typer(rich_markup_mode=None), swift.App(rich_markup_mode=None)):
        seen = recorder(app)
        done = CliRunner().invoke(app, words)
        results.append((seen, done.exit_code, done.stdout, done.stderr))
    assert results[0] == results[1]


HEAVY = ("pydantic", "jsonschema", "jinja2", "rich", "weasyprint", "concurrent.futures")


@pytest.mark.parametrize(
    ("words", "code", "also"),
    [
        (["--version"], 0, ("typer", "yaml", "buildkit.model")),
        (["explain", "pin.cannot"], 0, ("typer", "yaml")),
        (["check", HOOD], 0, ()),
        (["check", FAULTY], 1, ()),
        (["boards"], 0, ()),
        (["schema"], 0, ()),
    ],
)
def test_nothing_is_loaded_that_is_not_needed(
    words: list[str], code: int, also: tuple[str, ...]
) -> None:
    script = """
import sys, json, atexit
from buildkit.__main__ import main
atexit.register(lambda: print(json.dumps(sorted(sys.modules)), file=sys.stderr))
main()
"""
    done = subprocess.run(
        [sys.executable, "-c", script, *words], capture_output=True, text=True, check=False
    )
    assert done.returncode == code, done.stderr
    loaded = set(json.loads(done.stderr))
    assert loaded & {*HEAVY, *also} == set()


def test_the_short_ways_say_what_the_long_ones_say() -> None:
    for words in (["--version"], ["explain", "pin.cannot"], ["explain", "load.fuse"]):
        done = subprocess.run(
            [sys.executable, "-m", "buildkit", *words], capture_output=True, text=True, check=True
        )
        assert (0, done.stdout, done.stderr) == run(*words)
    done = subprocess.run(
        [sys.executable, "-m", "buildkit", "explain", "pin.none"],
        capture_output=True, text=True, check=False, cwd=ROOT,
    )  # fmt: skip
    assert (done.returncode, done.stdout, done.stderr) == run("explain", "pin.none")


@pytest.mark.parametrize(
    "words", [["explain", "pin.cannot"], ["--version"], ["boards"], ["check", HOOD]]
)
def test_a_full_disk_under_the_answer_is_one_sentence(words: list[str]) -> None:
    with open("/dev/full", "w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "buildkit", *words],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False,
        )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr == "buildkit: the answer cannot be written: No space left on device.\n"


@pytest.mark.parametrize(
    ("words", "lines"),
    [
        ("check examples/faulty | head -1", 1),
        ("check examples/faulty >&-", 0),
        ("--version >&-", 0),
    ],
)
def test_a_reader_that_goes_away_is_no_traceback(words: str, lines: int) -> None:
    done = subprocess.run(
        ["bash", "-c", f'"{sys.executable}" -m buildkit {words}'],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert (done.stdout.count("\n"), done.stderr) == (lines, "")


def test_a_terminal_of_few_characters_is_no_traceback() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "buildkit", "check", str(ROOT / "examples" / "reed-room.yaml")],
        capture_output=True, check=False, env={"PYTHONIOENCODING": "ascii", "PATH": ""},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stdout.isascii()
