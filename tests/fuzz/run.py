"""Coverage-guided fuzzing: ``python -m tests.fuzz.run TARGET FOLDER [-runs=N]``.

New inputs worth keeping go into FOLDER; the seeds are read and left as they
are.  The options after it are libFuzzer's.  An input that takes two seconds of
the processor, raises anything or grows the process beyond 300 MB ends the run and is kept.
A million inputs over all targets: ``sh tests/fuzz/million``.  The processor time
of the slowest input so far is told as ``SLOWEST … ms``.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["buildkit"]):
    from tests.fuzz.targets import TARGETS

SEEDS = Path(__file__).parent / "seeds"
MOST_S = 2
LIMITS = ["-timeout=60", "-rss_limit_mb=300", "-print_final_stats=1", "-max_len=4096"]


def timed(target: Callable[[bytes], None]) -> Callable[[bytes], None]:
    """``target`` within its time, telling each input that takes longer than all before, from 20 ms on."""
    slowest_s = 0.02

    def run(data: bytes) -> None:
        nonlocal slowest_s
        begin = time.process_time()
        target(data)
        taken_s = time.process_time() - begin
        if taken_s > slowest_s:
            slowest_s = taken_s
            print(f"SLOWEST {taken_s * 1000:.0f} ms", file=sys.stderr)
            assert taken_s < MOST_S

    return run


def main() -> None:
    """Fuzz the target named first, beginning with its seeds."""
    name, folder, *options = sys.argv[1:]
    Path(folder).mkdir(parents=True, exist_ok=True)
    atheris.Setup([sys.argv[0], *LIMITS, *options, folder, str(SEEDS / name)], timed(TARGETS[name]))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
