"""README.md and DEVELOPERS.md by doing: what stands in their blocks is run, in order.

Left out are only the lines that set the machine up (``sh .ci/…``, which CI is).
The programs ``buildkit`` and ``python`` are this environment's.
"""

from __future__ import annotations

import importlib.metadata
import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest
import yaml

from buildkit import checking
from buildkit.places import data_dir
from buildkit.tables import Tables
from tests.test_cli import ROOT

FENCE = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def blocks(text: str, kind: str) -> list[str]:
    return [body for name, body in FENCE.findall(text) if name == kind]


def shell(lines: str, folder: Path, expected: int = 0) -> str:
    """What a block prints, run in the folder with this environment's programs."""
    wanted = "\n".join(line for line in lines.splitlines() if not line.startswith("sh .ci/"))
    head = f'python() {{ "{sys.executable}" "$@"; }}\nbuildkit() {{ python -m buildkit "$@"; }}\n'
    done = subprocess.run(
        ["bash", "-e", "-c", head + wanted], cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == expected, f"{wanted}\n{done.stdout[-2000:]}{done.stderr[-2000:]}"
    return done.stdout


def copied(folder: Path, *names: str) -> Path:
    for name in names:
        source = ROOT / name
        if source.is_dir():
            ignored = shutil.ignore_patterns(
                "__pycache__", "node_modules", "seeds", "fuzz-failures"
            )
            shutil.copytree(source, folder / name, ignore=ignored)
        else:
            shutil.copy(source, folder / name)
    return folder


@pytest.mark.slow
def test_the_ten_minute_path_ends_in_a_proven_sketch(tmp_path: Path) -> None:
    folder = copied(tmp_path, "boards", "templates")
    said = [shell(block, folder) for block in blocks(README, "sh")]
    assert (folder / "shed-hood" / "shed-hood" / "shed-hood.ino").is_file()
    assert (folder / "shed-hood" / "wiring.html").is_file()
    made = yaml.safe_load((folder / "shed-hood.yaml").read_text(encoding="utf-8"))
    assert (made["control"][0]["start_at"], made["control"][0]["stop_at"]) == (20, 12)
    assert any("bench-board" in text for text in said)
    schema = json.loads((folder / "build.schema.json").read_text(encoding="utf-8"))
    assert "bench-bead" in json.dumps(schema)
    log = json.loads((folder / "findings.sarif").read_text(encoding="utf-8"))
    assert log["version"] == "2.1.0"
    assert log["runs"][0]["results"]


@pytest.mark.parametrize(
    "block",
    [*blocks(README, "yaml"), *blocks(DEVELOPERS, "yaml")],
    ids=lambda block: block.split(":")[0].strip("# "),
)
def test_every_yaml_block_is_what_it_says(block: str, tmp_path: Path) -> None:
    """A build or sections of one, which are laid behind the first build; a room; or hooks."""
    found = yaml.safe_load(block)
    if "room" in found:
        schema = data_dir("buildkit") / "schemas" / "room.schema.json"
        jsonschema.validate(found, json.loads(schema.read_text(encoding="utf-8")))
    elif "repos" in found:
        (repo,) = found["repos"]
        hooks = yaml.safe_load((ROOT / ".pre-commit-hooks.yaml").read_text(encoding="utf-8"))
        assert {hook["id"] for hook in repo["hooks"]} == {hook["id"] for hook in hooks}
        assert repo["rev"] == f"v{importlib.metadata.version('buildkit')}"
    else:
        path = tmp_path / "block.yaml"
        whole = block if "build" in found else blocks(README, "yaml")[0] + block
        path.write_text(whole, encoding="utf-8")
        assert checking.check(path, Tables()).errors == 0


@pytest.mark.slow
def test_a_board_a_part_and_a_rule_as_the_guide_adds_them(tmp_path: Path) -> None:
    folder = copied(
        tmp_path, "boards", "templates", "examples", "buildkit", "tests", "pyproject.toml"
    )
    for kind, block in FENCE.findall(DEVELOPERS):
        target = re.search(r"^# (?:at the end of )?(\S+/\S+)$", block, re.MULTILINE)
        if kind == "sh":
            shell(block, folder)
        elif target is not None:
            path = folder / target[1]
            before = path.read_text(encoding="utf-8") if path.exists() else ""
            path.write_text(f"{before}\n\n{block}" if before else block, encoding="utf-8")
    assert (folder / "out" / "warm-bench" / "warm-bench.ino").is_file()


def test_the_readme_names_every_command_and_family_of_boards() -> None:
    from buildkit.cli import app

    names = {command.callback.__name__ for command in app.registered_commands if command.callback}
    assert names == set(re.findall(r"`buildkit (\w+)[ `]", README)) & names
    chips = {board.split("-")[0] for board in Tables().board_ids()}
    table = README[README.index("| boards | press") : README.index("## Commands")]
    families = {"AVR": ("atmega328p", "atmega2560"), "esp32": ("esp32",), "stm32": ("stm32f103",)}
    told = {chip for chip in chips if chip in table}
    told |= {chip for word, known in families.items() if word in table for chip in known}
    assert told == chips
