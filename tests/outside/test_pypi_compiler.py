"""Rehearsals with the compiler that pip brings, and nothing else on the path, against g++.

What a rehearsal tells is told in whole milliseconds and steps of the sensor, so two compilers
that both keep to the language must agree to the letter, also where the engine takes the
sketch's variables back (brown-out), which each compiler sets apart in a way of its own.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from buildkit.rehearsal import compiler
from buildkit.rehearsal.toolchain import ToolchainMissing
from tests.chip_world import example_text

pytestmark = pytest.mark.slow


def _rehearsed(build: Path, words: list[str], path: str) -> dict[str, object]:
    done = subprocess.run(
        [sys.executable, "-m", "buildkit", "rehearse", str(build), *words, "--format", "json"],
        capture_output=True, text=True, check=False, env={**os.environ, "PATH": path},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told: dict[str, object] = json.loads(done.stdout)
    return told


@pytest.mark.parametrize(
    ("name", "board", "words"),
    [
        ("kitchen-hood", "atmega328p-5v", []),
        ("plant-shelf", "rp2040-stick", ["--fault", "brown-out@200"]),
    ],
)
def test_both_compilers_tell_the_same(
    name: str, board: str, words: list[str], tmp_path: Path
) -> None:
    build = tmp_path / f"{name}.yaml"
    build.write_text(example_text(name, board), encoding="utf-8")
    empty = tmp_path / "empty"
    empty.mkdir()
    theirs = _rehearsed(build, words, str(empty))
    assert theirs == _rehearsed(build, words, os.environ["PATH"])
    assert theirs["changes"]
    assert theirs["resets"] == len(words) // 2


def test_the_system_s_compilers_come_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    assert compiler.find().command == (sys.executable, "-m", "ziglang", "c++")
    for tool, found in {"g++": sys.executable, "clang++": "clang++", "objcopy": "g++"}.items():
        (tmp_path / tool).touch(0o755)
        assert Path(compiler.find().command[0]).name == Path(found).name, "g++ takes objcopy too"
    monkeypatch.setenv("PATH", "")
    monkeypatch.setattr(compiler, "find_spec", lambda _: None)
    with pytest.raises(ToolchainMissing, match=r"apt-get install g\+\+.*buildkit\[compiler\]"):
        compiler.find()
