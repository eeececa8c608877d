"""The tab key in bash, zsh and fish: ids, rule names, examples; files where files go."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys

import pytest

from buildkit import rules, start
from buildkit.tables import Tables

TABLES = Tables()
MAIN = "from buildkit.__main__ import main; import sys; sys.argv[0] = 'buildkit'; main()"


def offered(line: str, shell: str = "bash") -> str:
    words = line.split(" ")
    names = {
        "_BUILDKIT_COMPLETE": f"complete_{shell}",
        "COMP_WORDS": line,
        "COMP_CWORD": str(len(words) - 1),
        "_TYPER_COMPLETE_ARGS": line,
        "_TYPER_COMPLETE_FISH_ACTION": "get-args",
        "_TYPER_COMPLETE_WORD_TO_COMPLETE": words[-1],
    }
    done = subprocess.run(
        [sys.executable, "-c", MAIN], capture_output=True, text=True, check=False,
        env={**os.environ, **names},
    )  # fmt: skip
    assert "Traceback" not in done.stderr, done.stderr
    return done.stdout


@pytest.mark.parametrize(
    ("line", "wanted"),
    [
        ("buildkit boards ", set(TABLES.board_ids())),
        ("buildkit boards esp32-", {b for b in TABLES.board_ids() if b.startswith("esp32-")}),
        ("buildkit parts ", set(TABLES.part_ids())),
        ("buildkit parts ds", {"ds18b20"}),
        ("buildkit explain ", set(rules.catalogue())),
        ("buildkit explain pin.", {r for r in rules.catalogue() if r.startswith("pin.")}),
        ("buildkit start x --like ", set(start.examples())),
        ("buildkit move x.yaml --board rp", {"rp2040-stick"}),
        ("buildkit start x --board rp", {"rp2040-stick"}),
    ],
)
def test_what_bash_is_offered(line: str, wanted: set[str]) -> None:
    assert set(offered(line).split()) == wanted


def test_commands_are_offered() -> None:
    assert {"check", "write", "start", "schema", "explain"} <= set(offered("buildkit ").split())


def test_files_are_left_to_the_shell() -> None:
    """Nothing of ours for a file: bash's own '-o default' completes it."""
    assert offered("buildkit check exa").strip() == ""
    script = subprocess.run(
        [sys.executable, "-c", MAIN], capture_output=True, text=True, check=True,
        env={**os.environ, "_BUILDKIT_COMPLETE": "source_bash"},
    ).stdout  # fmt: skip
    assert "complete -o default -F" in script
    bash = shutil.which("bash")
    assert bash is not None
    subprocess.run([bash, "-n"], input=script, text=True, check=True)


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_other_shells_are_told_what_each_is(shell: str) -> None:
    out = offered("buildkit boards rp2040", shell)
    assert "rp2040-stick" in out
    assert TABLES.board("rp2040-stick").title.split(",")[0] in out
