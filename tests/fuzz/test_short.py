"""The fuzzing of tests/fuzz, for a moment: every seed, and some thousand new inputs."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.fuzz.targets import TARGETS

ROOT = Path(__file__).parent.parent.parent
RUNS = {
    "reading": 20_000,
    "checking-bytes": 4_000,
    "checking-edits": 600,
    "tables": 250,
    "writing": 150,
}


def test_every_target_is_run() -> None:
    assert set(RUNS) == set(TARGETS)
    assert {p.name for p in (ROOT / "tests" / "fuzz" / "seeds").iterdir()} == set(TARGETS)


@pytest.mark.slow
@pytest.mark.parametrize("target", TARGETS)
def test_no_input_is_a_traceback(target: str, tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.run", target, str(tmp_path / "new"),
         f"-runs={RUNS[target]}", "-seed=1", f"-artifact_prefix={tmp_path}/"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    found = re.search(r"stat::number_of_executed_units: (\d+)", done.stderr)
    assert found is not None
    assert int(found[1]) >= RUNS[target]
    memory = re.search(r"stat::peak_rss_mb: +(\d+)", done.stderr)
    assert memory is not None
    assert int(memory[1]) < 300


@pytest.mark.parametrize("target", TARGETS)
def test_the_seeds_pass(target: str) -> None:
    seeds = sorted((ROOT / "tests" / "fuzz" / "seeds" / target).iterdir())
    assert seeds
    for seed in seeds:
        TARGETS[target](seed.read_bytes())
