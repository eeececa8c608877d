"""What a call costs, as a share of what Python takes for the imports alone.

Processor time of the process, not the clock, so that other work on the machine
counts little; the least of several runs.  Modules are compiled beforehand, as
they are where buildkit is installed.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from buildkit.places import data_dir

EXAMPLES = sorted(data_dir("examples").glob("*.yaml"), key=lambda path: path.stat().st_size)
LARGEST = EXAMPLES[-1]
FOUR = ("-c", "import yaml, jsonschema, jinja2, typer")
TYPER = ("-c", "import typer")


@pytest.fixture(scope="module")
def compiled() -> Iterator[dict[str, str]]:
    """An environment in which every module is compiled once and kept."""
    with tempfile.TemporaryDirectory() as folder:
        names = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
        yield {**names, "PYTHONPYCACHEPREFIX": folder}


def spent() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def cost(names: dict[str, str], *words: str, runs: int = 9) -> float:
    """Processor seconds of a Python with these words, the least of several runs after one."""
    best = float("inf")
    for run in range(runs + 1):
        before = spent()
        subprocess.run([sys.executable, *words], env=names, stdout=subprocess.DEVNULL, check=True)
        if run:
            best = min(best, spent() - before)
    return best


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "words", "base", "most"),
    [
        ("check", ("check", str(LARGEST)), FOUR, 1.3),
        ("--version", ("--version",), TYPER, 1.1),
        ("explain", ("explain", "level.over-voltage"), TYPER, 1.1),
    ],
)
def test_a_cold_call(
    compiled: dict[str, str], what: str, words: tuple[str, ...], base: tuple[str, ...], most: float
) -> None:
    ratio = cost(compiled, "-m", "buildkit", *words) / cost(compiled, *base)
    print(f"\n{what}: {ratio:.2f} of the imports, at most {most}")
    assert ratio <= most


def test_the_library_is_imported_in_a_moment(compiled: dict[str, str]) -> None:
    """At most 30 ms beyond what it stands on; its names draw in their modules when used."""
    script = "import time; a = time.process_time(); import buildkit; print(time.process_time() - a)"
    command = [sys.executable, "-c", script]
    taken = [
        float(subprocess.run(command, env=compiled, capture_output=True, check=True).stdout)
        for _ in range(3)
    ]
    print(f"\nimport buildkit: {min(taken) * 1000:.1f} ms")
    assert min(taken) < 0.03


@pytest.mark.slow
def test_a_thousand_builds(compiled: dict[str, str], tmp_path: Path) -> None:
    """The rate is told; what must hold on any machine is that time and memory grow no faster."""
    seconds, memory = [], []
    for count in (100, 1000):
        folder = tmp_path / str(count)
        folder.mkdir()
        for number in range(count):
            shutil.copy(EXAMPLES[number % len(EXAMPLES)], folder / f"{number:04}.yaml")
        script = (
            "import resource, sys; from buildkit.__main__ import main\n"
            f"sys.argv = ['buildkit', 'check', {str(folder)!r}]\n"
            "try: main()\n"
            "finally:\n"
            " a, b = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))\n"
            " print(a.ru_utime + a.ru_stime + b.ru_utime + b.ru_stime, a.ru_maxrss, b.ru_maxrss,"
            " file=sys.stderr)\n"
        )
        for _ in range(2 if count == 100 else 1):  # the first one compiles
            done = subprocess.run(
                [sys.executable, "-c", script],
                env=compiled,
                capture_output=True,
                text=True,
                check=False,
            )
        used, own, helpers = done.stderr.split()
        seconds.append(float(used))
        memory.append(max(int(own), int(helpers)))
    rate = 900 / (seconds[1] - seconds[0])
    print(
        f"\n{rate:.0f} builds a second of one core, {2 * rate:.0f} of two; {memory[1] / 1024:.0f} MB"
    )
    assert seconds[1] < 12 * seconds[0]
    assert memory[1] < 1.2 * memory[0]
