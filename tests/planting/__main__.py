"""The table: ``python -m tests.planting [--count N] [--seed S] [--only NAME] [--markdown]``."""

from __future__ import annotations

import argparse
import sys
import time

from tests.planting.run import grow, table


def main() -> int:
    """Plant, check, print; 1 when a fault was missed or a valid build refused."""
    parser = argparse.ArgumentParser(prog="python -m tests.planting", description=__doc__)
    parser.add_argument("--count", type=int, default=5000, help="faults in all, at least")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="rules whose name begins so")
    parser.add_argument("--markdown", action="store_true", help="the table as Markdown")
    parser.add_argument("--show", type=int, default=0, help="missed faults to print in full")
    given = parser.parse_args()
    begun = time.monotonic()
    harvest = grow(given.count, given.seed, given.only)
    print(table(harvest, given.markdown))
    for miss in harvest.missed[: given.show]:
        print(
            f"\n{miss.rule} by {miss.planter}, {miss.where}, lines {miss.lines}\n  told {miss.told}"
        )
        print(miss.text if len(miss.text) < 6000 else miss.text[:500])
    for where, message in harvest.false_errors:
        print(f"false error: {where}: {message}")
    print(f"{time.monotonic() - begun:.1f} s, seed {given.seed}", file=sys.stderr)
    return 1 if harvest.missed or harvest.false_errors else 0


if __name__ == "__main__":
    sys.exit(main())
