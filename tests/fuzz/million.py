"""A million inputs over all targets, in pieces: ``python -m tests.fuzz.million``.

Each piece is a process of its own, with a seed of its own, that begins with what
earlier pieces found; a line of ``--into``/progress.jsonl is kept of each, so that
a run that was stopped goes on where it was.  Only new inputs are counted, not
the corpus that a piece reads at its start.  The first failure ends the run; its
input lies in ``--into`` and belongs into ``tests/fuzz/seeds/TARGET``.
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
MILLION = {  # inputs and the size of a piece; cheap ones have more
    "reading": (500_000, 100_000),
    "checking-bytes": (250_000, 50_000),
    "checking-edits": (150_000, 25_000),
    "tables": (60_000, 10_000),
    "writing": (40_000, 8_000),
}


def figure(pattern: str, text: str) -> float:
    """The last number that ``pattern`` finds, or 0."""
    found = re.findall(pattern, text)
    return float(found[-1]) if found else 0.0


def piece(target: str, runs: int, seed: int, into: Path) -> dict[str, float | int | str]:
    """Run one piece and say what it did; ``failed`` is libFuzzer's exit code."""
    corpus = into / "corpus" / target
    corpus.mkdir(parents=True, exist_ok=True)
    begin = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "tests.fuzz.run", target, str(corpus), f"-seed={seed}",
         f"-runs={runs + 2 + corpus_size(target, corpus)}", f"-artifact_prefix={into}/{target}-"],
        cwd=ROOT, capture_output=True, text=True, check=False,
    )  # fmt: skip
    if done.returncode:
        (into / f"{target}-{seed}.log").write_text(done.stderr, encoding="utf-8")
    told = done.stderr
    before = figure(r"#(\d+)\s+INITED", told)
    return {
        "target": target,
        "seed": seed,
        "inputs": max(0, int(figure(r"stat::number_of_executed_units: (\d+)", told) - before)),
        "failed": done.returncode,
        "slowest_ms": figure(r"SLOWEST (\d+) ms", told),
        "peak_mb": figure(r"stat::peak_rss_mb: +(\d+)", told),
        "seconds": round(time.monotonic() - begin, 1),
    }


def corpus_size(target: str, corpus: Path) -> int:
    """How many inputs a piece reads before its first new one, about."""
    seeds = Path(__file__).parent / "seeds" / target
    return sum(1 for _ in corpus.iterdir()) + sum(1 for _ in seeds.iterdir())


def kept(path: Path) -> list[dict[str, float | int | str]]:
    """The lines of the pieces that are done."""
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def pieces(
    divisor: int, lines: list[dict[str, float | int | str]]
) -> Iterator[tuple[str, int, int]]:
    """Target, inputs and seed of what is left, all targets in turn."""
    left = {
        target: most // divisor - sum(int(p["inputs"]) for p in lines if p["target"] == target)
        for target, (most, _) in MILLION.items()
    }
    seed = len(lines)
    while any(count > 0 for count in left.values()):
        for target, (_, size) in MILLION.items():
            runs = min(size, left[target])
            if runs > 0:
                seed += 1
                left[target] -= runs
                yield target, runs, seed


def main() -> int:
    """Run what is left of the million, or of a part of it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("divisor", nargs="?", type=int, default=1, help="10 runs a tenth")
    parser.add_argument("--into", type=Path, default=ROOT / "fuzz-failures")
    given = parser.parse_args()
    given.into.mkdir(parents=True, exist_ok=True)
    progress = given.into / "progress.jsonl"
    lines = kept(progress)
    for target, runs, seed in pieces(given.divisor, lines):
        done = piece(target, runs, seed, given.into)
        lines.append(done)
        with progress.open("a", encoding="utf-8") as stream:
            stream.write(json.dumps(done) + "\n")
        total = sum(int(line["inputs"]) for line in lines)
        print(f"{total:9,} inputs; {done}", flush=True)
        if done["failed"]:
            return 1
    print(
        f"{sum(int(line['inputs']) for line in lines):,} inputs, no failure;"
        f" slowest {max(float(line['slowest_ms']) for line in lines):.0f} ms,"
        f" most memory {max(float(line['peak_mb']) for line in lines):.0f} MB"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
