"""Coverage-guided fuzzing: ``python -m tests.fuzz.run TARGET [-runs=N]``.

The options after the target are libFuzzer's.  An input that takes two seconds,
raises anything or grows the process beyond 300 MB ends the run and is kept.
A million inputs over all targets: ``sh tests/fuzz/million``.
"""

from __future__ import annotations

import sys
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["buildkit"]):
    from tests.fuzz.targets import TARGETS

SEEDS = Path(__file__).parent / "seeds"
LIMITS = ["-timeout=2", "-rss_limit_mb=300", "-print_final_stats=1", "-max_len=4096"]


def main() -> None:
    """Fuzz the target named first, beginning with its seeds."""
    name, *options = sys.argv[1:]
    own = SEEDS / name
    folders = [option for option in options if not option.startswith("-")]
    flags = [option for option in options if option.startswith("-")]
    seeds = [str(own)] if own.is_dir() else []
    atheris.Setup([sys.argv[0], *LIMITS, *flags, *folders, *seeds], TARGETS[name])
    atheris.Fuzz()


if __name__ == "__main__":
    main()
