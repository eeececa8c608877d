"""The wheel carries everything: tables, templates, examples, schemas, types."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def unpacked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout, unpacked."""
    return unpack(tmp_path_factory.mktemp("wheel"))


def unpack(folder: Path) -> Path:
    """Build the wheel in the folder, and unpack it there."""
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation",
         "--disable-pip-version-check", "--wheel-dir", str(folder), str(ROOT)],
        check=True,
    )  # fmt: skip
    (wheel,) = folder.glob("buildkit-*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(folder / "site")
    return folder / "site"


def test_the_wheel_holds_what_the_checkout_holds(unpacked: Path) -> None:
    for folder in ("boards", "templates", "examples"):
        ours = {p.relative_to(ROOT) for p in (ROOT / folder).rglob("*") if p.is_file()}
        data = unpacked / "buildkit" / "data"
        packed = {p.relative_to(data) for p in (data / folder).rglob("*") if p.is_file()}
        assert packed == ours
    assert (unpacked / "buildkit" / "py.typed").is_file()
    assert sorted(p.name for p in (unpacked / "buildkit" / "schemas").glob("*.json")) == [
        "board.schema.json", "build.schema.json", "part.schema.json", "room.schema.json",
    ]  # fmt: skip
    assert list((unpacked / "buildkit" / "rehearsal").glob("*.c"))


def test_the_wheel_writes_the_example_without_the_checkout(unpacked: Path, tmp_path: Path) -> None:
    example = unpacked / "buildkit" / "data" / "examples" / "kitchen-hood.yaml"
    done = subprocess.run(
        [sys.executable, "-c", "from buildkit.cli import main; main()",
         "write", str(example), "--into", str(tmp_path / "out")],
        cwd=tmp_path, capture_output=True, text=True, check=False,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "out" / "kitchen-hood" / "kitchen-hood.ino").is_file()
    found = subprocess.run(
        [sys.executable, "-c", "import buildkit.places as p; print(p.data_dir('boards'))"],
        cwd=tmp_path, capture_output=True, text=True, check=True,
        env={**os.environ, "PYTHONPATH": str(unpacked)},
    )  # fmt: skip
    assert found.stdout.startswith(str(unpacked))
