"""Where the tables lie: one look-up for the checkout and for the wheel."""

from __future__ import annotations

from functools import cache
from pathlib import Path


@cache
def data_dir(name: str) -> Path:
    """The folder ``name`` (boards, templates or examples).

    In a wheel they are packed under ``buildkit/data``; in a checkout they
    stand beside the package.  Raises FileNotFoundError when neither is there.
    """
    package = Path(__file__).resolve().parent
    for root in (package / "data", package.parent):
        if (root / name).is_dir():
            return root / name
    raise FileNotFoundError(f"buildkit's own folder '{name}' is missing; install it anew.")
